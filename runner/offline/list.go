package offline

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"

	"fullthrow/reports"
	"fullthrow/runner/measure"
)

// Measurement is one of package measure as the command line takes it: files in
// place of captures and lists, flags for options.
type Measurement struct{ measure.Measurement }

// plots are the drawings that there are, by measurement.
var plots = map[string]plotter{
	"tone": plotTone, "tones": plotTones, "tune": plotTune, "sine": plotSine, "level": plotLevel,
	"steady": plotSteady, "inrush": plotInrush, "started": plotStarted, "decay": plotDecay, "settling": plotSettling,
	"ripple": plotRipple, "charge": plotCharge, "brown_out": plotBrownOut,
	"travel": plotTravel, "travel_points": plotTravelPoints, "dead_band": plotDeadBand, "centre": plotCentre,
	"switch": plotSwitch,
	"link":   plotLink, "bursts": plotBursts, "sweep": plotSweep, "latency": plotLatency,
	"restart": plotRestart, "start_curve": plotStartCurve,
	"summary": plotSummary, "percentile": plotPercentile, "histogram": plotHistogram, "line": plotLine,
	"detection": plotDetection,
}

// List is every measurement, in the order in which help shows them.
func List() []Measurement {
	var list []Measurement
	for _, m := range measure.Measurements() {
		list = append(list, Measurement{m})
	}
	return list
}

// Word is its name on the command line, dead-band.
func (m Measurement) Word() string { return kebab(m.Name) }

// kebab writes a name of plans as flags have it.
func kebab(name string) string { return strings.ReplaceAll(name, "_", "-") }

// Flag is one option of a measurement. Kind is what it takes, in help; "" for a
// truth.
type Flag struct{ Name, Kind, Help string }

// Flags lists the options of a measurement, in the order of their struct.
func (m Measurement) Flags() []Flag {
	var list []Flag
	if m.Sampled() {
		list = append(list, Flag{"channel", "NAME", "of the capture, by name or number from 1; not given: 1"})
	}
	if t := m.Options(); t != nil {
		for _, f := range measure.Fields(t) {
			if f.Name == "channel" && m.Sampled() {
				continue
			}
			help := f.Words()
			if f.Of != "" {
				help = "of " + f.Of + "; " + help
			}
			list = append(list, Flag{kebab(f.Name), kind(f), help})
		}
	}
	return list
}

func kind(f measure.Field) string {
	switch {
	case f.Type.Kind() == reflect.Bool:
		return ""
	case f.Type.Kind() == reflect.Slice:
		return "LIST"
	case f.Type.Kind() == reflect.String:
		return "NAME"
	case f.Unit == "1":
		return "N"
	case measure.Follows[f.Unit] != "":
		return "X"
	}
	return f.Unit
}

// Takes names its arguments, as FRAMES PATHS...
func (m Measurement) Takes() string {
	var words []string
	for _, a := range m.Arguments() {
		word := strings.ToUpper(kebab(a.Name))
		if a.Type == typePaths {
			word += "..."
		}
		words = append(words, word)
	}
	return strings.Join(words, " ")
}

// Gives lists the fields of its result with their units, for help; nothing for
// a plain value.
func (m Measurement) Gives() []Flag {
	t := m.Result()
	for t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	var list []Flag
	if t.Kind() == reflect.Struct {
		for _, f := range measure.Fields(t) {
			list = append(list, Flag{Name: f.Name, Help: f.About()})
		}
	}
	return list
}

// Columns lists the columns of each table that an argument is read from by its
// tags: "trials      off / s, started".
func Columns() string {
	var b strings.Builder
	seen := map[reflect.Type]bool{}
	for _, m := range List() {
		for _, a := range m.Arguments() {
			if a.Type.Kind() != reflect.Slice || loaders[a.Type] != nil || seen[a.Type] {
				continue
			}
			seen[a.Type] = true
			var columns []string
			for _, f := range measure.Fields(a.Type.Elem()) {
				if f.Unit != "" && f.Unit != "1" && measure.Follows[f.Unit] == "" {
					f.Name += " / " + f.Unit
				}
				columns = append(columns, f.Name)
			}
			fmt.Fprintf(&b, "  %-10s %s\n", a.Name, strings.Join(columns, ", "))
		}
	}
	return b.String()
}

