package yield

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestPareto(t *testing.T) {
	c := Counts{Units: 1000, FirstPassed: 900}
	p := Pareto(c, []FailureCount{
		{Name: "switches", Units: 10}, {Name: "tune", Units: 60, Runs: 75}, {Name: "centre", Units: 10}, {Name: "link", Units: 20},
		{Name: "restart", Units: 5}, {Name: "standby", Units: 10}, {Name: "inrush", Runs: 2},
	}, ParetoOptions{Most: 5})
	var names []string
	for _, b := range p.Bars {
		names = append(names, b.Name)
	}
	require.Equal(t, []string{"tune", "link", "centre", "standby", "switches"}, names)
	require.Equal(t, []int64{1000, 100, 115, 0}, []int64{p.Units, p.Failed, p.Findings, p.Unnamed})
	b := p.Bars[0]
	require.Equal(t, []float64{0.06, 0.6, 60. / 115}, []float64{b.OfTested.Value, b.OfFailed.Value, b.Cumulative})
	require.Equal(t, NewShare(60, 1000, 0.95), b.OfTested)
	// 80 % of 115 is 92: reached with the third bar, with which two more tie.
	require.Equal(t, 5, p.VitalFew)
	require.True(t, p.Bars[4].Vital)
	require.Equal(t, &Others{Kinds: 2, Findings: 5, OfFindings: 5. / 115}, p.Others)
	require.Equal(t, 0.96, p.WouldBe(b))

	p = Pareto(c, []FailureCount{{Name: "a", Units: 70}, {Name: "b", Units: 20}}, ParetoOptions{Cut: 0.5})
	require.Equal(t, []int64{1, 10}, []int64{int64(p.VitalFew), p.Unnamed})
	require.False(t, p.Bars[1].Vital)
	require.Nil(t, p.Others)
}

func TestParetoOfNothing(t *testing.T) {
	p := Pareto(Counts{}, nil, ParetoOptions{})
	require.Empty(t, p.Bars)
	require.Equal(t, 0, p.VitalFew)
	require.True(t, math.IsNaN(p.WouldBe(Bar{})))
	p = Pareto(Counts{Units: 10, FirstPassed: 10}, []FailureCount{{Name: "a", Runs: 1}}, ParetoOptions{})
	require.Equal(t, []int64{0, 0}, []int64{int64(p.VitalFew), p.Findings})
	require.Equal(t, 0.0, p.Bars[0].Cumulative)
	require.False(t, p.Bars[0].OfFailed.Known())
	_, err := json.Marshal(p)
	require.NoError(t, err)
	// None passed.
	p = Pareto(Counts{Units: 4}, []FailureCount{{Name: "a", Units: 4}}, ParetoOptions{})
	require.Equal(t, []float64{1, 1, 1}, []float64{p.Bars[0].OfTested.Value, p.Bars[0].OfFailed.Value, p.WouldBe(p.Bars[0])})
}

// Whatever the order given, bars fall, cumulative shares rise to 1, and the
// vital few are as few as can be.
func TestParetoOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for range 200 {
		var f []FailureCount
		for i := range 1 + rng.IntN(12) {
			f = append(f, FailureCount{Name: strconv.Itoa(i), Units: rng.Int64N(6)})
		}
		c := Counts{Units: 100, FirstPassed: 90}
		p := Pareto(c, f, ParetoOptions{})
		rng.Shuffle(len(f), func(i, j int) { f[i], f[j] = f[j], f[i] })
		require.Equal(t, p, Pareto(c, f, ParetoOptions{}))
		for i, b := range p.Bars[1:] {
			a := p.Bars[i]
			require.True(t, a.Units > b.Units || a.Units == b.Units && a.Name < b.Name)
			require.LessOrEqual(t, a.Cumulative, b.Cumulative)
		}
		if p.Findings == 0 {
			continue
		}
		require.Equal(t, 1.0, p.Bars[len(p.Bars)-1].Cumulative)
		require.GreaterOrEqual(t, p.Bars[p.VitalFew-1].Cumulative, 0.8-1e-9)
		for i, b := range p.Bars {
			require.Equal(t, i < p.VitalFew, b.Vital)
			if i > 0 && b.Vital && b.Units < p.Bars[i-1].Units { // needed
				require.Less(t, p.Bars[i-1].Cumulative, 0.8)
			}
		}
		cut := Pareto(c, f, ParetoOptions{Most: 3})
		if cut.Others != nil {
			sum := cut.Others.Findings
			for _, b := range cut.Bars {
				sum += b.Units
			}
			require.Equal(t, cut.Findings, sum)
			require.Equal(t, len(f), len(cut.Bars)+cut.Others.Kinds)
			require.Equal(t, p.VitalFew, cut.VitalFew)
		}
	}
}
