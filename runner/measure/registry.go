package measure

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"unicode"

	"fullthrow/reports/statistics"
)

// Measurement is one row of the registry: what plans, the command line and the
// annotations know of a function of this package. The rest stands in the tags
// of its options and results; see [Fields].
type Measurement struct {
	Name string // as plans call it: dead_band
	Help string // one line
	// Takes names its arguments, and the unit of those that have one:
	// "current:A threshold:capture". Options, which come last, are not named.
	Takes string
	Call  any    // func(arguments, options) (result, error)
	Unit  string // of a result that is a plain number or an interval
}

// Measurements is every measurement, in the order in which help shows them.
func Measurements() []Measurement {
	return []Measurement{
		{"tone", "one steady tone: how it sounds, and what else sounds with it", "sound", SteadyTone, ""},
		{"tones", "the strongest tones there are", "sound", Tones, ""},
		{"tune", "notes against a score", "sound", Tune, ""},
		{"sine", "the sine that fits best (IEEE Std 1057)", "samples", Sine, ""},
		{"level", "how loud a capture is as a whole, A- and C-weighted", "sound", Level, ""},

		{"steady", "a quantity that should stand still", "samples", Steady, ""},
		{"inrush", "the current just after switching on", "current:A", Inrush, ""},
		{"started", "whether the unit runs, by the current it draws", "current:A threshold:capture", Started, ""},
		{"decay", "leakage under a decay: final value and time constant", "samples", Decay, ""},
		{"settling", "how a quantity comes to rest", "samples", Settling, ""},
		{"ripple", "what lies on a steady value", "samples", Ripple, ""},
		{"charge", "charge and energy of a current over a window", "current:A", Charge, ""},
		{"energy", "charge and energy, with the voltage captured beside", "current:A voltage:V", Energy, ""},
		{"brown_out", "where a unit stops and where it runs again", "steps", BrownOut, ""},
		{"battery_life", "how long a cell lasts under a duty profile", "duty", BatteryLife, ""},
		{"rc_time", "the time an exponential takes between two values", "tau:s from:1 to:1 towards:1", RCTime, "s"},
		{"rc_level", "where an exponential is after a time", "tau:s from:1 towards:1 after:s", RCLevel, "1"},

		{"travel", "how a channel follows its stick (IEC 61298-2)", "frames path", Travel, ""},
		{"travel_points", "the same from a table of settled readings", "points", TravelPoints, ""},
		{"dead_band", "the way around the centre on which nothing follows", "frames paths", DeadBand, ""},
		{"tracking", "lag and play of a stick on the move, parted", "frames paths", Tracking, ""},
		{"cross_talk", "what other channels do while one stick moves", "frames path", CrossTalk, ""},
		{"centre", "where a stick comes to rest", "releases", Centre, ""},
		{"switch", "a switch in its two positions", "off on", Switch, ""},

		{"link", "how much of what was sent arrived", "frames", Link, ""},
		{"bursts", "whether losses come alone or in bursts", "frames", Bursts, ""},
		{"sweep", "the attenuation at which a link reaches an error rate", "counts", Sweep, ""},
		{"compare", "the losses of a unit against the golden unit's", "lost sent golden_lost golden_sent", Compare, ""},
		{"compare_frames", "the same from captures of the two", "unit golden", CompareFrames, ""},
		{"sequential", "whether enough packets were sent to accept or reject a unit", "lost sent", Sequential, ""},
		{"sequential_frames", "the same from one capture", "frames", SequentialFrames, ""},
		{"sequential_plan", "what a sequential test of the packet error rate will take", "", SequentialPlan, ""},
		{"distance", "attenuation as distance between antennas", "attenuation:dB", Distance, ""},
		{"attenuation", "distance between antennas as attenuation", "distance:m", Attenuation, "dB"},
		{"latency", "the time from a movement to its answer", "times", Latency, ""},

		{"restart", "how long a unit must be off before it starts again", "trials", Restart, ""},
		{"start_curve", "the probability of starting against time off", "trials", StartCurve, ""},
		{"next_off", "which time off to try next", "trials", NextOff, ""},
		{"success_run", "trials without a failure that show a reliability", "reliability:1 confidence:%", SuccessRun,
			"1"},

		{"colour", "colour and luminance of a region of a picture (CIE 1931)", "picture", Colour, ""},
		{"blink", "how a lamp blinks or flickers", "lamp", Blink, ""},
		{"picture", "a region of a picture against a reference: segments, dead columns", "picture reference", Picture,
			""},

		{"summary", "mean, spread and intervals of values", "values", Summary, ""},
		{"percentile", "the value below which a percentage lies", "values percent:%", Percentile, ""},
		{"histogram", "how often values occur", "values", Histogram, ""},
		{"line", "the straight line of least squares", "pairs", Line, ""},
		{"one_way", "whether groups of values have one mean", "groups", OneWay, ""},
		{"detection", "how the share detected rises with strength", "strengths", Detection, ""},
		{"proportion", "a share of events, with its intervals", "events trials", Proportion, ""},
		{"difference", "the interval of the difference of two shares", "events trials events2 trials2", Difference,
			"%"},
		{"poisson", "the interval of an expected count", "count", ExpectedCount, "1"},
	}
}