// Sampled says whether it takes samples, so that columns and full scale mean
// something.
func (m Measurement) Sampled() bool {
	a := m.Arguments()
	return len(a) > 0 && a[0].Type == typeSamples
}

// Reads says whether it reads files.
func (m Measurement) Reads() bool {
	a := m.Arguments()
	return len(a) > 0 && a[0].Type.Kind() != reflect.Float64 && a[0].Type.Kind() != reflect.Int
}

// Draws says whether it has a drawing.
func (m Measurement) Draws() bool { return plots[m.Name] != nil }

// Result is the fields of a result, in order.
type Result []Field

// Field is one of them: a value with its unit, or others within.
type Field struct {
	Name string
	Unit string // "" for truths and texts
	Of   string // of what, where the unit is %: "throw", "span"
	// Value is a float64, int, bool or string; nil where Items say it.
	Value any
	Why   string // why the value is not a finite number
	Items []Result
	List  bool // Items are a list; else one group
}

// result makes fields of what the function gave.
func (t *Taken) result() Result {
	m := t.m
	whole := measure.Field{Name: m.Name, Unit: m.Unit, Why: "the capture does not show it"}
	if t.out.Kind() != reflect.Struct {
		return Result{t.field(whole, t.out)}
	}
	return t.within(whole, t.out)
}

// within makes the fields of a struct. Both ends of an interval have the unit of
// its field, and its reason.
func (t *Taken) within(of measure.Field, v reflect.Value) Result {
	var r Result
	for _, f := range measure.Fields(v.Type()) {
		if v.Type() == reflect.TypeFor[measure.Interval]() {
			f.Unit, f.Of = of.Unit, of.Of
			if math.IsNaN(v.Field(f.Index).Float()) {
				f.Why = of.Why
			}
		}
		r = append(r, t.field(f, v.Field(f.Index)))
	}
	return r
}

func (t *Taken) field(of measure.Field, v reflect.Value) Field {
	f := Field{Name: of.Name}
	unit := of.Unit
	if u, ok := t.units[unit]; ok {
		unit = u
	}
	switch v.Kind() {
	case reflect.Float64:
		f.Unit, f.Of, f.Value = unit, of.Of, v.Float()
		if percent, what, ok := strings.Cut(unit, " of "); ok {
			f.Unit, f.Of = percent, what
		}
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			f.Why = of.Why
		}
	case reflect.Int:
		f.Unit, f.Value = "1", int(v.Int())
	case reflect.Bool:
		f.Value = v.Bool()
	case reflect.String:
		f.Value = v.String()
	case reflect.Slice:
		f.List = true
		for i := range v.Len() {
			item := v.Index(i)
			if item.Kind() == reflect.Struct {
				f.Items = append(f.Items, t.within(of, item))
			} else {
				each := of
				each.Name = "value"
				f.Items = append(f.Items, Result{t.field(each, item)})
			}
		}
	case reflect.Struct:
		f.Items = []Result{t.within(of, v)}
	}
	return f
}

// listed is how many items of a list people are shown.
const listed = 16

// WriteText writes what was read and what was found, one line each.
func (t *Taken) WriteText(w io.Writer) error {
	var b bytes.Buffer
	for _, in := range t.Inputs {
		fmt.Fprintf(&b, "%s: %s\n", in.Name, in.About)
		for _, note := range in.Notes {
			fmt.Fprintf(&b, "  %s\n", note)
		}
	}
	if len(t.Inputs) > 0 {
		b.WriteByte('\n')
	}
	width := 0
	for _, f := range t.Result {
		width = max(width, len(f.Name))
	}
	for _, f := range t.Result {
		switch {
		case f.List && len(f.Items) == 0:
			fmt.Fprintf(&b, "%-*s  none\n", width, f.Name)
		case f.List:
			fmt.Fprintf(&b, "%s\n", f.Name)
			for i, item := range f.Items {
				if i == listed && len(f.Items) > listed+1 {
					fmt.Fprintf(&b, "  and %d more, which --json shows\n", len(f.Items)-i)
					break
				}
				fmt.Fprintf(&b, "  %s\n", inline(item))
			}
		case f.Value == nil:
			fmt.Fprintf(&b, "%-*s  %s\n", width, f.Name, inline(f.Items[0]))
		default:
			fmt.Fprintf(&b, "%-*s  %s\n", width, f.Name, f.text())
		}
	}
	_, err := w.Write(b.Bytes())
	return err
}

