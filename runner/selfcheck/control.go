package selfcheck

import (
	"fmt"
	"strings"

	"fullthrow/reports/yield"
)

func control() map[string]Function {
	return map[string]Function{
		// kind, data, "exact" or "printed" constants, centre and sigma of the
		// baseline or "none", and for CUSUM allowance and decision, for EWMA
		// lambda and "exact" or "asymptotic" limits.
		"yield.NewChart": func(a *Args) (Figures, error) {
			kind := yield.ChartKind(a.Text(0))
			data := a.Data(1)
			groups := yield.Singles(data[0])
			if len(data) > 1 {
				groups = subgroups(data)
			}
			o := yield.ChartOptions{PrintedConstants: a.Text(2) == "printed"}
			if centre := a.Bound(3); centre != nil {
				o.Baseline = &yield.Baseline{Centre: *centre, Sigma: a.Number(4)}
			}
			switch kind {
			case yield.ChartCUSUM:
				o.CUSUM = yield.CUSUMOptions{Allowance: a.Number(5), Decision: a.Number(6)}
			case yield.ChartEWMA:
				o.EWMA = yield.EWMAOptions{Lambda: a.Number(5), Asymptotic: a.Text(6) == "asymptotic"}
			}
			c, err := yield.NewChart(kind, groups, o)
			return chartFigures(c), err
		},
		// kind, data, number of units of each point
		"yield.NewCountChart": func(a *Args) (Figures, error) {
			var tallies []yield.Tally
			for i, v := range a.Data(1)[0] {
				tallies = append(tallies, yield.Tally{Label: fmt.Sprint(i + 1), Count: int64(v), Of: int64(a.Whole(2))})
			}
			c, err := yield.NewCountChart(yield.ChartKind(a.Text(0)), tallies, yield.ChartOptions{})
			return chartFigures(c), err
		},
		// rule set, rule, distances from the centre in sigma
		"yield.RuleSet.Apply": func(a *Args) (Figures, error) {
			var points []int
			for _, h := range yield.RuleSet(a.Text(0)).Apply(a.numbers(2), a.Whole(1)) {
				for i := h.First; i <= h.To; i++ {
					points = append(points, i+1)
				}
			}
			return Figures{"points": spaced(points)}, nil
		},
	}
}

// numbers is argument i, a list.
func (a *Args) numbers(i int) []float64 {
	if i >= len(a.list) {
		a.bad(i, "a list of numbers")
		return nil
	}
	list, ok := a.list[i].([]any)
	if !ok {
		a.bad(i, "a list of numbers")
		return nil
	}
	inner := &Args{list: list}
	all := make([]float64, len(list))
	for j := range list {
		all[j] = inner.Number(j)
	}
	if inner.err != nil {
		a.bad(i, "a list of numbers")
	}
	return all
}

// chartFigures names the figures of a chart: those of its second panel begin
// with "2nd", those of a point end with its number from 1.
func chartFigures(c yield.ControlChart) Figures {
	f := Figures{"sigma": c.Baseline.Sigma, "state": string(c.State)}
	for i, p := range c.Panels {
		prefix := ""
		if i == 1 {
			prefix = "2nd "
		}
		f[prefix+"centre"], f[prefix+"lower"], f[prefix+"upper"] = p.Centre, p.Points[0].Lower, p.Points[0].Upper
		rules := map[int][]int{1: nil, 2: nil, 3: nil, 4: nil}
		for j, q := range p.Points {
			f[fmt.Sprint(prefix, "value ", j+1)] = q.Value
			f[fmt.Sprint(prefix, "upper ", j+1)] = q.Upper
			for _, r := range q.Rules {
				rules[r] = append(rules[r], j+1)
			}
		}
		for r, points := range rules {
			f[fmt.Sprint(prefix, "rule ", r)] = spaced(points)
		}
	}
	return f
}

// spaced is "13 14", or "none".
func spaced(points []int) string {
	if len(points) == 0 {
		return "none"
	}
	return strings.Trim(fmt.Sprint(points), "[]")
}
