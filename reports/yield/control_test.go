package yield

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func gaussian(seed uint64, n int, mean, sd float64) []float64 {
	random := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = mean + sd*random.NormFloat64()
	}
	return x
}

// No chart pretends: each special input has its own plain error.
func TestNoChart(t *testing.T) {
	good := Singles([]float64{1, 2, 3})
	for want, f := range map[string]func() (ControlChart, error){
		`individuals chart of a.b: not finite, count 1, of 3`: func() (ControlChart, error) {
			return NewChart(ChartIndividuals, Singles([]float64{1, math.NaN(), 3}), ChartOptions{Name: "a.b"})
		},
		`individuals chart: too few points, count 1`: func() (ControlChart, error) { return NewChart(ChartIndividuals, good[:1], ChartOptions{}) },
		`ewma chart: too few points, count 0`:        func() (ControlChart, error) { return NewChart(ChartEWMA, nil, ChartOptions{}) },
		`individuals chart: too few points, count 0`: func() (ControlChart, error) {
			return NewChart(ChartIndividuals, nil, ChartOptions{Baseline: &Baseline{Sigma: 1}})
		},
		`individuals chart: no spread`: func() (ControlChart, error) {
			return NewChart(ChartIndividuals, Singles([]float64{2, 2, 2}), ChartOptions{})
		},
		`cusum chart: no spread`:                          func() (ControlChart, error) { return NewChart(ChartCUSUM, Singles([]float64{2, 2, 2}), ChartOptions{}) },
		`individuals chart: not single, label 1, count 5`: func() (ControlChart, error) { return NewChart(ChartIndividuals, pistonRings, ChartOptions{}) },
		`means-sds chart: only singles`:                   func() (ControlChart, error) { return NewChart(ChartMeansSDs, good, ChartOptions{}) },
		`means-ranges chart: subgroup too large, count 30, most 25`: func() (ControlChart, error) {
			return NewChart(ChartMeansRanges, subgroupsOf(gaussian(1, 30, 0, 1), gaussian(2, 30, 0, 1)), ChartOptions{})
		},
		`individuals chart: there is no rule set "house"`:                                 func() (ControlChart, error) { return NewChart(ChartIndividuals, good, ChartOptions{Rules: "house"}) },
		`pie chart: there is no such chart of values`:                                     func() (ControlChart, error) { return NewChart("pie", good, ChartOptions{}) },
		`p chart: there is no such chart of values`:                                       func() (ControlChart, error) { return NewChart(ChartP, good, ChartOptions{}) },
		`ewma chart: there is no such chart of counts`:                                    func() (ControlChart, error) { return NewCountChart(ChartEWMA, talliesOf(chips, 50), ChartOptions{}) },
		`individuals chart: first beyond, first 7, count 3`:                               func() (ControlChart, error) { return NewChart(ChartIndividuals, good, ChartOptions{First: 7}) },
		`individuals chart: limits come from 2 first points at least, or from a baseline`: func() (ControlChart, error) { return NewChart(ChartIndividuals, good, ChartOptions{First: 1}) },
		`individuals chart: the baseline's centre and sigma must be numbers, and sigma not below 0`: func() (ControlChart, error) {
			return NewChart(ChartIndividuals, good, ChartOptions{Baseline: &Baseline{Sigma: math.NaN()}})
		},
		`ewma chart: lambda must be above 0 and up to 1, and the limit above 0`: func() (ControlChart, error) {
			return NewChart(ChartEWMA, good, ChartOptions{EWMA: EWMAOptions{Lambda: 2}})
		},
		`cusum chart: allowance and decision must be above 0`: func() (ControlChart, error) {
			return NewChart(ChartCUSUM, good, ChartOptions{CUSUM: CUSUMOptions{Decision: -1}})
		},
		`p chart: none failed`: func() (ControlChart, error) {
			return NewCountChart(ChartP, talliesOf([]int64{0, 0, 0}, 50), ChartOptions{})
		},
		`np chart: all failed`: func() (ControlChart, error) {
			return NewCountChart(ChartNP, talliesOf([]int64{9, 9}, 9), ChartOptions{})
		},
		`p chart: cannot be, label 2, failed 51, of 50`: func() (ControlChart, error) {
			return NewCountChart(ChartP, talliesOf([]int64{1, 51}, 50), ChartOptions{})
		},
		`u chart: too few points, count 0`: func() (ControlChart, error) {
			return NewCountChart(ChartU, talliesOf([]int64{1, 2}, 0), ChartOptions{})
		},
		`p-prime chart: no spread`: func() (ControlChart, error) {
			return NewCountChart(ChartPPrime, talliesOf([]int64{3, 3, 3}, 50), ChartOptions{})
		},
	} {
		c, err := f()
		require.EqualError(t, err, want)
		require.Empty(t, c.Panels)
	}
}

