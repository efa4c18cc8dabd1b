package yield

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports/statistics"
)

// Data sets of published examples.

// bottles are 20 volumes (SixSigma package, ss.data.ca).
var bottles = []float64{755.81, 750.54, 751.05, 749.52, 749.21, 748.38, 748.11, 753.07, 749.56, 750.08,
	747.16, 747.53, 749.22, 746.76, 747.64, 750.46, 749.27, 750.33, 750.26, 751.29}

// pistonRings are 25 subgroups of 5 (Montgomery, Introduction to Statistical
// Quality Control, 2nd ed., pp. 206-213).
var pistonRings = subgroupsOf(
	[]float64{74.030, 74.002, 74.019, 73.992, 74.008}, []float64{73.995, 73.992, 74.001, 74.011, 74.004}, []float64{73.988, 74.024, 74.021, 74.005, 74.002}, []float64{74.002, 73.996, 73.993, 74.015, 74.009},
	[]float64{73.992, 74.007, 74.015, 73.989, 74.014}, []float64{74.009, 73.994, 73.997, 73.985, 73.993}, []float64{73.995, 74.006, 73.994, 74.000, 74.005}, []float64{73.985, 74.003, 73.993, 74.015, 73.988},
	[]float64{74.008, 73.995, 74.009, 74.005, 74.004}, []float64{73.998, 74.000, 73.990, 74.007, 73.995}, []float64{73.994, 73.998, 73.994, 73.995, 73.990}, []float64{74.004, 74.000, 74.007, 74.000, 73.996},
	[]float64{73.983, 74.002, 73.998, 73.997, 74.012}, []float64{74.006, 73.967, 73.994, 74.000, 73.984}, []float64{74.012, 74.014, 73.998, 73.999, 74.007}, []float64{74.000, 73.984, 74.005, 73.998, 73.996},
	[]float64{73.994, 74.012, 73.986, 74.005, 74.007}, []float64{74.006, 74.010, 74.018, 74.003, 74.000}, []float64{73.984, 74.002, 74.003, 74.005, 73.997}, []float64{74.000, 74.010, 74.013, 74.020, 74.003},
	[]float64{73.988, 74.001, 74.009, 74.005, 73.996}, []float64{74.004, 73.999, 73.990, 74.006, 74.009}, []float64{74.010, 73.989, 73.990, 74.009, 74.014}, []float64{74.015, 74.008, 73.993, 74.000, 74.010},
	[]float64{73.982, 73.984, 73.995, 74.017, 74.013})

var (
	flowRate  = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	nistCUSUM = []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	nistEWMA = []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	wafers   = []int64{16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13}
	chips    = []int64{12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6}
)

func subgroupsOf(values ...[]float64) []Subgroup {
	all := Singles(make([]float64, len(values)))
	for i, v := range values {
		all[i].Values = v
	}
	return all
}

func talliesOf(counts []int64, of int64) []Tally {
	var all []Tally
	for _, s := range Singles(make([]float64, len(counts))) {
		all = append(all, Tally{Label: s.Label, Count: counts[len(all)], Of: of})
	}
	return all
}

func spec(lower, upper, target float64) Spec {
	s := Spec{}
	for _, v := range []struct {
		to   **float64
		from float64
	}{{&s.Lower, lower}, {&s.Upper, upper}, {&s.Target, target}} {
		if !math.IsNaN(v.from) {
			*v.to = &v.from
		}
	}
	return s
}

func chart(t *testing.T, kind ChartKind, groups []Subgroup, o ChartOptions) ControlChart {
	t.Helper()
	c, err := NewChart(kind, groups, o)
	require.NoError(t, err)
	return c
}

// fired are the points, from 1, of a panel at which a rule fired.
func fired(p Panel, rule int) []int {
	var all []int
	for i, q := range p.Points {
		for _, r := range q.Rules {
			if r == rule {
				all = append(all, i+1)
			}
		}
	}
	return all
}

func valuesOf(p Panel) []float64 {
	var all []float64
	for _, q := range p.Points {
		all = append(all, q.Value)
	}
	return all
}

