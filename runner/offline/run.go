package offline

import (
	"fmt"
	"io"
	"maps"
	"os"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"fullthrow/drivers"
	"fullthrow/runner/capturefile"
	"fullthrow/runner/input"
	"fullthrow/runner/measure"
	"fullthrow/runner/picture"
)

// Settings are what a measurement is taken with.
type Settings struct {
	Arguments []string          // names of files, and numbers
	Options   map[string]string // by flag, "pitch-tolerance": as typed; only those given
	// Columns of the files, in order, where a table has several; may be short.
	Columns []string
	// Units of columns that have none in the files, as TIME=s.
	Units []string
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
	Inputs []Input
	Result Result
	m      Measurement
	in     []reflect.Value
	out    reflect.Value
	units  map[string]string // of what was measured, see [measure.Field]
}

// Input is a file, or a number of the command line, as it was understood.
type Input struct {
	Name  string `json:"name"`
	About string `json:"about"`
	// Notes say what was not plain: lines that are no table, how even the times
	// are, a channel that is silent.
	Notes []string `json:"notes,omitempty"`
}

var (
	typeSamples = reflect.TypeFor[drivers.Samples]()
	typeFrames  = reflect.TypeFor[drivers.Frames]()
	typePath    = reflect.TypeFor[drivers.Path]()
	typePaths   = reflect.TypeFor[[]drivers.Path]()
	typePicture = reflect.TypeFor[drivers.Picture]()
)