// Phase II: a step is judged by the limits of before, which it does not widen.
func TestBaseline(t *testing.T) {
	before := chart(t, ChartIndividuals, Singles(gaussian(3, 100, 10, 1)), ChartOptions{})
	require.Equal(t, Limits{From: LimitsFromThese, Points: 100}, before.Limits)
	after := Singles(gaussian(4, 30, 13, 1))
	before.Baseline.About = "lot 24A"
	for _, kind := range []ChartKind{ChartIndividuals, ChartEWMA, ChartCUSUM} {
		c := chart(t, kind, after, ChartOptions{Baseline: &before.Baseline})
		require.Equal(t, StateSignals, c.State, kind)
		require.Equal(t, Limits{From: LimitsGiven, Points: 100, About: "lot 24A"}, c.Limits)
		require.Greater(t, c.Signals, 10, kind)
		require.Equal(t, before.Baseline, c.Baseline)
		own := chart(t, kind, after, ChartOptions{})
		require.Less(t, own.Signals, 5, kind)
	}
	all := Singles(append(gaussian(3, 100, 10, 1), gaussian(4, 30, 13, 1)...))
	c := chart(t, ChartIndividuals, all, ChartOptions{First: 100})
	require.Equal(t, Limits{From: LimitsFromFirst, Points: 100}, c.Limits)
	require.InDelta(t, before.Baseline.Centre, c.Baseline.Centre, 1e-12)
	require.InDelta(t, before.Baseline.Sigma, c.Baseline.Sigma, 1e-12)
	require.Contains(t, fired(c.Panels[0], 4), 130)
	// One point can be judged by a baseline, all the same too.
	c = chart(t, ChartIndividuals, Singles([]float64{99}), ChartOptions{Baseline: &Baseline{Centre: 10, Sigma: 1}})
	require.Equal(t, []int{1}, fired(c.Panels[0], 1))
	require.Equal(t, StateSignals, c.State)
	require.Equal(t, &RuleHit{Rule: 1, Code: RuleBeyond, Side: SideAbove}, c.First)
}

// Subgroups of different size have limits of their own, and sigma of them all;
// for one size it is the plain mean.
func TestSubgroupsOfDifferentSize(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 9))
	var groups []Subgroup
	for i := range 2000 {
		x := make([]float64, 1+i%7)
		for j := range x {
			x[j] = 5 + 2*random.NormFloat64()
		}
		groups = append(groups, Subgroup{Label: "g", Values: x})
	}
	for _, kind := range []ChartKind{ChartMeansRanges, ChartMeansSDs} {
		c := chart(t, kind, groups, ChartOptions{})
		require.InDelta(t, 2, c.Baseline.Sigma, 0.05, kind)
		require.InDelta(t, 5, c.Baseline.Centre, 0.1, kind)
		require.Len(t, c.Panels[1].Points, 2000-286) // those of one value have no spread
		p, q := c.Panels[0].Points[0], c.Panels[0].Points[6]
		require.InEpsilon(t, 3*c.Baseline.Sigma, p.Upper-p.Centre, 1e-9)
		require.InEpsilon(t, 3*c.Baseline.Sigma/math.Sqrt(7), q.Upper-q.Centre, 1e-9)
		require.Contains(t, c.Cautions, remark(SizesDiffer))
		require.Equal(t, StateByChance, c.State)
		require.InEpsilon(t, c.Chance, float64(c.Signals), 0.4, kind)
	}
	c := chart(t, ChartCUSUM, groups, ChartOptions{})
	require.Equal(t, "sigma", c.Panels[0].Unit)
	c = chart(t, ChartEWMA, groups, ChartOptions{})
	require.InDelta(t, 2, c.Baseline.Sigma, 0.05)
}

