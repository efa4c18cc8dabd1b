package causes

import (
	"math"
	"path"
	"slices"
	"strconv"
	"strings"

	"fullthrow/reports"
	"fullthrow/runner/input"
)

// Known is what a product measures, for [Rules.Check].
type Known struct {
	// Readings lists those that the plan takes or the limits name, as
	// check.reading.
	Readings []string
	// Open says that a check may take readings whose names are not known.
	Open func(check string) bool
	// Judge judges a value in a unit as a run would; the unit is that of the
	// limit, "" where there is none.
	Judge func(name string, v reports.Value, unit string) reports.Reading
	// Unit is the unit that the limit of a reading is written in.
	Unit func(name string) string
}

// Check compares the rules with what is measured: readings that do not exist,
// conditions that no value could meet, rules that could never fit.
func (r *Rules) Check(k Known) []input.Problem {
	p := &input.List{File: r.file}
	for i := range r.list {
		x := &r.list[i]
		fits := true
		for _, list := range [][]condition{x.all, x.any, x.none, x.for_, x.against} {
			for _, c := range list {
				fits = r.checkCondition(p, c, k) && fits
			}
		}
		for _, e := range x.explains {
			fits = checkName(p, x.line, e, k) && fits
		}
		if fits && !r.canFit(x, k) {
			p.Add(x.line, "its conditions exclude each other, or ask of a value what its limit does not allow",
				"cause %q can never fit", x.name)
		}
	}
	return p.Sorted()
}

func checkName(p *input.List, line int, pattern string, k Known) bool {
	check, _, _ := strings.Cut(pattern, ".")
	if len(k.match(pattern)) > 0 || k.Open(check) {
		return true
	}
	p.Add(line, input.DidYouMean(pattern, k.Readings, ""), "neither plan nor limits have a reading %q", pattern)
	return false
}

func (k Known) match(pattern string) []string {
	return slices.DeleteFunc(slices.Clone(k.Readings), func(n string) bool {
		ok, _ := path.Match(pattern,
			n)
		return !ok
	})
}

func (r *Rules) checkCondition(p *input.List, c condition, k Known) bool {
	if !checkName(p, c.line, c.reading, k) {
		return false
	}
	names := k.match(c.reading)
	if len(names) == 0 || c.is == absent {
		return true
	}
	if c.is == "" { // a quantity
		for _, n := range names {
			if unit := k.Unit(n); unit != "" {
				if _, err := r.convert(1, c.unit, unit); err != nil {
					p.Add(c.line, "", "%s: %s", n, err)
					return false
				}
			}
		}
		return true
	}
	for _, n := range names {
		if slices.ContainsFunc(r.witnesses(n, []condition{c}, k), func(w *reports.Reading) bool {
			return w != nil &&
				c.says(*w, r.convert)
		}) {
			return true
		}
	}
	what := map[string]string{failed: "fail", kept: "be kept", tooHigh: "be too high", tooLow: "be too low"}[c.is]
	p.Add(c.line, "", "%s can never %s: its limit does not allow for that", c.reading, what)
	return false
}

// canFit tries every sort of value that each single reading of the rule can
// have: left out, on, between and beyond its limits and the rule's quantities.
// Readings are tried one by one, which is exact as long as conditions name one
// reading each; conditions with * are taken to be possible.
func (r *Rules) canFit(x *rule, k Known) bool {
	single := func(list []condition) (out []condition) {
		for _, c := range list {
			if !strings.Contains(c.reading, "*") && slices.Contains(k.Readings, c.reading) {
				out = append(out, c)
			}
		}
		return out
	}
	all, none := single(x.all), single(x.none)
	possible := func(name string, must []condition) bool {
		about := func(list []condition) []condition {
			return slices.DeleteFunc(slices.Clone(list), func(c condition) bool { return c.reading != name })
		}
		must, never := about(must), about(none)
		return slices.ContainsFunc(r.witnesses(name, append(slices.Clone(must), never...), k),
			func(w *reports.Reading) bool {
				is := func(c condition) bool { return w == nil && c.is == absent || w != nil && c.says(*w, r.convert) }
				return !slices.ContainsFunc(must, func(c condition) bool { return !is(c) }) &&
					!slices.ContainsFunc(never, is)
			})
	}
	for _, c := range all {
		if !possible(c.reading, all) {
			return false
		}
	}
	if len(x.any) == 0 {
		return true
	}
	some := single(x.any)
	return len(some) < len(x.any) || slices.ContainsFunc(some, func(c condition) bool {
		return possible(c.reading, append(slices.Clone(all), c))
	})
}

// witnesses are readings of every sort that the conditions could tell apart;
// nil stands for one that did not come.
func (r *Rules) witnesses(name string, conditions []condition, k Known) []*reports.Reading {
	unit := k.Unit(name)
	var edges []float64
	put := func(x float64, from string) {
		if v, err := r.convert(x, from, unit); err == nil {
			edges = append(edges, v)
		}
	}
	for _, c := range conditions {
		if unit == "" && c.unit != "" {
			unit = c.unit
		}
		for _, q := range []*float64{c.above, c.below} {
			if q != nil {
				put(*q, c.unit)
			}
		}
	}
	values := []reports.Value{reports.Bool(true), reports.Bool(false), reports.Text(""), reports.Text("\x00")}
	if probe := k.Judge(name, reports.Number(0), unit); probe.Limit != nil {
		for _, l := range []*float64{probe.Limit.Lower, probe.Limit.Upper} {
			if l != nil {
				put(*l, probe.Unit)
			}
		}
		if probe.Limit.Equal != nil {
			if x, ok := probe.Limit.Equal.Number(); ok {
				put(x, probe.Unit)
			} else {
				values = append(values, *probe.Limit.Equal)
			}
		}
		for _, v := range probe.Limit.OneOf {
			if x, ok := v.Number(); ok {
				put(x, probe.Unit)
			} else {
				values = append(values, v)
			}
		}
	}
	slices.Sort(edges)
	for i, e := range edges {
		step := max(math.Abs(e)*1e-6, 1e-15)
		values = append(values, reports.Number(e), reports.Number(e-step), reports.Number(e+step))
		if i > 0 {
			values = append(values, reports.Number((e+edges[i-1])/2))
		}
	}
	if len(edges) == 0 {
		values = append(values, reports.Number(0))
	}
	list := []*reports.Reading{nil}
	for _, v := range values {
		u := unit
		if _, ok := v.Number(); !ok {
			u = ""
		}
		w := k.Judge(name, v, u)
		list = append(list, &w)
	}
	return list
}

// ofCause tells whether a key of a cause itself stands on a line.
func ofCause(l input.Lines, key string, line int) bool {
	for i := 0; ; i++ {
		n := strconv.Itoa(i)
		if at, _ := l.Spot("cause", n); at == 0 {
			return false
		}
		if at, _ := l.Spot("cause", n, key); at == line {
			return true
		}
	}
}
