package selfcheck

import (
	"fmt"
	"math"
	"strconv"
)

// Result is one value, computed on this computer and compared.
type Result struct {
	ID   string `json:"id"`
	Area string `json:"area"`
	What string `json:"what"` // for people: "Lew, 200 values: sd"
	Call string `json:"call"`
	// Computed is a number or a text; "NaN" and the like where it is not
	// finite, nothing where it could not be computed. Published is as its source
	// prints it.
	Computed  any    `json:"computed"`
	Published string `json:"published"`
	// Difference and Allowed are in the value's own unit; nil for a text.
	Difference *float64 `json:"difference,omitempty"`
	Allowed    *float64 `json:"allowed,omitempty"`
	Source     string   `json:"source"`
	Provenance string   `json:"provenance"`
	Note       string   `json:"note,omitempty"`
	Within     bool     `json:"within"`
	Problem    string   `json:"problem,omitempty"` // why it could not be computed
}

// Run computes every value of calls with functions. What cannot be computed
// (an unknown function, an error, a figure that does not come, NaN) is a miss.
func Run(calls []Call, functions map[string]Function) []Result {
	var all []Result
	for _, c := range calls {
		figures, err := c.run(functions)
		for _, v := range c.Values {
			r := c.result(v)
			got, ok := figures[v.Of]
			switch {
			case err != nil:
				r.Problem = err.Error()
			case !ok:
				r.Problem = fmt.Sprintf("%s gives no %q", c.Function, v.Of)
			default:
				r.compare(v, got)
			}
			all = append(all, r)
		}
	}
	return all
}

func (c Call) run(functions map[string]Function) (Figures, error) {
	f := functions[c.Function]
	if f == nil {
		return nil, fmt.Errorf("there is no function %q", c.Function)
	}
	args := &Args{list: c.Args}
	figures, err := f(args)
	if args.err != nil { // then whatever came is of wrong arguments
		return nil, args.err
	}
	return figures, err
}

func (c Call) result(v Value) Result {
	r := Result{
		ID: c.id(v), Area: c.Area, What: c.What + ": " + v.As, Call: c.String(),
		Published: v.Want, Source: v.Source, Provenance: v.Provenance, Note: v.Note,
	}
	if v.Text != nil {
		r.Published = *v.Text
	}
	return r
}

// compare never takes anything but a finite number of the right size, or the
// very text, for a match.
func (r *Result) compare(v Value, got any) {
	switch got := got.(type) {
	case string:
		r.Computed = got
		r.Within = v.Text != nil && got == *v.Text
	case float64:
		r.Computed = got
		if math.IsNaN(got) || math.IsInf(got, 0) {
			r.Computed = strconv.FormatFloat(got, 'g', -1, 64)
		}
		if v.Text != nil { // a text is wanted: NaN, +Inf
			r.Within = r.Computed == *v.Text
			return
		}
		want, allowed, err := v.Wanted()
		if err != nil {
			r.Problem = err.Error()
			return
		}
		d := got - want
		if !math.IsNaN(d) && !math.IsInf(d, 0) {
			r.Difference = &d
		}
		r.Allowed = &allowed
		r.Within = math.Abs(d) <= allowed
	default:
		r.Problem = fmt.Sprintf("%T is neither number nor text", got)
	}
}
