package selfcheck

import (
	"fullthrow/reports/yield"
)

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