// With large subgroups limits of means are narrow: it is said how little lies
// behind a signal.
func TestEffectIsSaid(t *testing.T) {
	var groups []Subgroup
	for i := range 40 {
		groups = append(groups, Subgroup{Label: "h", Values: gaussian(uint64(i), 400, 0.2*math.Sin(float64(i)), 1)})
	}
	c := chart(t, ChartMeansSDs, groups, ChartOptions{Unit: "A"})
	require.Equal(t, StateSignals, c.State)
	require.Len(t, c.Cautions, 1)
	require.Equal(t, MeansDifferLittle, c.Cautions[0].Code)
	size := c.Cautions[0].Args["size"].(Quantity)
	require.Equal(t, "A", size.Unit)
	require.InDelta(t, 0.15, size.Value, 0.05)
}

// How often EWMA and CUSUM signal where nothing has changed, and how soon they
// find a step of one sigma; fixed seed. CUSUM 465 and 10.4, EWMA about 560 and 10
// (from memory).
func TestRunLengths(t *testing.T) {
	base := &Baseline{Centre: 0, Sigma: 1}
	for kind, want := range map[ChartKind][2]float64{ChartCUSUM: {465, 10.4}, ChartEWMA: {560, 10}} {
		for i, shift := range []float64{0, 1} {
			n, rounds, off := 2000, 80, 0.3
			if i == 1 {
				n, rounds, off = 60, 300, 0.12
			}
			sum := 0.0
			for r := range rounds {
				c := chart(t, kind, Singles(gaussian(uint64(900+r), n, shift, 1)), ChartOptions{Baseline: base})
				first := n
				for _, h := range c.Rules {
					first = min(first, h.First)
				}
				sum += float64(first + 1)
			}
			require.InEpsilon(t, want[i], sum/float64(rounds), off, "%s, shift %v", kind, shift)
		}
	}
	x := Singles(gaussian(77, 50000, 0, 1))
	for _, kind := range []ChartKind{ChartCUSUM, ChartEWMA} {
		c := chart(t, kind, x, ChartOptions{Baseline: base})
		require.InEpsilon(t, c.Chance, float64(c.Signals), 0.25, kind)
		require.Equal(t, StateByChance, c.State)
	}
}

// Large groups that differ a little: p signals at most of them and says why, p'
// does not. Laney's sigma is that of the standardised points.
func TestLaney(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 3))
	var points []Tally
	for range 40 {
		p := 0.1 + 0.01*random.NormFloat64()
		points = append(points, Tally{Label: "d", Count: int64(math.Round(20000*p + math.Sqrt(20000*0.09)*random.NormFloat64())), Of: 20000})
	}
	p, err := NewCountChart(ChartP, points, ChartOptions{})
	require.NoError(t, err)
	require.Greater(t, p.Signals, 10)
	require.Len(t, p.Cautions, 1)
	require.Equal(t, MoreThanChanceWide, p.Cautions[0].Code)
	require.Equal(t, ChartPPrime, p.Cautions[0].Args["chart"])
	require.Greater(t, p.Cautions[0].Args["times"], 1.1)
	prime, err := NewCountChart(ChartPPrime, points, ChartOptions{})
	require.NoError(t, err)
	require.Equal(t, StateInControl, prime.State)
	require.Greater(t, prime.Baseline.Sigma, 3.0)
	a, b := p.Panels[0].Points[0], prime.Panels[0].Points[0]
	require.InEpsilon(t, prime.Baseline.Sigma, (b.Upper-b.Centre)/(a.Upper-a.Centre), 1e-9)
	// By hand: three points of 100, p = 0.2: z = -1.25, 0, 1.25; mean moving
	// range 1.25; sigma z = 1.25 / 1.12838.
	c, err := NewCountChart(ChartPPrime, talliesOf([]int64{15, 20, 25}, 100), ChartOptions{})
	require.NoError(t, err)
	require.InDelta(t, 1.25*math.Sqrt(math.Pi)/2, c.Baseline.Sigma, 1e-12)
	q := c.Panels[0].Points[0]
	require.InDeltaSlice(t, []float64{0.2, 0.2 - 0.12*c.Baseline.Sigma, 0.2 + 0.12*c.Baseline.Sigma}, []float64{q.Centre, q.Lower, q.Upper}, 1e-12)
}

