package selfcheck

import (
	"fmt"

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