// Argument is one argument of a measurement.
type Argument struct {
	Name string
	Unit string // of a number; of samples: the one they must be in; "" for any
	Type reflect.Type
}

// Arguments of m, its options left out.
func (m Measurement) Arguments() []Argument {
	t := reflect.TypeOf(m.Call)
	var list []Argument
	for i, word := range strings.Fields(m.Takes) {
		name, unit, _ := strings.Cut(word, ":")
		list = append(list, Argument{name, unit, t.In(i)})
	}
	return list
}

// Options is the type of the options of m, nil if it has none.
func (m Measurement) Options() reflect.Type {
	t := reflect.TypeOf(m.Call)
	if n := t.NumIn(); n > 0 && IsOptions(t.In(n-1)) {
		return t.In(n - 1)
	}
	return nil
}

// IsOptions says whether t is a struct of options, of which each may be left out.
func IsOptions(t reflect.Type) bool {
	return t.Kind() == reflect.Struct && strings.HasSuffix(t.Name(), "Options")
}

// Result is the type of what m gives, its error left out.
func (m Measurement) Result() reflect.Type { return reflect.TypeOf(m.Call).Out(0) }

// Field is a field of options, of a result or of what is within them, as its
// tags say it.
type Field struct {
	Name string // small_letters
	// Unit of a number, "1" for a pure one, or what it follows from ([Follows]);
	// "" for truths and texts.
	Unit    string
	Of      string // of what a percentage is: "throw", "span"
	Help    string
	Default string // of an option, as it is written; "": none, or help says it
	Range   string // of an option, as "[0,1)" or "(0,)"; "": any finite number
	Why     string // why a number may be missing (NaN) or infinite
	Index   int    // in the struct
	Type    reflect.Type
}

// Follows are the units that follow from what is measured, in words.
var Follows = map[string]string{
	"capture": "unit of the capture",
	"values":  "unit of the values", "values2": "unit of the values, squared",
	"x": "unit of x", "y": "unit of y", "y/x": "unit of y over that of x",
	"commanded": "unit of the position", "output": "unit of the output",
	"output/commanded": "unit of the output over that of the position",
	"strength":         "unit of the strength",
	"brightness":       "unit of the brightness",
}

// About is unit, help, range and default in words.
func (f Field) About() string {
	unit := f.Unit
	if f.Of != "" {
		unit += " of " + f.Of
	} else if words := Follows[unit]; words != "" {
		unit = words
	} else if unit == "1" {
		unit = "pure number"
	}
	if words := f.Words(); unit == "" || f.Type.Kind() == reflect.Int {
		return words
	} else if words != "" {
		return unit + "; " + words
	}
	return unit
}

// Words is help, range and default.
func (f Field) Words() string {
	var parts []string
	if f.Help != "" {
		parts = append(parts, f.Help)
	}
	if f.Range != "" {
		parts = append(parts, f.Within())
	}
	if f.Default != "" {
		parts = append(parts, "default: "+f.Default)
	}
	return strings.Join(parts, "; ")
}

// Row is one of the structs that a table of a file is a list of. Fault says what
// cannot be in it, "" if all can.
type Row interface{ Fault() string }

var fieldsOf sync.Map // by reflect.Type

// Fields lists the exported fields of struct t. Its tags are
//
//	unit     see [Field]; "% of throw" parts into % and throw
//	default  what an option is that is 0 or empty
//	range    what an option may be: [ and ] belong to it, ( and ) do not. One
//	         that leaves out 0, without default, must be given.
//	help     some words
//	why      a number that is none; of the field _, for all without their own
func Fields(t reflect.Type) []Field {
	if known, ok := fieldsOf.Load(t); ok {
		return known.([]Field)
	}
	list := make([]Field, 0, t.NumField())
	common := "the capture does not show it"
	whys := map[string]string{}
	for i := range t.NumField() {
		s := t.Field(i)
		why := s.Tag.Get("why")
		if s.Name == "_" && why != "" {
			common = why
		}
		if !s.IsExported() {
			continue
		}
		f := Field{
			Name: LuaName(s.Name), Unit: s.Tag.Get("unit"), Help: s.Tag.Get("help"), Default: s.Tag.Get("default"),
			Range: s.Tag.Get("range"), Why: why, Index: i, Type: s.Type,
		}
		if unit, of, ok := strings.Cut(f.Unit, " of "); ok {
			f.Unit, f.Of = unit, of
		}
		if f.Unit == "" && s.Type.Kind() == reflect.Int {
			f.Unit = "1"
		}
		if f.Why == "" {
			f.Why = whys[strings.TrimSuffix(s.Name, "Interval")]
		}
		whys[s.Name] = f.Why
		list = append(list, f)
	}
	for i := range list {
		if list[i].Why == "" {
			list[i].Why = common
		}
	}
	fieldsOf.Store(t, list)
	return list
}