// Varying n: each point has its own limits, cut off at 0 and 1.
func TestCountsOfDifferentSize(t *testing.T) {
	points := []Tally{{"a", time.Time{}, 3, 10}, {"b", time.Time{}, 30, 1000}, {"c", time.Time{}, 0, 0}, {"d", time.Time{}, 27, 990}}
	c, err := NewCountChart(ChartP, points, ChartOptions{})
	require.NoError(t, err)
	require.Len(t, c.Cautions, 4)
	require.Equal(t, []Remark{remark(NoUnits, 1), remark(RoughLimits, 3, 20)}, c.Cautions[:2])
	require.Equal(t, []Code{FewExpected, MoreThanChanceWide}, []Code{c.Cautions[2].Code, c.Cautions[3].Code})
	require.InDelta(t, 0.3, c.Cautions[2].Args["expected"], 1e-9)
	require.InDelta(t, 3.6, c.Cautions[3].Args["times"], 0.05)
	p := c.Panels[0].Points
	require.InDelta(t, 0.03, p[0].Centre, 1e-12)
	require.Zero(t, p[0].Lower)
	require.InDelta(t, 0.03+3*math.Sqrt(0.03*0.97/10), p[0].Upper, 1e-12)
	require.InDelta(t, 0.03-3*math.Sqrt(0.03*0.97/1000), p[1].Lower, 1e-12)
	require.Equal(t, []int{1}, fired(c.Panels[0], 1))
	u, err := NewCountChart(ChartU, points, ChartOptions{})
	require.NoError(t, err)
	require.InDelta(t, 0.03+3*math.Sqrt(0.03/10), u.Panels[0].Points[0].Upper, 1e-12)
	np, err := NewCountChart(ChartNP, points, ChartOptions{})
	require.NoError(t, err)
	require.InDeltaSlice(t, []float64{3, 0.3}, []float64{np.Panels[0].Points[0].Value, np.Panels[0].Points[0].Centre}, 1e-12)
	given, err := NewCountChart(ChartP, points[:1], ChartOptions{Baseline: &Baseline{Centre: 0.01}})
	require.NoError(t, err)
	require.Equal(t, []int{1}, fired(given.Panels[0], 1))

	groups := []Group{{Key: "24A", Counts: Counts{Units: 10, FirstPassed: 7, Defects: 5}}, {Key: "24B"}, {Key: "24C", Counts: Counts{Units: 4, FirstPassed: 4}}}
	require.Equal(t, []Tally{{Label: "24A", Count: 3, Of: 10}, {Label: "24C", Count: 0, Of: 4}}, FailedTallies(groups))
	require.Equal(t, []Tally{{Label: "24A", Count: 5, Of: 10}, {Label: "24C", Count: 0, Of: 4}}, DefectTallies(groups))
}

// Every chart can be written as JSON and read again: no number is infinite.
func TestChartsAsJSON(t *testing.T) {
	for _, k := range ChartKinds() {
		var c ControlChart
		var err error
		switch {
		case k.Counts():
			c, err = NewCountChart(k, talliesOf(chips, 50), ChartOptions{})
		case k == ChartIndividuals:
			c, err = NewChart(k, Singles(bottles), ChartOptions{Name: "a.b", Unit: "V", Rules: Nelson})
		default:
			c, err = NewChart(k, pistonRings, ChartOptions{})
		}
		require.NoError(t, err, k)
		data, err := json.Marshal(c)
		require.NoError(t, err, k)
		var again ControlChart
		require.NoError(t, json.Unmarshal(data, &again))
		twice, err := json.Marshal(again)
		require.NoError(t, err)
		require.JSONEq(t, string(data), string(twice))
		for _, p := range c.Panels {
			require.NotEmpty(t, p.Of)
			for _, q := range p.Points {
				require.LessOrEqual(t, q.Lower, q.Upper)
				require.NotEmpty(t, q.X)
			}
		}
	}
}