// e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2, printed to four decimals;
// intervals for n = 50 re-computed with other software from its formulas.
func TestHandbookCapability(t *testing.T) {
	x := NewIndices(16, 2, spec(8, 20, 14))
	require.InDeltaSlice(t, []float64{1, 0.6667, 1.3333, 0.6667, 0.3333}, []float64{x.Cp, x.Cpu, x.Cpl, x.Cpk, x.K}, 5e-5)
	require.InDelta(t, x.Cp*(1-x.K), x.Cpk, 1e-12)
	require.InDelta(t, 0.70710678, x.Cpm, 1e-8) // re-computed
	low, high := CpInterval(x.Cp, 49, 0.95)
	require.InDeltaSlice(t, []float64{0.8024823282, 1.1971259253}, []float64{low, high}, 1e-9)
	low, high = CpkInterval(x.Cpk, 50, 49, 0.95)
	require.InDeltaSlice(t, []float64{0.5055513133, 0.8277820201}, []float64{low, high}, 1e-9)
}

// Share outside limits of a centred normal process, re-computed with other
// software.
func TestFallout(t *testing.T) {
	for cp, ppm := range map[float64]float64{1: 2699.796, 1.33: 66.0733, 4.0 / 3: 63.3425, 1.67: 0.54430, 2: 0.00197318} {
		below, above := OutsideNormal(0, 1, spec(-3*cp, 3*cp, math.NaN()))
		require.InEpsilon(t, ppm, 1e6*(below+above), 1e-5)
	}
}

// SixSigma package's tests, ss.data.ca: its Cp and Cpk go by the standard
// deviation of all values, here Pp and Ppk.
func TestBottles(t *testing.T) {
	s := Capability(bottles, spec(740, 760, math.NaN()), CapabilityOptions{})
	require.Nil(t, s.Problem)
	require.InEpsilon(t, 749.7625, s.Mean, 1e-12)
	require.InEpsilon(t, 2.104195995974157, s.Overall, 1e-12)
	require.InEpsilon(t, 1.58413633507089, s.Pp.Value, 1e-12)
	require.InEpsilon(t, 1.54651309711296, s.Ppk.Value, 1e-12)
	require.InEpsilon(t, 4.63953929133888, 3*s.Ppk.Value, 1e-12) // "Z"
	require.Equal(t, EstimatorMovingRange, s.By)
	require.Zero(t, s.Observed.Count)
}

// Piston rings: re-computed with other software, and as in the documentation
// of the qcc package (from memory) to three decimals, with exact constants and
// with printed ones.
func TestPistonRings(t *testing.T) {
	o := CapabilityOptions{Within: EstimatorMeanRange, Freedom: 124}
	limits := spec(73.95, 74.05, 74)
	s := CapabilityOf(pistonRings, limits, o)
	require.InDelta(t, 74.001176, s.Mean, 1e-9)
	require.InDelta(t, 0.01006996813, s.Overall, 1e-11)
	require.InDelta(t, 0.00978533761, s.Within, 1e-11)
	ends := func(e *Estimate) []float64 { return []float64{e.Value, e.Low, e.High} }
	require.InDeltaSlice(t, []float64{1.70322858, 1.49136533, 1.91476788}, ends(s.Cp), 1e-7)
	require.InDeltaSlice(t, []float64{1.703, 1.491, 1.915}, ends(s.Cp), 5e-4)
	require.InDelta(t, 1.74328851, s.Cpl.Value, 1e-7)
	require.InDeltaSlice(t, []float64{1.66316864, 1.44808424, 1.87825304}, ends(s.Cpk), 1e-7)
	require.InDeltaSlice(t, []float64{1.663, 1.448, 1.878}, ends(s.Cpk), 5e-4)
	require.InDelta(t, 1.66316864, s.Cpu.Value, 1e-7)
	// Their Cpm goes by the sigma within; the study's by that of all values.
	require.InDelta(t, 1.69106021, NewIndices(s.Mean, s.Within, limits).Cpm, 1e-7)
	require.InDelta(t, 1.691, NewIndices(s.Mean, s.Within, limits).Cpm, 5e-4)
	require.InDelta(t, NewIndices(s.Mean, s.Overall, limits).Cpm, s.Cpm.Value, 1e-15)

	for by, want := range map[Estimator][2]float64{
		EstimatorPooled: {0.00986285963, 100}, EstimatorMeanSD: {0.00982997673, 25 * 0.5 * square(C4(5)) / (1 - square(C4(5)))}, EstimatorMeanRange: {0.00978533761, 90.57},
	} {
		s := CapabilityOf(pistonRings, limits, CapabilityOptions{Within: by})
		require.InDelta(t, want[0], s.Within, 1e-11, by)
		require.InDelta(t, want[1], s.Freedom, 0.01, by)
		require.Equal(t, by, s.By)
	}

	exact := chart(t, ChartMeansRanges, pistonRings, ChartOptions{})
	require.InDelta(t, 0.02276, exact.Panels[1].Centre, 1e-12)
	require.InDelta(t, 0.00978533761, exact.Baseline.Sigma, 1e-11)
	p := exact.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{73.98804759, 74.01430441}, []float64{p.Lower, p.Upper}, 5e-9)
	require.InDelta(t, 0.04812600, exact.Panels[1].Points[0].Upper, 5e-9)
	require.Zero(t, exact.Panels[1].Points[0].Lower)
	printed := chart(t, ChartMeansRanges, pistonRings, ChartOptions{PrintedConstants: true}) // A2 0.577, D4 2.114, d2 2.326
	require.InDelta(t, 0.00978503869, printed.Baseline.Sigma, 1e-11)
	p = printed.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{73.98804348, 74.01430852}, []float64{p.Lower, p.Upper}, 5e-9)
	require.InDelta(t, 0.04811464, printed.Panels[1].Points[0].Upper, 5e-9)
	sds := chart(t, ChartMeansSDs, pistonRings, ChartOptions{})
	require.InDelta(t, 0.00924003660, sds.Panels[1].Centre, 1e-11)
	p = sds.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{73.98798771, 74.01436430}, []float64{p.Lower, p.Upper}, 1e-8) // re-computed with A3 to six decimals
	require.InDelta(t, 0.01930242, sds.Panels[1].Points[0].Upper, 5e-9)
	for _, c := range []ControlChart{exact, printed, sds} { // no point out
		require.Empty(t, append(fired(c.Panels[0], 1), fired(c.Panels[1], 1)...), c.Kind)
	}
}

