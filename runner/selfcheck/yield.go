package selfcheck

import (
	"fmt"
	"strings"

	"fullthrow/reports/statistics"
	"fullthrow/reports/yield"
)

func yields() map[string]Function {
	return map[string]Function{
		// units, of them passed at first and in the end, defects, opportunities
		"yield.Summarise": func(a *Args) (Figures, error) {
			s := yield.Summarise(yield.Counts{
				Units: int64(a.Whole(0)), FirstPassed: int64(a.Whole(1)), FinalPassed: int64(a.Whole(2)),
				Defects: int64(a.Whole(3)), Opportunities: int64(a.Whole(4)),
			}, yield.DefaultConfidence)
			return Figures{
				"first-pass": s.FirstPass.Value, "final": s.Final.Value, "DPU": s.DPU.Value, "DPO": s.DPO.Value,
				"DPMO":  s.DPMO.Value,
				"sigma": s.Sigma.Value, "e^-DPU": s.Throughput.Value,
				"DPU from": s.DPU.Low, "DPU to": s.DPU.High,
			}, nil
		},
		// judged and passed of each check
		"yield.Rolled": func(a *Args) (Figures, error) {
			var checks []yield.CheckCount
			for i := 0; i+1 < max(a.Len(), 2); i += 2 {
				checks = append(checks, yield.CheckCount{Check: fmt.Sprint(i / 2), Judged: int64(a.Whole(i)),
					Passed: int64(a.Whole(i + 1))})
			}
			r := yield.Rolled(checks, 0, yield.DefaultConfidence)
			return Figures{"rolled": r.Yield.Value, "normalised": r.Normalised.Value}, nil
		},
		"yield.DefectsPerMillion": func(a *Args) (Figures, error) {
			return Figures{"DPMO": yield.DefectsPerMillion(a.Number(0))}, nil
		},
		"yield.SigmaLevel": func(a *Args) (Figures, error) {
			return Figures{"sigma": yield.SigmaLevel(a.Number(0))}, nil
		},
		"statistics.FisherExact": func(a *Args) (Figures, error) {
			return Figures{"P": statistics.FisherExact(int64(a.Whole(0)), int64(a.Whole(1)), int64(a.Whole(2)),
				int64(a.Whole(3)))}, nil
		},
		"yield.HolmBonferroni": func(a *Args) (Figures, error) {
			var p []float64
			for i := range a.Len() {
				p = append(p, a.Number(i))
			}
			f := Figures{}
			for i, v := range yield.HolmBonferroni(p) {
				f[fmt.Sprint("P", i+1)] = v
			}
			return f, nil
		},
	}
}

func capability() map[string]Function {
	ends := func(low, high float64) (Figures, error) { return Figures{"from": low, "to": high}, nil }
	return map[string]Function{
		"yield.NewConstants": func(a *Args) (Figures, error) {
			c, err := yield.NewConstants(a.Whole(0))
			return Figures{
				"c4": c.C4, "d2": c.RangeMean, "d3": c.RangeSD, "A2": c.A2, "A3": c.A3, "B3": c.B3, "B4": c.B4,
				"D3": c.D3, "D4": c.D4, "E2": c.E2,
			}, err
		},
		"yield.NewIndices": func(a *Args) (Figures, error) {
			x := yield.NewIndices(a.Number(0), a.Number(1), a.limits(2))
			return Figures{"Cp": x.Cp, "Cpl": x.Cpl, "Cpu": x.Cpu, "Cpk": x.Cpk, "Cpm": x.Cpm, "k": x.K}, nil
		},
		"yield.CpInterval": func(a *Args) (Figures, error) {
			return ends(yield.CpInterval(a.Number(0), a.Number(1), a.Number(2)))
		},
		"yield.CpkInterval": func(a *Args) (Figures, error) {
			return ends(yield.CpkInterval(a.Number(0), a.Number(1), a.Number(2), a.Number(3)))
		},
		"yield.OutsideNormal": func(a *Args) (Figures, error) {
			below, above := yield.OutsideNormal(a.Number(0), a.Number(1), a.limits(2))
			return Figures{"ppm": 1e6 * (below + above)}, nil
		},
		"yield.Capability": func(a *Args) (Figures, error) {
			return figuresOf(yield.Capability(a.Data(0)[0], a.limits(1), yield.CapabilityOptions{})), nil
		},
		"yield.CapabilityOf": func(a *Args) (Figures, error) {
			return figuresOf(yield.CapabilityOf(subgroups(a.Data(0)), a.limits(1), yield.CapabilityOptions{
				Within: yield.Estimator(a.Text(4)), Freedom: a.Number(5),
			})), nil
		},
	}
}

