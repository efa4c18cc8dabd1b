package selfcheck

import (
	"fmt"

	"gonum.org/v1/gonum/stat/distuv"

	"fullthrow/reports"
	"fullthrow/runner/limits"
)

// process is a distribution by name and two parameters: "normal", mean, sd;
// "gamma", shape, scale.
func process(a *Args, i int) limits.Process {
	switch name := a.Text(i); name {
	case "normal":
		return distuv.Normal{Mu: a.Number(i + 1), Sigma: a.Number(i + 2)}
	case "gamma":
		return distuv.Gamma{Alpha: a.Number(i + 1), Beta: 1 / a.Number(i+2)}
	}
	a.bad(i, "a distribution")
	return distuv.UnitNormal
}

func decisions() map[string]Function {
	return map[string]Function{
		// estimate, standard uncertainty, lower, upper limit
		"limits.Conformance": func(a *Args) (Figures, error) {
			return Figures{"probability": limits.Conformance(a.Number(0), a.Number(1), a.Bound(2), a.Bound(3))}, nil
		},
		// distribution and its two parameters, standard uncertainty, lower, upper limit, guard band
		"limits.GlobalRisk": func(a *Args) (Figures, error) {
			r, err := limits.GlobalRisk(process(a, 0), a.Number(3), a.Bound(4), a.Bound(5), a.Number(6))
			return Figures{"consumer's risk": r.Consumer, "producer's risk": r.Producer}, err
		},
		// the same, but the consumer's risk instead of the guard band
		"limits.GuardBand": func(a *Args) (Figures, error) {
			w, err := limits.GuardBand(process(a, 0), a.Number(3), a.Bound(4), a.Bound(5), a.Number(6))
			f := Figures{"guard band": w}
			if upper := a.Bound(5); upper != nil {
				f["accepted up to"] = *upper - w
			}
			return f, err
		},
		// lower, upper limit, guard (0: simple acceptance), value, expanded
		// uncertainty, all in a limits file's unit mm
		"limits.Judge": func(a *Args) (Figures, error) {
			rule := "rule = \"simple\"\n"
			if a.Number(2) > 0 {
				rule = fmt.Sprintf("rule = \"guarded\"\nguard = %v\n", a.Number(2))
			}
			text := fmt.Sprintf("product = \"p\"\n[c.r]\nlower = %v\nupper = %v\nunit = \"mm\"\nwhy = \"w\"\n%s",
				a.Number(0), a.Number(1), rule)
			set, err := limits.Parse("limits.toml", []byte(text))
			if err != nil {
				return nil, err
			}
			r := set.Judge("c", "r", limits.Indication{Value: reports.Number(a.Number(3)), Unit: "mm",
				Uncertainty: a.Number(4)})
			return Figures{"verdict": string(r.Verdict)}, nil
		},
	}
}