// inline writes fields on one line.
func inline(r Result) string {
	if len(r) == 2 && r[0].Name == "low" && r[1].Name == "high" {
		switch {
		case r[0].Why != "" && r[0].Why == r[1].Why && r[0].short() == r[1].short():
			return r[0].text()
		case r[0].Why != "":
			return r[0].short() + " to " + r[1].short() + ": " + r[0].Why
		}
		return r[0].short() + " to " + r[1].text()
	}
	var parts []string
	var none []string // what has no number, and why
	why := ""
	for _, f := range r {
		switch {
		case f.Why != "" && (why == "" || why == f.Why):
			none, why = append(none, strings.ReplaceAll(f.Name, "_", " ")), f.Why
		case f.Name == "value":
			parts = append(parts, f.text())
		case f.Value == nil && !f.List:
			parts = append(parts, strings.ReplaceAll(f.Name, "_", " ")+" "+inline(f.Items[0]))
		case f.Value != nil:
			parts = append(parts, strings.ReplaceAll(f.Name, "_", " ")+" "+f.short())
		}
	}
	if why != "" {
		parts = append(parts, "no "+strings.Join(none, ", ")+": "+why)
	}
	return strings.Join(parts, ", ")
}

// text is the value for people, and why it is none.
func (f Field) text() string {
	if s := f.short(); f.Why != "" {
		return s + ": " + f.Why
	} else {
		return s
	}
}

func (f Field) short() string {
	switch v := f.Value.(type) {
	case float64:
		s := quantity(v, f.Unit)
		if f.Unit == "Hz" {
			s = exactly(v, f.Unit)
		}
		if f.Of != "" && f.Why == "" {
			s += " of " + f.Of
		}
		return s
	case int:
		return strconv.Itoa(v)
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case string:
		if v == "" {
			return "-"
		}
		return v
	}
	return ""
}

func quantity(v float64, unit string) string { return reports.FormatQuantity(v, unit) }

// exactly writes v with as many digits as tell it from a neighbour a hundred
// thousandth away: three are too few for a pitch.
func exactly(v float64, unit string) string {
	return reports.FormatQuantityBeside(v, v*(1+1e-5), unit)
}

// WriteJSON writes what was read and what was found, in SI units without
// prefix. A number that is none is null, with why.
func (t *Taken) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(Answer{t.m.Name, append([]Input{}, t.Inputs...), t.Result})
}

// Answer is what --json writes.
type Answer struct {
	Measurement string  `json:"measurement"`
	From        []Input `json:"from"`
	Result      Result  `json:"result"` // its fields by name
}

// Shown is a value of a result as --json writes it.
type Shown struct {
	Value any    `json:"value"` // null: Why says why
	Why   string `json:"why,omitempty"`
	Unit  string `json:"unit,omitempty"`
	Of    string `json:"of,omitempty"` // of what it is a share
}

// MarshalJSON makes an object of the fields, in their order.
func (r Result) MarshalJSON() ([]byte, error) {
	b := []byte{'{'}
	for i, f := range r {
		value, err := json.Marshal(f.json())
		if err != nil {
			return nil, err
		}
		if i > 0 {
			b = append(b, ',')
		}
		b = append(append(strconv.AppendQuote(b, f.Name), ':'), value...)
	}
	return append(b, '}'), nil
}

func (f Field) json() any {
	switch {
	case f.List:
		list := make([]any, len(f.Items))
		for i, item := range f.Items {
			if list[i] = item; len(item) == 1 && item[0].Name == "value" {
				list[i] = item[0].json()
			}
		}
		return list
	case f.Value == nil:
		return f.Items[0]
	}
	v := Shown{f.Value, f.Why, f.Unit, f.Of}
	if f.Why != "" {
		v.Value = nil
		if x, ok := f.Value.(float64); ok && math.IsInf(x, 0) {
			v.Why = quantity(x, f.Unit) + ": " + f.Why
		}
	}
	return v
}