// limits are arguments i to i+2: lower, upper, target.
func (a *Args) limits(i int) yield.Spec {
	return yield.Spec{Lower: a.Bound(i), Upper: a.Bound(i + 1), Target: a.Bound(i + 2)}
}

// subgroups of the rows of a data set.
func subgroups(rows [][]float64) []yield.Subgroup {
	all := yield.Singles(make([]float64, len(rows)))
	for i, r := range rows {
		all[i].Values = r
	}
	return all
}

func figuresOf(s yield.CapabilityStudy) Figures {
	f := Figures{"mean": s.Mean, "overall sigma": s.Overall, "within sigma": s.Within}
	for name, e := range map[string]*yield.Estimate{"Cp": s.Cp, "Cpl": s.Cpl, "Cpu": s.Cpu, "Cpk": s.Cpk, "Pp": s.Pp,
		"Ppk": s.Ppk, "Cpm": s.Cpm} {
		if e != nil {
			f[name], f[name+" from"], f[name+" to"] = e.Value, e.Low, e.High
		}
	}
	return f
}

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

// moments are those of each row of a data set.
func moments(data [][]float64) []yield.Moments {
	var all []yield.Moments
	for _, row := range data {
		m, _ := yield.MomentsOf("", "", row)
		all = append(all, m)
	}
	return all
}

// two are the first two rows of the data set that argument i names.
func (a *Args) two(i int) (x, y []float64) {
	data := a.Data(i)
	if len(data) < 2 {
		a.bad(i, "a data set of two groups")
		return nil, nil
	}
	return data[0], data[1]
}

func comparisons() map[string]Function {
	return map[string]Function{
		"statistics.FitLine": func(a *Args) (Figures, error) {
			var x, y []float64
			for _, p := range a.Data(0) {
				if len(p) == 2 {
					y, x = append(y, p[0]), append(x, p[1])
				}
			}
			l, err := statistics.FitLine(x, y)
			return Figures{"regression SS": l.RegressionSS, "residual SS": l.ResidualSS, "residual MS": l.ResidualMS},
				err
		},
		"yield.AnalyseVariance": func(a *Args) (Figures, error) {
			r, err := yield.AnalyseVariance(moments(a.Data(0)), yield.DefaultConfidence)
			if err != nil || r.F == nil {
				return nil, err
			}
			return Figures{
				"within MS": r.WithinMS, "F": *r.F, "P": *r.P, "between variance": r.BetweenVariance,
				"share": r.BetweenShare.Value, "share from": r.BetweenShare.Low, "share to": r.BetweenShare.High,
			}, nil
		},
		"yield.KruskalWallis": func(a *Args) (Figures, error) {
			h, p, _ := yield.KruskalWallis(a.Data(0))
			return Figures{"H": h, "P": p}, nil
		},
		"yield.BrownForsythe": func(a *Args) (Figures, error) {
			w, p, _ := yield.BrownForsythe(a.Data(0))
			return Figures{"W": w, "P": p}, nil
		},
		// the second group less the first
		"yield.WelchDifference": func(a *Args) (Figures, error) {
			x, y := a.two(0)
			m := moments([][]float64{x, y})
			d, t, df := yield.WelchDifference(m[0], m[1], yield.DefaultConfidence)
			return Figures{"difference": d.Value, "from": d.Low, "to": d.High, "t": t, "freedom": df}, nil
		},
		"yield.RankShift": func(a *Args) (Figures, error) {
			x, y := a.two(0)
			s, u, p := yield.RankShift(x, y, yield.DefaultConfidence)
			return Figures{"shift": s.Value, "from": s.Low, "to": s.High, "U": u, "P": p}, nil
		},
		"yield.SpreadRatio": func(a *Args) (Figures, error) {
			x, y := a.two(0)
			r := yield.SpreadRatio(x, y, yield.DefaultConfidence)
			return Figures{"ratio": r.Value, "from": r.Low, "to": r.High}, nil
		},
		// method, p-values
		"yield.Adjust": func(a *Args) (Figures, error) {
			method := yield.Correction(a.Text(0))
			var p []float64
			for i := 1; i < a.Len(); i++ {
				p = append(p, a.Number(i))
			}
			f, found := Figures{}, 0.0
			for i, v := range yield.Adjust(p, method) {
				f[fmt.Sprint("P", i+1)] = v
				if v <= 0.05 {
					found++
				}
			}
			f["found"] = found
			return f, nil
		},
	}
}
