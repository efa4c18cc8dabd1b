package capturefile

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/drivers"
	"fullthrow/runner/input"
)

// epoch is the moment that times in files are counted from.
var epoch = time.Unix(0, 0).UTC()

// jitter is how far a time may be from where even sampling has it, in parts of
// the time between samples.
const jitter = 0.1

// Samples is sound, or a table of times and values, or of values at a rate that
// a remark states. Where there is more than one column of values or channel of
// sound, chosen names the one wanted, or numbers it from 1; columns value1,
// value2, ... are channels of one capture, as those of sound are.
func (f *File) Samples(chosen string) (drivers.Samples, error) {
	if f.Sound != nil {
		return f.channel(chosen)
	}
	time := f.find("time")
	if _, given := f.facts["rate"]; time == nil && !given && f.head.interval == 0 {
		if _, err := f.need("samples", "time"); err != nil {
			return drivers.Samples{}, err
		}
	}
	columns, err := f.choose("samples", chosen, time, true)
	if err != nil {
		return drivers.Samples{}, err
	}
	begin, rate, err := f.even(time)
	if err != nil {
		return drivers.Samples{}, err
	}
	return f.samples(columns, begin, rate)
}

// channel is one channel of sound, or all.
func (f *File) channel(chosen string) (drivers.Samples, error) {
	s := *f.Sound
	if chosen == "" {
		return s, nil
	}
	k, err := strconv.Atoi(chosen)
	if err != nil || k < 1 || k > s.Channels {
		return s, f.wrong(0, fmt.Sprintf("it has channels 1 to %d", s.Channels), "there is no channel %q", clip(chosen))
	}
	one := s
	one.Channels, one.Values = 1, make([]float64, 0, s.Count())
	for i := k - 1; i < len(s.Values); i += s.Channels {
		one.Values = append(one.Values, s.Values[i])
	}
	return one, nil
}

func (f *File) samples(chosen []*column, begin, rate float64) (drivers.Samples, error) {
	out := drivers.Samples{Start: after(begin), Rate: rate, Channels: len(chosen)}
	n := len(f.lines)
	out.Values = make([]float64, n*len(chosen))
	for k, c := range chosen {
		if c.unit == "" {
			return drivers.Samples{}, f.wrong(f.header, `write "current / A", or give --unit "`+c.label+`=A"`,
				"column %q has no unit", c.label)
		}
		v, unit, err := f.numbers(c, "")
		if err != nil {
			return drivers.Samples{}, err
		}
		if k > 0 && unit != out.Unit {
			return drivers.Samples{}, f.wrong(f.header, "", "%q is in %s, %q in %s: channels of one capture have "+
				"one unit", chosen[0].label, out.Unit, c.label, unit)
		}
		out.Unit = unit
		for i := range v {
			out.Values[i*len(chosen)+k] = v[i]
		}
	}
	return out, nil
}

// choose finds the columns of values beside one that is not.
func (f *File) choose(kind, name string, beside *column, channels bool) ([]*column, error) {
	var all []*column
	numbered := true
	for _, c := range f.columns {
		if c == beside || names[c.quantity] || c.quantity == "sequence" {
			continue
		}
		if name != "" && (strings.EqualFold(c.label, name) || c.quantity == strings.ToLower(name)) {
			return []*column{c}, nil
		}
		numbered = numbered && strings.HasPrefix(c.quantity, "value")
		all = append(all, c)
	}
	var have []string
	for _, c := range all {
		have = append(have, c.quantity)
	}
	k, notNumber := strconv.Atoi(name)
	switch {
	case len(all) == 0:
		return nil, f.wrong(f.header, "", "a table of %s needs a column of values", kind)
	case notNumber == nil && k >= 1 && k <= len(all):
		return all[k-1 : k], nil
	case name != "":
		hint := "it has " + clip(strings.Join(have, ", "))
		if s := input.Near(name, have); s != "" {
			hint = `did you mean "` + s + `"?`
		}
		return nil, f.wrong(f.header, hint, "there is no column %q", name)
	case len(all) == 1 || channels && numbered:
		return all, nil
	}
	return nil, f.wrong(f.header, "choose one with --column", "%d columns of values: %s", len(all),
		clip(strings.Join(have, ", ")))
}

// times are those of a column "time", rising and finite, in s, and the moment
// of time 0 on the clock of files kept together.
func (f *File) times(c *column) (t []float64, zero float64, err error) {
	if t, _, err = f.numbers(c, "s"); err != nil {
		return nil, 0, err
	}
	if zero, _, err = f.fact("start"); err != nil {
		return nil, 0, err
	}
	for i := range t {
		if math.Abs(t[i]) > 1e9 {
			return nil, 0, f.wrong(int(f.lines[i]), "", "time is %v s, out of range", t[i])
		}
	}
	return t, zero, nil
}

