package selfcheck

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"fullthrow/reports/wording"
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

// Report is what --json writes.
type Report struct {
	Schema     string         `json:"schema"`
	Software   string         `json:"software"`
	Go         string         `json:"go"`
	System     string         `json:"system"`
	Values     int            `json:"values"`
	Within     int            `json:"within"`
	Missed     int            `json:"missed"`
	Provenance map[string]int `json:"provenance"`
	Results    []Result       `json:"results"`
}

// Tell writes the table for people, at most 100 columns wide, misses first.
func (r Report) Tell(w io.Writer, sources bool) {
	fmt.Fprintf(w, "fullthrow %s, %s on %s\n", r.Software, r.Go, r.System)
	for _, v := range r.Results {
		if !v.Within {
			fmt.Fprintf(w, "\nMISSED %s\n", v.ID)
			fmt.Fprintf(w, "    %s\n", v.What)
			if v.Problem != "" {
				detail(w, "problem", v.Problem)
			} else {
				detail(w, "computed", shownValue(v))
			}
			detail(w, "published", v.Published)
			if v.Difference != nil {
				detail(w, "difference", fmt.Sprintf("%.3g, allowed %.3g", *v.Difference, *v.Allowed))
			}
			origin(w, v)
		}
	}
	for _, area := range Areas() {
		for _, p := range Provenances() {
			headed := false
			for _, v := range r.Results {
				if v.Area != area || v.Provenance != p {
					continue
				}
				if !headed {
					fmt.Fprintf(w, "\n%-40s %20s %20s %8s %8s\n", area+", "+p, "computed", "published", "differs",
						"allowed")
					headed = true
				}
				row(w, v)
				if sources {
					if len(v.Published) > 20 && v.Difference == nil { // cut short in its row
						detail(w, "value", v.Published)
					}
					origin(w, v)
				}
			}
		}
	}
	var kinds []string
	for _, p := range Provenances() {
		if n := r.Provenance[p]; n > 0 {
			kinds = append(kinds, fmt.Sprintf("%s %d", p, n))
		}
	}
	fmt.Fprintf(w, "\n%s: %d within, %d missed\n%s\n", wording.Count(r.Values, "value"), r.Within, r.Missed,
		strings.Join(kinds, ", "))
}

// row is one line of the table.
func row(w io.Writer, v Result) {
	mark, differs, allowed := " ", "same", "none"
	if !v.Within {
		mark, differs = "!", "MISSED"
	}
	if v.Difference != nil {
		differs, allowed = size(*v.Difference), size(*v.Allowed)
	}
	values := fmt.Sprintf("%20s %20s", short(shownValue(v), 20), short(v.Published, 20))
	if v.Within && len(v.Published) > 20 && v.Difference == nil {
		values = short(v.Published, 41) // one long text, twice
	}
	fmt.Fprintf(w, "%s %-38s %41s %8s %8s\n", mark, short(v.What, 38), values, differs, allowed)
}

// size is that of a difference, in a few characters.
func size(d float64) string {
	if d == 0 {
		return "0"
	}
	return strconv.FormatFloat(d, 'e', 1, 64)
}

// shownValue is the computed value with as many digits as are of interest.
func shownValue(v Result) string {
	switch x := v.Computed.(type) {
	case float64:
		digits := 12
		if len(v.Published) > 14 {
			digits = 15
		}
		s := strconv.FormatFloat(x, 'g', digits, 64)
		if len(s) > 20 {
			s = strconv.FormatFloat(x, 'e', 12, 64)
		}
		return s
	case string:
		return x
	}
	return "nothing"
}

// short cuts a text to n columns and shows that it did.
func short(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-3]) + "..."
}

// origin is where a value is from and how it was computed.
func origin(w io.Writer, v Result) {
	detail(w, v.Provenance, v.Source)
	detail(w, "call", v.Call)
	if v.Note != "" {
		detail(w, "note", v.Note)
	}
}

// detail is a line below a value, wrapped.
func detail(w io.Writer, name, text string) {
	lines := strings.TrimSuffix(wording.Wrap(text+"\n", 78), "\n")
	for line := range strings.Lines(lines) {
		fmt.Fprintf(w, "    %-16s %s\n", name, strings.TrimSpace(line))
		name = ""
	}
}
