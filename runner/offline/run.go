package offline

import (
	"fmt"
	"io"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"fullthrow/drivers"
	"fullthrow/runner/capturefile"
	"fullthrow/runner/input"
	"fullthrow/runner/measure"
)

// Settings are what a measurement is taken with.
type Settings struct {
	Arguments []string          // names of files, and numbers
	Options   map[string]string // by flag, "foreign-level": as typed; only those given
	// Columns of the files, in order, where a table has several; may be short.
	Columns []string
	// FullScale is what a sample of 1 stands for, with unit: "2 Pa". "": sound
	// stays a fraction of full scale.
	FullScale string
}

// UsageError is a wrong argument or option, not a wrong file.
type UsageError struct{ Text, Hint string }

func (e *UsageError) Error() string { return e.Text }

func usagef(format string, args ...any) *UsageError {
	return &UsageError{Text: fmt.Sprintf(format, args...)}
}

// Taken is a measurement that was taken.
type Taken struct {
	Name   string
	Inputs []Input
	Result Result
	way    Way
	in     []reflect.Value
	out    reflect.Value
	units  map[string]string
}

// Input is a file, or a number of the command line, as it was understood.
type Input struct{ Name, About string }

// Flag is one option of a measurement.
type Flag struct{ Name, Unit, About string }

// Flags lists the options of all ways of a measurement, in the order of their
// struct.
func (m Measurement) Flags() []Flag {
	var list []Flag
	for _, w := range m.Ways {
		t := w.options()
		if t == nil {
			continue
		}
		for i := range t.NumField() {
			f := t.Field(i)
			o := options[t.Name()][f.Name]
			flag := Flag{kebab(f.Name), kindName(f.Type, o.unit), o.about}
			if !slices.ContainsFunc(list, func(l Flag) bool { return l.Name == flag.Name }) {
				list = append(list, flag)
			}
		}
	}
	return list
}

// kindName is what a flag takes, for help; "" for a truth.
func kindName(t reflect.Type, unit string) string {
	switch {
	case t.Kind() == reflect.Bool:
		return ""
	case t.Kind() == reflect.Slice:
		return "LIST"
	case t.Kind() == reflect.String:
		return "NAME"
	case t.Kind() == reflect.Int || unit == "1":
		return "N"
	case unit == "capture" || unit == "output" || unit == "values" || unit == "strength":
		return "X"
	}
	return unit
}

// Takes lists how its arguments are named, one line for each way.
func (m Measurement) Takes() []string {
	var list []string
	for _, w := range m.Ways {
		var words []string
		for _, a := range strings.Fields(w.takes) {
			name, _, _ := strings.Cut(a, ":")
			words = append(words, name)
		}
		list = append(list, strings.Join(words, " "))
	}
	return list
}

// Sampled says whether it takes samples, so that columns and full scale mean
// something.
func (m Measurement) Sampled() bool {
	return slices.ContainsFunc(m.Ways, func(w Way) bool {
		return reflect.TypeOf(w.call).NumIn() > 0 && reflect.TypeOf(w.call).In(0) == typeSamples
	})
}

// Draws says whether it has a drawing.
func (m Measurement) Draws() bool {
	return slices.ContainsFunc(m.Ways, func(w Way) bool { return w.plot != nil })
}

// options is the type of its options, nil if it has none.
func (w Way) options() reflect.Type {
	t := reflect.TypeOf(w.call)
	if n := t.NumIn(); n > 0 && t.In(n-1).Kind() == reflect.Struct && strings.HasSuffix(t.In(n-1).Name(), "Options") {
		return t.In(n - 1)
	}
	return nil
}