// Run takes a measurement. Errors are of type *UsageError, *capturefile.Error,
// of the operating system, or of package measure.
func Run(m Measurement, s Settings) (*Taken, error) {
	args := m.Arguments()
	several := len(args) > 0 && args[len(args)-1].Type == typePaths
	if n := len(s.Arguments); n != len(args) && !(several && n > len(args)) {
		e := usagef("%s: %d arguments", m.Word(), n)
		if e.Hint = "it takes " + m.Takes(); len(args) == 0 {
			e.Hint = "it takes none"
		}
		return nil, e
	}
	t := &Taken{m: m, units: map[string]string{"commanded": "% of throw", "output": "% of throw"}}
	var paths, frames []*capturefile.File
	channel := ""
	if m.Sampled() {
		s.Options = maps.Clone(s.Options)
		channel = s.Options["channel"]
		delete(s.Options, "channel")
		if channel != "" && len(s.Columns) > 0 {
			return nil, usagef("%s: --channel and --column", m.Word())
		}
		if channel != "" && s.Options["mix"] == "true" {
			return nil, usagef("%s: channel %s asked for, and the average of all channels", m.Word(), channel)
		}
	}
	named := make([]bool, len(s.Units))
	for i, text := range s.Arguments {
		at := min(i, len(args)-1)
		a := args[at]
		if k := a.Type.Kind(); k == reflect.Float64 || k == reflect.Int {
			v := reflect.New(a.Type).Elem()
			if err := t.set(v, text, a.Unit); err != nil {
				return nil, usagef("%s: %s %v", m.Word(), strings.ToUpper(kebab(a.Name)), err)
			}
			t.in = append(t.in, v)
			t.Inputs = append(t.Inputs, Input{Name: kebab(a.Name), About: text})
			continue
		}
		if a.Type == typePicture {
			p, err := readPicture(text)
			if err != nil {
				return nil, err
			}
			t.in = append(t.in, reflect.ValueOf(p))
			t.Inputs = append(t.Inputs, Input{Name: text, About: fmt.Sprintf("picture, %d x %d pixels", p.Width, p.Height)})
			continue
		}
		file, err := read(text)
		if err != nil {
			return nil, err
		}
		for k, text := range s.Units {
			name, unit, ok := strings.Cut(text, "=")
			if !ok {
				return nil, usagef("%s: --unit %q: want NAME=UNIT, as TIME=s", m.Word(), text)
			}
			has, err := file.SetUnit(strings.TrimSpace(name), strings.TrimSpace(unit))
			if err != nil {
				return nil, err
			}
			named[k] = named[k] || has
		}
		column := channel
		if i < len(s.Columns) {
			column = s.Columns[i]
		}
		v, about, err := t.load(file, a, column, s.FullScale)
		if err != nil {
			return nil, err
		}
		notes := slices.Clone(file.Notes())
		if samples, ok := v.Interface().(drivers.Samples); ok {
			notes = append(notes, constant(samples, s.Options["mix"] == "true", file.Sound != nil)...)
		}
		switch a.Type {
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
		t.Inputs = append(t.Inputs, Input{text, about, notes})
	}
	for k, ok := range named {
		if !ok {
			return nil, usagef("%s: --unit %s: no file has such a column", m.Word(), s.Units[k])
		}
	}
	if len(s.Columns) > len(s.Arguments) {
		return nil, usagef("%s: more columns than files", m.Word())
	}
	for _, p := range paths { // the two must be set against each other
		for _, f := range frames {
			if f.Timed() != p.Timed() {
				a, b := f.Name, p.Name
				if !f.Timed() {
					a, b = b, a
				}
				return nil, input.Wrong([]input.Problem{
					input.At(b, 0, "it does not say when its time 0 was, and "+a+" does",
						`write "# start: 0 s" above the first row`)})
			}
		}
	}
	if err := t.options(s.Options); err != nil {
		return nil, err
	}
	out := reflect.ValueOf(m.Call).Call(t.in)
	if n := len(out); n > 1 {
		if err, ok := out[n-1].Interface().(error); ok && err != nil {
			return nil, err
		}
	}
	t.out = out[0]
	t.Result = t.result()
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

// readPicture reads a PNG or JPEG file.
func readPicture(name string) (drivers.Picture, error) {
	file, err := input.ReadFile(name, picture.MaxBytes)
	if err != nil {
		return drivers.Picture{}, err
	}
	p, err := picture.Decode(name, file)
	if err != nil {
		return p, input.Wrong([]input.Problem{input.At(name, 0, err.Error(), "")})
	}
	return p, nil
}

// loader makes what a function takes of a file, with the units of what follows
// from it.
type loader func(f *capturefile.File, column string) (x any, units map[string]string, err error)

func plain[T any](read func(*capturefile.File) (T, error)) loader {
	return func(f *capturefile.File, _ string) (any, map[string]string, error) {
		x, err := read(f)
		return x, nil, err
	}
}

// valuesIn are the units of values in unit.
func valuesIn(unit string) map[string]string {
	if unit == "1" {
		return map[string]string{"values": unit, "values2": unit}
	}
	return map[string]string{"values": unit, "values2": unit + "2"}
}

// loaders by what a function takes; any other list is a table by its tags.
var loaders = map[reflect.Type]loader{
	typeFrames:                           plain((*capturefile.File).Frames),
	typePath:                             plain((*capturefile.File).Path),
	reflect.TypeFor[[]measure.Release](): plain((*capturefile.File).Releases),
	typePaths: func(f *capturefile.File, _ string) (any, map[string]string, error) {
		p, err := f.Path()
		return []drivers.Path{p}, nil, err
	},
	typeSamples: func(f *capturefile.File, column string) (any, map[string]string, error) {
		s, err := f.Samples(column)
		return s, nil, err
	},
	reflect.TypeFor[measure.Answers](): func(f *capturefile.File, column string) (any, map[string]string, error) {
		s, unit, err := f.Values(column, true)
		if err == nil && unit != "1" && unit != "s" {
			err = f.Mismatch("the values are in %s, a time is wanted", unit)
		}
		return measure.Answers(s), valuesIn("s"), err
	},
	reflect.TypeFor[[]float64](): func(f *capturefile.File, column string) (any, map[string]string, error) {
		s, unit, err := f.Values(column, false)
		return s, valuesIn(unit), err
	},
	reflect.TypeFor[[][]float64](): func(f *capturefile.File, _ string) (any, map[string]string, error) {
		s, unit, err := f.Groups()
		return s, valuesIn(unit), err
	},
	reflect.TypeFor[measure.Pairs](): func(f *capturefile.File, _ string) (any, map[string]string, error) {
		x, y, u, err := f.Pairs()
		return measure.Pairs{X: x, Y: y}, map[string]string{"x": u[0], "y": u[1], "y/x": quotient(u[1], u[0])}, err
	},
	reflect.TypeFor[[]measure.TravelPoint](): func(f *capturefile.File, _ string) (any, map[string]string, error) {
		s, u, err := f.Points()
		return s, map[string]string{"commanded": u[0], "output": u[1], "output/commanded": quotient(u[1], u[0])}, err
	},
}

// load makes argument a of a file, and says what it is.
func (t *Taken) load(f *capturefile.File, a measure.Argument, column, fullScale string) (v reflect.Value, about string,
	err error) {
	if a.Type != typeSamples && fullScale != "" {
		return v, "", usagef("%s: --full-scale is for sound", t.m.Word())
	}
	read := loaders[a.Type]
	if read == nil {
		read = func(f *capturefile.File, _ string) (any, map[string]string, error) { return f.Table(a.Name, a.Type) }
	}
	x, units, err := read(f, column)
	if err != nil {
		return v, "", err
	}
	about = count(f.Rows(), "row")
	switch s := x.(type) {
	case drivers.Frames:
		about = count(len(s.Frames), "frame") + ", " + quantity(s.Length.Seconds(), "s")
	case drivers.Samples:
		if fullScale != "" {
			if err := scale(&s, fullScale); err != nil {
				return v, "", err
			}
		}
		if a.Unit != "" && s.Unit != a.Unit {
			return v, "", f.Mismatch("the samples are in %s, a %s in %s is wanted", s.Unit, a.Name, a.Unit)
		}
		x, about = s, aboutSamples(s)
		if t.units["capture"] == "" {
			units = map[string]string{"capture": s.Unit}
		}
	}
	maps.Copy(t.units, units)
	return reflect.ValueOf(x), about, nil
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
	return fmt.Sprintf("%s, %d samples at %s, %s%s", what, s.Count(), exactly(s.Rate, "Hz"),
		quantity(s.Duration().Seconds(), "s"), channels)
}

// constant says that what is measured stands still: the first channel, or the
// mean of all.
func constant(s drivers.Samples, mix, sound bool) []string {
	if s.Count() < 2 {
		return nil
	}
	var moving []string
	for c := range s.Channels {
		for i := c; i < len(s.Values); i += s.Channels {
			if s.Values[i] != s.Values[c] {
				moving = append(moving, strconv.Itoa(c+1))
				break
			}
		}
	}
	if len(moving) == s.Channels || slices.Contains(moving, "1") {
		return nil
	}
	if mix && len(moving) > 0 {
		return nil
	}
	what := "never changes: every sample is " + quantity(s.Values[0], s.Unit)
	if sound && s.Values[0] == 0 {
		what = "is silent: every sample is 0"
	}
	if s.Channels == 1 {
		return []string{"the capture " + what}
	}
	note := "channel 1, which is measured, " + what
	if len(moving) > 0 {
		note += "; channel " + strings.Join(moving, ", ") + " is not: --channel " + moving[0]
	}
	return []string{note}
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
func (t *Taken) options(given map[string]string) error {
	used := 0
	typ := t.m.Options()
	if typ != nil {
		o := reflect.New(typ).Elem()
		for _, f := range measure.Fields(typ) {
			text, ok := given[kebab(f.Name)]
			if !ok {
				continue
			}
			used++
			if err := t.set(o.Field(f.Index), text, f.Unit); err != nil {
				return usagef("%s: --%s %v", t.m.Word(), kebab(f.Name), err)
			}
		}
		t.in = append(t.in, o)
	}
	if used < len(given) {
		for name := range given {
			if !slices.ContainsFunc(t.m.Flags(), func(f Flag) bool { return f.Name == name }) {
				return usagef("%s: there is no --%s", t.m.Word(), name)
			}
		}
	}
	if o, ok := t.in[len(t.in)-1].Interface().(measure.TravelPointsOptions); ok &&
		t.units["output"] != t.units["commanded"] && o.OutputLow == o.OutputHigh {
		return usagef("%s: the output is in %s, the commanded position in %s: give --output-low and --output-high, "+
			"the ideal output at both ends",
			t.m.Word(), t.units["output"], t.units["commanded"])
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
				for k, f := range measure.Fields(item.Type()) {
					if err := t.set(item.Field(f.Index), parts[k], f.Unit); err != nil {
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

// count writes a number of things: "1 frame", "3 frames".
func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