// e-Handbook 6.3.2.2, flow rate: printed with d2 = 1.128.
func TestHandbookIndividuals(t *testing.T) {
	c := chart(t, ChartIndividuals, Singles(flowRate), ChartOptions{PrintedConstants: true})
	require.InDelta(t, 50.81, c.Panels[0].Centre, 5e-3)
	p := c.Panels[0].Points[9]
	require.InDeltaSlice(t, []float64{45.8159, 55.8041}, []float64{p.Lower, p.Upper}, 5e-5)
	require.InDeltaSlice(t, []float64{45.81591017, 55.80408983}, []float64{p.Lower, p.Upper}, 5e-9) // re-computed
	require.InDeltaSlice(t, []float64{2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5}, valuesOf(c.Panels[1]), 1e-9)
	require.InDelta(t, 1.8778, c.Panels[1].Centre, 5e-5)
	require.InDelta(t, 6.1347, c.Panels[1].Points[0].Upper, 5e-5) // 3.267 MRbar
	require.Equal(t, StateInControl, c.State)
	require.Equal(t, 0, c.Signals)
	exact := chart(t, ChartIndividuals, Singles(flowRate), ChartOptions{})
	p = exact.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{45.81758832, 55.80241168}, []float64{p.Lower, p.Upper}, 5e-9) // re-computed, exact d2
	_, s := statistics.MeanSD(flowRate)
	require.InDelta(t, 2.03385239, s, 5e-9)
}

// e-Handbook 6.3.2.3: target 325, k = 0.3175, h = 4.1959, sigma of means 0.635.
func TestHandbookCUSUM(t *testing.T) {
	c := chart(t, ChartCUSUM, Singles(nistCUSUM), ChartOptions{
		Baseline: &Baseline{Centre: 325, Sigma: 0.635}, CUSUM: CUSUMOptions{Allowance: 0.5, Decision: 4.1959 / 0.635},
	})
	require.InDeltaSlice(t, []float64{0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035}, valuesOf(c.Panels[0]), 1e-9)
	require.InDeltaSlice(t, []float64{0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}, valuesOf(c.Panels[1]), 1e-9)
	require.InDelta(t, 4.1959, c.Panels[0].Points[0].Upper, 1e-12)
	require.Equal(t, []int{14, 15, 16, 17, 18, 19, 20}, fired(c.Panels[0], 1))
	require.Len(t, c.Rules, 1)
	require.Equal(t, []int{12, 13, 19}, []int{c.Rules[0].From, c.Rules[0].First, c.Rules[0].To}) // began at 13, seen at 14
	require.Equal(t, RuleSum, c.Rules[0].Code)
	require.Equal(t, SideAbove, c.Rules[0].Side)
	require.InDelta(t, 2.787, c.Rules[0].Size, 5e-4)
}