// LuaName writes a Go name as plans have it: PeakAt is peak_at, SD is sd, THDF
// is thdf.
func LuaName(name string) string {
	var b strings.Builder
	r := []rune(name)
	for i, c := range r {
		if unicode.IsUpper(c) && i > 0 {
			before, after := r[i-1], 'A'
			if i+1 < len(r) {
				after = r[i+1]
			}
			if !unicode.IsUpper(before) || unicode.IsLower(after) {
				b.WriteByte('_')
			}
		}
		b.WriteRune(unicode.ToLower(c))
	}
	return b.String()
}

// missing is a result of which every number is NaN.
func missing[T any]() T {
	var r T
	unset(reflect.ValueOf(&r).Elem())
	return r
}

func unset(v reflect.Value) {
	switch v.Kind() {
	case reflect.Float64:
		v.SetFloat(nan)
	case reflect.Struct:
		for _, f := range Fields(v.Type()) {
			unset(v.Field(f.Index))
		}
	}
}

// complete gives the options that were left out, 0 or empty, their defaults, and
// refuses what is not finite or out of range.
func complete[T any](op string, o T) (T, error) {
	v := reflect.ValueOf(&o).Elem()
	for _, f := range Fields(v.Type()) {
		x := v.Field(f.Index)
		if f.Default != "" && x.IsZero() {
			setDefault(x, f.Default)
		}
		if f.Name == "confidence" { // whoever gives a share learns what to write
			if _, err := statistics.Confidence(x.Float()); err != nil {
				return o, errorf(op, "%w", err)
			}
		}
		if err := f.check(op, x); err != nil {
			return o, err
		}
	}
	return o, nil
}

// setDefault panics on a tag that cannot be read; a test completes them all.
func setDefault(v reflect.Value, text string) {
	if v.Kind() == reflect.String {
		v.SetString(text)
		return
	}
	if v.Kind() == reflect.Slice {
		for part := range strings.SplitSeq(text, ",") {
			item := reflect.New(v.Type().Elem()).Elem()
			setDefault(item, part)
			v.Set(reflect.Append(v, item))
		}
		return
	}
	x := number(text)
	if v.Kind() == reflect.Int {
		v.SetInt(int64(x))
	} else {
		v.SetFloat(x)
	}
}

func number(text string) float64 {
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		panic(fmt.Sprintf("measure: %q in a tag is no number", text))
	}
	return x
}

// check of one option, or of each where it is a list.
func (f Field) check(op string, v reflect.Value) error {
	var x float64
	switch v.Kind() {
	case reflect.Slice:
		for i := range v.Len() {
			if err := f.check(op, v.Index(i)); err != nil {
				return err
			}
		}
		return nil
	case reflect.Float64:
		x = v.Float()
	case reflect.Int:
		x = float64(v.Int())
	default:
		return nil
	}
	low, high, open := f.bounds()
	if !statistics.Finite(x) || x < low || x > high || open[0] && x == low || open[1] && x == high {
		unit := f.Unit
		if unit != "" && unit != "1" {
			unit = " " + unit
		} else {
			unit = ""
		}
		return errorf(op, "%s is %v%s, it must be %s", f.Name, x, unit, f.Within())
	}
	return nil
}

// bounds are those of f.Range, and which of them do not belong to it.
func (f Field) bounds() (low, high float64, open [2]bool) {
	low, high = math.Inf(-1), math.Inf(1)
	a, b, ok := strings.Cut(f.Range, ",")
	if !ok {
		return low, high, open
	}
	low, open[0] = number(a[1:]), a[0] == '('
	if n := len(b) - 1; n > 0 {
		high, open[1] = number(b[:n]), b[n] == ')'
	}
	return low, high, open
}

// Within is the range in words; "a finite number" where there is none.
func (f Field) Within() string {
	low, high, open := f.bounds()
	var words []string
	switch {
	case math.IsInf(low, -1):
		return "a finite number"
	case open[0]:
		words = append(words, fmt.Sprintf("above %g", low))
	default:
		words = append(words, fmt.Sprintf("at least %g", low))
	}
	switch {
	case math.IsInf(high, 1):
	case open[1]:
		words = append(words, fmt.Sprintf("below %g", high))
	default:
		words = append(words, fmt.Sprintf("at most %g", high))
	}
	return strings.Join(words, " and ")
}