var (
	typeSamples  = reflect.TypeFor[drivers.Samples]()
	typeFrames   = reflect.TypeFor[drivers.Frames]()
	typePath     = reflect.TypeFor[drivers.Path]()
	typePaths    = reflect.TypeFor[[]drivers.Path]()
	typeAnswers  = reflect.TypeFor[Answers]()
	typeValues   = reflect.TypeFor[[]float64]()
	typeGroups   = reflect.TypeFor[[][]float64]()
	typePairs    = reflect.TypeFor[Pairs]()
	typeStarts   = reflect.TypeFor[[]measure.StartTrial]()
	typeSteps    = reflect.TypeFor[[]measure.VoltageStep]()
	typeDuty     = reflect.TypeFor[[]measure.DutyPhase]()
	typePoints   = reflect.TypeFor[[]measure.TravelPoint]()
	typeReleases = reflect.TypeFor[[]measure.Release]()
	typeCounts   = reflect.TypeFor[[]measure.SweepPoint]()
	typeTried    = reflect.TypeFor[[]measure.Tried]()
)

// Run takes a measurement. Errors are of type *UsageError, *capturefile.Error,
// of the operating system, or of package measure.
func Run(m Measurement, s Settings) (*Taken, error) {
	var way *Way
	var counts []string
	for i := range m.Ways {
		n := len(strings.Fields(m.Ways[i].takes))
		if n == len(s.Arguments) || n < len(s.Arguments) && strings.HasSuffix(m.Ways[i].takes, "...") {
			way = &m.Ways[i]
		}
		counts = append(counts, m.Takes()[i])
	}
	if way == nil {
		e := usagef("%s: %d arguments", m.Name, len(s.Arguments))
		e.Hint = "it takes " + strings.Join(counts, ", or ")
		if e.Hint == "it takes " {
			e.Hint = "it takes none"
		}
		return nil, e
	}
	t := &Taken{Name: m.Name, way: *way, units: map[string]string{}}
	call := reflect.ValueOf(way.call)
	takes := strings.Fields(way.takes)
	var paths, frames []*capturefile.File
	for i, text := range s.Arguments {
		at := min(i, len(takes)-1)
		typ := call.Type().In(at)
		name, unit, isNumber := strings.Cut(takes[at], ":")
		if isNumber {
			v, err := t.number(typ, text, unit)
			if err != nil {
				return nil, usagef("%s: %s %v", m.Name, name, err)
			}
			t.in = append(t.in, v)
			t.Inputs = append(t.Inputs, Input{Name: strings.ToLower(name), About: text})
			continue
		}
		file, err := read(text)
		if err != nil {
			return nil, err
		}
		column := ""
		if i < len(s.Columns) {
			column = s.Columns[i]
		}
		v, about, err := t.load(file, name, typ, column, s.FullScale)
		if err != nil {
			return nil, err
		}
		switch typ {
		case typeFrames:
			frames = append(frames, file)
		case typePath, typePaths:
			paths = append(paths, file)
		}
		if at < i { // one more of the same
			t.in[at] = reflect.AppendSlice(t.in[at], v)
		} else {
			t.in = append(t.in, v)
		}
		t.Inputs = append(t.Inputs, Input{text, about})
	}
	if len(s.Columns) > len(s.Arguments) {
		return nil, usagef("%s: more columns than files", m.Name)
	}
	for _, p := range paths { // the two must be set against each other
		for _, f := range frames {
			if f.Timed() != p.Timed() {
				a, b := f.Name, p.Name
				if !f.Timed() {
					a, b = b, a
				}
				return nil, input.Wrong([]input.Problem{
					input.At(b, 0, "it does not say when its time 0 was, and "+a+" does", `write "# start: 0 s" above the first row`)})
			}
		}
	}
	if err := t.options(m, s.Options); err != nil {
		return nil, err
	}
	out := call.Call(t.in)
	if n := len(out); n > 1 {
		if err, ok := out[n-1].Interface().(error); ok && err != nil {
			return nil, err
		}
	}
	t.out = out[0]
	t.Result = t.result(m.Name)
	return t, nil
}

func read(name string) (*capturefile.File, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err == nil && info.IsDir() {
		return nil, input.Wrong([]input.Problem{input.At(name, 0, "is a folder", "")})
	}
	return capturefile.Read(name, io.Reader(f))
}

// number reads a number of the command line.
func (t *Taken) number(typ reflect.Type, text, unit string) (reflect.Value, error) {
	v := reflect.New(typ).Elem()
	return v, t.set(v, text, unit)
}