// e-Handbook 6.3.2.4: start 50, s = 2.0539, lambda 0.3, k = 3.
func TestHandbookEWMA(t *testing.T) {
	base := &Baseline{Centre: 50, Sigma: 2.0539}
	c := chart(t, ChartEWMA, Singles(nistEWMA), ChartOptions{Baseline: base, EWMA: EWMAOptions{Lambda: 0.3, Asymptotic: true}})
	require.InDeltaSlice(t, []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99},
		valuesOf(c.Panels[0]), 0.005)
	require.InDeltaSlice(t, []float64{50.6, 49.52, 50.564, 50.1848, 50.15936, 49.211552, 49.7480864, 49.85366048, 50.257562336, 50.3302936352, 50.11120554, 49.35784388, 49.52049072,
		50.05434350, 49.37804045, 49.92462832, 50.72723982, 51.22906787, 51.94034751, 51.98824326}, valuesOf(c.Panels[0]), 1e-6) // re-computed
	p := c.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{47.4115, 52.5884}, []float64{p.Lower, p.Upper}, 1e-4) // the print cuts 47.41157 off
	require.InDeltaSlice(t, []float64{47.41156826, 52.58843174}, []float64{p.Lower, p.Upper}, 1e-8)
	require.Equal(t, StateInControl, c.State)
	c = chart(t, ChartEWMA, Singles(nistEWMA), ChartOptions{Baseline: base, EWMA: EWMAOptions{Lambda: 0.3}})
	var upper []float64
	for _, p := range c.Panels[0].Points[:5] {
		upper = append(upper, p.Upper)
	}
	require.InDeltaSlice(t, []float64{51.84851, 52.25639401, 52.43140557, 52.51271535, 52.55161146}, upper, 1e-8) // re-computed
	// The values themselves trip Western Electric rule 3 at point 20: 4 of the
	// last 5 above one sigma.
	c = chart(t, ChartIndividuals, Singles(nistEWMA), ChartOptions{Baseline: base})
	require.Equal(t, []int{20}, fired(c.Panels[0], 3))
	for _, h := range c.Rules {
		if h.Rule == 3 {
			require.Equal(t, RuleHit{Rule: 3, Code: RuleFourOfFive, Side: SideAbove, From: 16, First: 19, To: 19}, h)
		}
	}
}

// e-Handbook 6.3.3.1 (defects on wafers) and 6.3.3.2 (chips of 50).
func TestHandbookCounts(t *testing.T) {
	c, err := NewCountChart(ChartC, talliesOf(wafers, 1), ChartOptions{})
	require.NoError(t, err)
	p := c.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{16, 28, 4}, []float64{p.Centre, p.Upper, p.Lower}, 1e-12)
	require.Equal(t, []int{24}, fired(c.Panels[0], 1)) // wafer 3 is on the limit
	require.Empty(t, c.Cautions)

	c, err = NewCountChart(ChartP, talliesOf(chips, 50), ChartOptions{})
	require.NoError(t, err)
	p = c.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{0.2313, 0.4102, 0.0524}, []float64{p.Centre, p.Upper, p.Lower}, 5e-5)
	require.InDeltaSlice(t, []float64{0.2313333333, 0.4102391186, 0.0524275481}, []float64{p.Centre, p.Upper, p.Lower}, 5e-11) // re-computed
	require.Equal(t, []int{15, 23}, fired(c.Panels[0], 1))
	require.InDelta(t, 0.44, c.Panels[0].Points[14].Value, 1e-12)
	np, err := NewCountChart(ChartNP, talliesOf(chips, 50), ChartOptions{})
	require.NoError(t, err)
	require.InDelta(t, 50*p.Upper, np.Panels[0].Points[0].Upper, 1e-9)
	require.Equal(t, []int{15, 23}, fired(np.Panels[0], 1))
}
