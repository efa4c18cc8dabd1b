package selfcheck

import (
	"fmt"

	"fullthrow/reports/statistics"
	"fullthrow/reports/yield"
)

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