// even checks that samples are evenly spaced, and gives the first moment and
// the rate.
func (f *File) even(c *column) (begin, rate float64, err error) {
	if c == nil {
		return f.stated()
	}
	t, zero, err := f.times(c)
	if err != nil {
		return 0, 0, err
	}
	rate, given, err := f.fact("rate")
	if err != nil {
		return 0, 0, err
	}
	n := len(t)
	for i := 1; i < n; i++ {
		if t[i] == t[i-1] {
			return 0, 0, f.wrong(int(f.lines[i]), "times rounded to too few digits? then write \"# rate: 10 kHz\" "+
				"above the first row, and the row's true time", "the time %v s is there twice", t[i])
		}
		if t[i] < t[i-1] {
			return 0, 0, f.wrong(int(f.lines[i]), "sort the rows by time", "the time goes back, from %v s to %v s",
				t[i-1], t[i])
		}
	}
	allowed := 0.5
	if !given {
		if n < 2 {
			return 0, 0, f.wrong(f.header, `write "# rate: 10 kHz" above the first row`, "a single row has no rate")
		}
		rate = float64(n-1) / (t[n-1] - t[0])
		if r := math.Round(rate); math.Abs(rate-r) < 1e-6*r {
			rate = r
		}
		allowed = jitter
	}
	worst := 0.0
	for i := range t {
		off := math.Abs((t[i]-t[0])*rate - float64(i))
		if worst = max(worst, off); off > allowed+1e-9 {
			if given {
				return 0, 0, f.wrong(int(f.lines[i]), "the times do not go with the rate that the file states",
					"uneven times: %.9g s, where %.9g s would come", t[i], t[0]+float64(i)/rate)
			}
			return 0, 0, f.uneven(t)
		}
	}
	if worst > 0.001 {
		f.note("times are up to %.2g %% of an interval off even ones", 100*worst)
	}
	return zero + t[0], rate, nil
}

// stated is the first moment and rate of samples without times.
func (f *File) stated() (begin, rate float64, err error) {
	zero, _, err := f.fact("start")
	if err != nil {
		return 0, 0, err
	}
	if f.head.interval > 0 {
		if n := f.find("sequence"); n != nil {
			for i, v := range n.values {
				if !(math.Abs(v-n.values[0]-float64(i)) < 1e-6) {
					return 0, 0, f.wrong(int(f.lines[i]), "a row is missing or there twice", "%s does not count up by one",
						n.label)
				}
			}
		}
		return zero + f.head.start, 1 / f.head.interval, nil
	}
	rate, _, err = f.fact("rate")
	if err == nil {
		f.note("no column of times: evenly spaced at the rate in line %d", f.facts["rate"].line)
	}
	return zero, rate, err
}

// uneven says where times are not even: at the step that is furthest from the
// usual one.
func (f *File) uneven(t []float64) error {
	steps := make([]float64, len(t)-1)
	for i := range steps {
		steps[i] = t[i+1] - t[i]
	}
	sorted := slices.Clone(steps)
	slices.Sort(sorted)
	usual, worst := sorted[len(sorted)/2], 0
	for i, s := range steps {
		if math.Abs(s-usual) > math.Abs(steps[worst]-usual) {
			worst = i
		}
	}
	return f.wrong(int(f.lines[worst+1]), "samples must be evenly spaced, without holes; export them at one rate, "+
		"or with more digits",
		"uneven times: %.6g s after the row above, where %.6g s is usual", steps[worst], usual)
}

func after(s float64) time.Time { return epoch.Add(seconds(s)) }

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// Values is a list of numbers and its unit. With gaps an empty cell is NaN,
// else an error.
func (f *File) Values(column string, gaps bool) ([]float64, string, error) {
	if f.Sound != nil {
		return nil, "", f.wrong(0, "", "this is sound; wanted is a table of values")
	}
	beside := f.find("time")
	if beside != nil && len(f.columns) == 1 || column == "time" {
		beside = nil
	}
	chosen, err := f.choose("values", column, beside, false)
	if err != nil {
		return nil, "", err
	}
	if chosen[0].inner && !gaps {
		return nil, "", f.wrong(chosen[0].empty.line, "", "%s is empty", chosen[0].quantity)
	}
	return f.numeric(chosen[0], "", gaps)
}

// Groups are the values of each group, in the order in which they come.
func (f *File) Groups() ([][]float64, string, error) {
	if f.Sound != nil {
		return nil, "", f.wrong(0, "", "this is sound; wanted is a table of groups")
	}
	g := f.find("group")
	if g == nil {
		var out [][]float64
		unit := ""
		for k, c := range f.columns {
			if c.inner && c.bad.line == 0 {
				for i, v := range c.values { // only the end of a column may be empty
					if math.IsNaN(v) && i+1 < len(c.values) && !math.IsNaN(c.values[i+1]) {
						return nil, "", f.wrong(int(f.lines[i]), "", "%s is empty", c.quantity)
					}
				}
			}
			v, u, err := f.numeric(c, "", true)
			if err != nil {
				return nil, "", err
			}
			if k > 0 && u != unit {
				return nil, "", f.wrong(f.header, "", "the groups have different units, %s and %s", unit, u)
			}
			unit = u
			for len(v) > 0 && math.IsNaN(v[len(v)-1]) {
				v = v[:len(v)-1]
			}
			out = append(out, v)
		}
		return out, unit, nil
	}
	chosen, err := f.choose("groups", "", g, false)
	if err != nil {
		return nil, "", err
	}
	v, unit, err := f.numbers(chosen[0], "")
	if err != nil {
		return nil, "", err
	}
	index := map[string]int{}
	var out [][]float64
	for i, w := range g.words {
		if w == "" {
			return nil, "", f.wrong(int(f.lines[i]), "", "group is empty")
		}
		k, ok := index[w]
		if !ok {
			k = len(out)
			index[w], out = k, append(out, nil)
		}
		out[k] = append(out[k], v[i])
	}
	return out, unit, nil
}

// Pairs are the first two columns of numbers and their units.
func (f *File) Pairs() (x, y []float64, units [2]string, err error) {
	if f.Sound != nil {
		return nil, nil, units, f.wrong(0, "", "this is sound; wanted is a table of pairs")
	}
	var two []*column
	for _, c := range f.columns {
		if !names[c.quantity] && len(two) < 2 {
			two = append(two, c)
		}
	}
	if len(two) < 2 {
		return nil, nil, units, f.wrong(f.header, "", "a table of pairs needs two columns of numbers")
	}
	if x, units[0], err = f.numbers(two[0], ""); err == nil {
		y, units[1], err = f.numbers(two[1], "")
	}
	return x, y, units, err
}
