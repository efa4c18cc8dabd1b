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
)

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
func (t *Taken) result(name string) Result {
	v := t.out
	unit := plain[name]
	switch {
	case v.Kind() == reflect.Struct && v.Type().Name() == "Interval":
		return t.interval("", "", v, unit)
	case v.Kind() == reflect.Struct:
		return t.fields(v)
	case v.Kind() == reflect.Slice:
		return Result{t.field("", strings.ReplaceAll(name, "-", "_"), v, "")}
	}
	return Result{t.field("", strings.ReplaceAll(name, "-", "_"), v, unit)}
}

func (t *Taken) fields(v reflect.Value) Result {
	var r Result
	typ := v.Type()
	for i := range typ.NumField() {
		unit, _ := unitOf(typ.Name(), typ.Field(i).Name)
		r = append(r, t.field(typ.Name(), typ.Field(i).Name, v.Field(i), unit))
	}
	return r
}

// interval makes both ends of the interval of a field; what is no number has
// the field's reason.
func (t *Taken) interval(typ, name string, v reflect.Value, unit string) Result {
	r := Result{t.field("Interval", "Low", v.Field(0), unit), t.field("Interval", "High", v.Field(1), unit)}
	for i := range r {
		if math.IsNaN(r[i].Value.(float64)) {
			r[i].Why = whyNot(typ, name)
		}
	}
	return r
}

func (t *Taken) field(typ, name string, v reflect.Value, unit string) Field {
	f := Field{Name: snake(name)}
	if u, ok := t.units[unit]; ok {
		unit = u
	}
	if of, ok := strings.CutPrefix(unit, "%"); ok && of != "" && !strings.HasPrefix(of, "/") {
		unit, f.Of = "%", of
	}
	switch v.Kind() {
	case reflect.Float64:
		f.Unit, f.Value = unit, v.Float()
		if x := v.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			f.Why = whyNot(typ, name)
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
				f.Items = append(f.Items, t.fields(item))
			} else {
				f.Items = append(f.Items, Result{t.field(typ, "value", item, unit)})
			}
		}
	case reflect.Struct:
		if v.Type().Name() == "Interval" {
			f.Items = []Result{t.interval(typ, name, v, unit)}
			for i := range f.Items[0] {
				f.Items[0][i].Of = f.Of
			}
		} else {
			f.Items = []Result{t.fields(v)}
		}
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
	files := []map[string]string{}
	for _, in := range t.Inputs {
		files = append(files, map[string]string{"name": in.Name, "about": in.About})
	}
	var b bytes.Buffer
	b.WriteString(`{"measurement":`)
	encode(&b, t.Name)
	b.WriteString(`,"from":`)
	encode(&b, files)
	b.WriteString(`,"result":`)
	t.Result.json(&b)
	b.WriteString("}")
	var out bytes.Buffer
	if err := json.Indent(&out, b.Bytes(), "", "  "); err != nil {
		return err
	}
	out.WriteByte('\n')
	_, err := w.Write(out.Bytes())
	return err
}

func (r Result) json(b *bytes.Buffer) {
	b.WriteByte('{')
	for i, f := range r {
		if i > 0 {
			b.WriteByte(',')
		}
		encode(b, f.Name)
		b.WriteByte(':')
		f.json(b)
	}
	b.WriteByte('}')
}

func (f Field) json(b *bytes.Buffer) {
	switch {
	case f.List:
		b.WriteByte('[')
		for i, item := range f.Items {
			if i > 0 {
				b.WriteByte(',')
			}
			if len(item) == 1 && item[0].Name == "value" {
				item[0].json(b)
			} else {
				item.json(b)
			}
		}
		b.WriteByte(']')
		return
	case f.Value == nil:
		f.Items[0].json(b)
		return
	}
	b.WriteString(`{"value":`)
	if f.Why != "" {
		b.WriteString(`null,"why":`)
		why := f.Why
		if x, ok := f.Value.(float64); ok && math.IsInf(x, 0) {
			why = quantity(x, f.Unit) + ": " + why
		}
		encode(b, why)
	} else {
		encode(b, f.Value)
	}
	if f.Unit != "" {
		b.WriteString(`,"unit":`)
		encode(b, f.Unit)
	}
	if f.Of != "" {
		b.WriteString(`,"of":`)
		encode(b, f.Of)
	}
	b.WriteByte('}')
}

func encode(b *bytes.Buffer, v any) {
	e := json.NewEncoder(b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		b.WriteString("null") // cannot happen: texts and finite numbers only
	}
}