// load makes what a function takes of a file.
func (t *Taken) load(f *capturefile.File, name string, typ reflect.Type, column, fullScale string) (v reflect.Value, about string, err error) {
	if typ != typeSamples && fullScale != "" {
		return v, "", usagef("%s: --full-scale is for sound", t.Name)
	}
	var x any
	switch typ {
	case typeSamples:
		s, e := f.Samples(column)
		if err = e; err == nil && fullScale != "" {
			err = scale(&s, fullScale)
		}
		if want := map[string]string{"CURRENT": "A", "VOLTAGE": "V"}[name]; err == nil && want != "" && s.Unit != want {
			err = f.Mismatch("the samples are in %s, a %s in %s is wanted", s.Unit, strings.ToLower(name), want)
		}
		if err == nil {
			if _, set := t.units["capture"]; !set {
				t.units["capture"] = s.Unit
			}
			about = aboutSamples(s)
		}
		x = s
	case typeFrames:
		s, e := f.Frames()
		x, err, about = s, e, fmt.Sprintf("%s, %s", count(len(s.Frames), "frame"), quantity(s.Length.Seconds(), "s"))
	case typePath, typePaths:
		s, e := f.Path()
		x, err, about = s, e, count(len(s), "movement")
		if typ == typePaths {
			x = []drivers.Path{s}
		}
	case typeAnswers, typeValues:
		s, unit, e := f.Values(column, typ == typeAnswers)
		x, err, about = s, e, count(len(s), "value")
		if typ == typeAnswers {
			if e == nil && unit == "1" {
				unit = "s"
			} else if e == nil && unit != "s" {
				err = f.Mismatch("the values are in %s, a time is wanted", unit)
			}
			x = Answers(s)
		}
		t.units["values"], t.units["values2"] = unit, unit+"2"
	case typeGroups:
		s, unit, e := f.Groups()
		x, err, about = s, e, count(len(s), "group")
		t.units["values"], t.units["values2"] = unit, unit+"2"
	case typePairs:
		a, b, units, e := f.Pairs()
		x, err, about = Pairs{a, b}, e, count(len(a), "pair")
		t.units["x"], t.units["y"], t.units["y/x"] = units[0], units[1], quotient(units[1], units[0])
	case typePoints:
		s, units, e := f.Points()
		x, err, about = s, e, count(len(s), "reading")
		t.units["commanded"], t.units["output"], t.units["output/commanded"] = units[0], units[1], quotient(units[1], units[0])
	case typeStarts:
		s, e := f.Starts()
		x, err, about = s, e, count(len(s), "trial")
	case typeSteps:
		s, e := f.Steps()
		x, err, about = s, e, count(len(s), "step")
	case typeDuty:
		s, e := f.Duty()
		x, err, about = s, e, count(len(s), "phase")
	case typeReleases:
		s, e := f.Releases()
		x, err, about = s, e, count(len(s), "release")
	case typeCounts:
		s, e := f.Counts()
		x, err, about = s, e, count(len(s), "count")
	case typeTried:
		s, unit, e := f.Strengths()
		x, err, about = s, e, count(len(s), "strength")
		t.units["strength"] = unit
	default:
		return v, "", fmt.Errorf("offline: no file holds a %v", typ)
	}
	if t.units["values2"] == "12" {
		t.units["values2"] = "1"
	}
	return reflect.ValueOf(x), about, err
}

func quotient(a, b string) string {
	switch {
	case a == b:
		return "1"
	case b == "1":
		return a
	}
	return a + "/" + b
}

func aboutSamples(s drivers.Samples) string {
	what := map[string]string{"1": "sound", "A": "current", "V": "voltage", "Pa": "sound"}[s.Unit]
	if what == "" {
		what = "values in " + s.Unit
	}
	channels := ""
	if s.Channels > 1 {
		channels = fmt.Sprintf(", %d channels", s.Channels)
	}
	return fmt.Sprintf("%s, %d samples at %s, %s%s", what, s.Count(), exactly(s.Rate, "Hz"), quantity(s.Duration().Seconds(), "s"), channels)
}