func TestCut(t *testing.T) {
	zone := time.FixedZone("", 2*3600)
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 3, day, hour, minute, 0, 0, zone).UTC() }
	s := Series{Name: "a.b", Points: []Point{
		{SerialNumber: "1", Lot: "24A", Station: "LQ-1", Nest: "A", Time: at(1, 5, 59), Value: 1},
		{SerialNumber: "2", Lot: "24B", Station: "LQ-1", Nest: "B", Time: at(1, 6, 0), Value: 2},
		{SerialNumber: "3", Lot: "24A", Station: "LQ-2", Nest: "A", Time: at(1, 22, 30), Value: 3},
		{SerialNumber: "4", Station: "LQ-2", Nest: "A", Time: at(2, 1, 0), Value: 4},
		{Run: "r5", Lot: "24B", Station: "LQ-1", Nest: "A", Time: at(2, 1, 40), Value: 5},
	}}
	for by, want := range map[string][]string{
		"":         {"1", "2", "3", "4", "r5"},
		"unit":     {"1", "2", "3", "4", "r5"},
		"hour":     {"2026-03-01 05:00", "2026-03-01 06:00", "2026-03-01 22:00", "2026-03-02 01:00"},
		"shift":    {"2026-02-28 22:00", "2026-03-01 06:00", "2026-03-01 22:00"},
		"day":      {"2026-03-01", "2026-03-02"},
		"week":     {"2026-W09", "2026-W10"},
		"lot":      {"24A", "24B", "none"},
		"revision": {"none"},
		"station":  {"LQ-1", "LQ-2"},
		"nest":     {"LQ-1 A", "LQ-1 B", "LQ-2 A"},
		"operator": {"none"},
	} {
		groups, err := Cut(s, Cutting{By: by, Zone: zone})
		require.NoError(t, err)
		var labels []string
		n := 0
		for _, g := range groups {
			labels = append(labels, g.Label)
			for i, m := range g.Members {
				require.Equal(t, s.Points[m].Value, g.Values[i])
				n++
			}
		}
		require.Equal(t, want, labels, by)
		require.Equal(t, 5, n, by)
	}
	groups, err := Cut(s, Cutting{By: "lot"})
	require.NoError(t, err)
	require.Equal(t, []int{0, 2}, groups[0].Members)
	groups, err = Cut(s, Cutting{Every: 2})
	require.NoError(t, err)
	require.Equal(t, []string{"1 to 2", "3 to 4"}, []string{groups[0].Label, groups[1].Label})
	require.Len(t, groups, 2) // the rest is left out
	groups, err = Cut(s, Cutting{By: "shift", Zone: zone, Shifts: []time.Duration{90 * time.Minute}})
	require.NoError(t, err)
	require.Equal(t, "2026-02-28 01:30", Subgroup(firstGroup(t, s, zone)).Label)
	require.Len(t, groups, 2)
	for _, c := range []Cutting{{By: "moon"}, {Every: -1}, {By: "lot", Every: 2}} {
		_, err := Cut(s, c)
		require.ErrorContains(t, err, "subgroups of a.b: ")
	}
	none, err := Cut(Series{}, Cutting{By: "lot"})
	require.NoError(t, err)
	require.Empty(t, none)
	half := time.FixedZone("", 5*3600+1800)
	groups, err = Cut(Series{Points: []Point{{Time: time.Date(2026, 3, 1, 0, 45, 0, 0, time.UTC)}}}, Cutting{By: "hour", Zone: half})
	require.NoError(t, err)
	require.Equal(t, "2026-03-01 06:00", groups[0].Label)
}

// firstGroup is the shift before the day's first one.
func firstGroup(t *testing.T, s Series, zone *time.Location) Subgroup {
	t.Helper()
	s.Points = []Point{{Time: time.Date(2026, 3, 1, 1, 0, 0, 0, zone)}}
	groups, err := Cut(s, Cutting{By: "shift", Zone: zone, Shifts: []time.Duration{90 * time.Minute}})
	require.NoError(t, err)
	return groups[0]
}

func BenchmarkIndividuals(b *testing.B) {
	x := Singles(gaussian(1, 10000, 0, 1))
	for b.Loop() {
		if _, err := NewChart(ChartIndividuals, x, ChartOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