// scale makes fractions of full scale a quantity: "2 Pa".
func scale(s *drivers.Samples, text string) error {
	if s.Unit != "1" {
		return usagef("--full-scale is for sound, this capture is in %s", s.Unit)
	}
	for _, unit := range []string{"Pa", "V", "A"} {
		factor, err := capturefile.Quantity(text, unit)
		if _, plain := capturefile.Quantity(text, ""); err != nil || plain == nil {
			continue
		}
		if factor <= 0 {
			break
		}
		s.Values = slices.Clone(s.Values)
		for i := range s.Values {
			s.Values[i] *= factor
		}
		s.Unit = unit
		return nil
	}
	e := usagef("--full-scale %q is no pressure, voltage or current", text)
	e.Hint = `what a sample of 1 stands for, as "20 Pa"`
	return e
}

// options fills in the options, the last argument.
func (t *Taken) options(m Measurement, given map[string]string) error {
	typ := t.way.options()
	var o reflect.Value
	used := map[string]bool{}
	if typ != nil {
		o = reflect.New(typ).Elem()
		for i := range typ.NumField() {
			name := kebab(typ.Field(i).Name)
			text, ok := given[name]
			if !ok {
				continue
			}
			used[name] = true
			if err := t.set(o.Field(i), text, options[typ.Name()][typ.Field(i).Name].unit); err != nil {
				return usagef("%s: --%s %v", m.Name, name, err)
			}
		}
		t.in = append(t.in, o)
	}
	for name := range given {
		if !used[name] {
			return usagef("%s: --%s does not go with these arguments", m.Name, name)
		}
	}
	if typ == reflect.TypeFor[measure.TravelPointsOptions]() && t.units["output"] != t.units["commanded"] && o.FieldByName("OutputLow").Float() == o.FieldByName("OutputHigh").Float() {
		return usagef("%s: the output is in %s, the commanded position in %s: give --output-low and --output-high, the ideal output at both ends",
			m.Name, t.units["output"], t.units["commanded"])
	}
	return nil
}

// set puts what was typed into an option or argument.
func (t *Taken) set(v reflect.Value, text, unit string) error {
	if u, ok := t.units[unit]; ok {
		unit = u
	}
	switch v.Kind() {
	case reflect.Float64:
		x, err := capturefile.Quantity(text, unit)
		if err != nil {
			return err
		}
		v.SetFloat(x)
	case reflect.Int:
		n, err := strconv.Atoi(text)
		if err != nil || n < -1e9 || n > 1e9 {
			return fmt.Errorf("%q is no whole number", text)
		}
		v.SetInt(int64(n))
	case reflect.Bool:
		b, err := strconv.ParseBool(text)
		if err != nil {
			return fmt.Errorf("%q is neither true nor false", text)
		}
		v.SetBool(b)
	case reflect.String:
		v.SetString(text)
	case reflect.Slice:
		for word := range strings.SplitSeq(text, ",") {
			item := reflect.New(v.Type().Elem()).Elem()
			if item.Kind() == reflect.Struct { // a note, 1047:0.15
				parts := strings.Split(word, ":")
				if len(parts) != item.NumField() {
					return fmt.Errorf("%q: write 1047:0.15, pitch in Hz and length in s", word)
				}
				for k, p := range parts {
					if err := t.set(item.Field(k), p, noteUnits[k]); err != nil {
						return err
					}
				}
			} else if err := t.set(item, word, unit); err != nil {
				return err
			}
			v.Set(reflect.Append(v, item))
		}
	default:
		return fmt.Errorf("%q cannot be read as %v", text, v.Type())
	}
	return nil
}

// noteUnits are those of the fields of measure.Note.
var noteUnits = []string{"Hz", "s"}

// kebab writes a Go name as flags have it: PeakAt is peak-at, SD is sd.
func kebab(name string) string { return strings.ReplaceAll(snake(name), "_", "-") }

// snake writes a Go name as plans have it.
func snake(name string) string {
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

// count writes a number of things: "1 frame", "3 frames".
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
