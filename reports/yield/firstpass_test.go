package yield

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// 1000 units in, 50 reworked good, 30 scrapped: textbook definitions of
// first-pass and final yield (common practice).
func TestFirstPassAndFinal(t *testing.T) {
	s := Summarise(Counts{
		Runs: 1100, Passed: 970, Failed: 110, Errors: 15, Aborted: 5, Units: 1000, FirstPassed: 920, FinalPassed: 970,
		Retested: 80, Retests: 80, NoFaultFound: 20, Repaired: 30, Defects: 90, Opportunities: 10_000,
	}, 0)
	require.Equal(t, 0.920, s.FirstPass.Value)
	require.Equal(t, 0.970, s.Final.Value)
	require.Equal(t, 0.08, s.Retested.Value)
	require.Equal(t, Share{20, 80, 0.25, s.NoFaultFound.Low, s.NoFaultFound.High, 0.95, MethodWilson}, s.NoFaultFound)
	require.Equal(t, 0.03, s.Repaired.Value)
	require.Equal(t, int64(80), s.Counts.FirstFailed())
	require.Empty(t, s.Notes)
}

// Definitions of DPU, DPO, DPMO, sigma level and throughput yield: common
// practice; digits re-computed. The page that prints 25000 and about 3.45 for
// the last case takes 1 - DPU = 0.85 for the throughput yield; Poisson's e^-DPU
// is used here.
func TestDefects(t *testing.T) {
	tests := []struct {
		name                         string
		units, defects, opportunites int64
		dpu, dpo, dpmo, sigma, yield float64
	}{
		{"30 on 100 units", 100, 30, 1000, 0.3, 0.03, 30000, 3.3807936082, 0.7408182207},
		{"34 on 750 units", 750, 34, 7500, 34. / 750, 34. / 7500, 4533.3333333, 4.1095301099, 0.9556788691},
		{"60 on 400 orders", 400, 60, 2400, 0.15, 0.025, 25000, 3.459964, 0.860707976},
	}
	for _, tt := range tests {
		c := Counts{Runs: tt.units, Passed: tt.units, Units: tt.units, FirstPassed: tt.units, FinalPassed: tt.units, Defects: tt.defects, Opportunities: tt.opportunites}
		s := Summarise(c, 0.95)
		require.InDelta(t, tt.dpu, s.DPU.Value, 1e-15, tt.name)
		require.InDelta(t, tt.dpo, s.DPO.Value, 1e-15, tt.name)
		require.InDelta(t, tt.dpmo, s.DPMO.Value, 1e-7, tt.name)
		require.InDelta(t, tt.sigma, s.Sigma.Value, 5e-7, tt.name)
		require.InDelta(t, tt.yield, s.Throughput.Value, 5e-8, tt.name)
		for _, e := range []Estimate{s.DPU, s.DPMO, s.Sigma, s.Throughput} {
			require.True(t, e.Low < e.Value && e.Value < e.High, "%s: %+v", tt.name, e)
		}
	}
	// The exact interval of 10 events (Garwood 1936, re-computed), on 100 units.
	s := Summarise(Counts{Units: 100, Defects: 10, Opportunities: 100}, 0.95)
	require.InDelta(t, 0.04795388696, s.DPU.Low, 1e-11)
	require.InDelta(t, 0.18390356042, s.DPU.High, 1e-11)
	require.InDelta(t, math.Exp(-s.DPU.High), s.Throughput.Low, 1e-15)
}

func TestSummaryOfNothingAndOfNoFailure(t *testing.T) {
	nothing := Summarise(Counts{}, 0.95)
	for _, s := range []Share{nothing.FirstPass, nothing.Final, nothing.Retested, nothing.NoFaultFound, nothing.DPO} {
		require.False(t, s.Known())
	}
	require.False(t, nothing.DPU.Known() || nothing.DPMO.Known() || nothing.Sigma.Known() || nothing.Throughput.Known())
	require.Equal(t, []float64{0, 1}, []float64{nothing.Throughput.Low, nothing.Throughput.High})
	require.Equal(t, []Remark{remark(NoneTested)}, nothing.Notes)
	_, err := json.Marshal(nothing)
	require.NoError(t, err)

	require.Equal(t, []Remark{remark(NoneJudged)}, Summarise(Counts{Runs: 3, Errors: 3}, 0.95).Notes)

	all := Summarise(Counts{Runs: 50, Passed: 50, Units: 50, FirstPassed: 50, FinalPassed: 50, Opportunities: 500}, 0.95)
	require.Equal(t, 1.0, all.FirstPass.Value)
	require.InDelta(t, 0.9287, all.FirstPass.Low, 1e-4)
	require.False(t, all.NoFaultFound.Known())
	require.Equal(t, []float64{0, 0, 1, 1, math.Inf(1), math.Inf(1)}, []float64{all.DPU.Value, all.DPMO.Value, all.Throughput.Value, all.Throughput.High, all.Sigma.Value, all.Sigma.High})
	require.InDelta(t, 3.688879454/50, all.DPU.High, 1e-10)
	require.True(t, all.Sigma.Low > 3 && all.Sigma.Low < 5)
	_, err = json.Marshal(all)
	require.NoError(t, err)

	none := Summarise(Counts{Runs: 10, Failed: 10, Units: 10, Defects: 30, Opportunities: 100}, 0.95)
	require.Equal(t, []float64{0, 0, 3}, []float64{none.FirstPass.Value, none.FirstPass.Low, none.DPU.Value})
	require.Greater(t, none.Throughput.Value, 0.0) // where 1 - DPU would be -2

	wrong := Summarise(Counts{Runs: 10, Passed: 11, Units: 10, FirstPassed: 11}, 0.95)
	require.False(t, wrong.FirstPass.Known())
	require.Equal(t, remark(CountsUnsound), wrong.Notes[0])
}

// countsAtRandom are counts that can be.
func countsAtRandom(rng *rand.Rand) Counts {
	upTo := func(n int64) int64 { return rng.Int64N(n + 1) }
	c := Counts{Units: upTo(500)}
	c.FirstPassed, c.FinalPassed, c.Retested, c.Repaired = upTo(c.Units), upTo(c.Units), upTo(c.Units), upTo(c.Units)
	c.Retests = c.Retested + upTo(50)
	c.NoFaultFound = upTo(c.Units - c.FirstPassed)
	c.Opportunities = 10 * c.Units
	c.Defects = upTo(c.Opportunities)
	c.Passed = upTo(c.Units + c.Retests)
	c.Failed, c.Errors, c.Aborted = c.Units+c.Retests-c.Passed, upTo(9), upTo(9)
	c.Runs = c.Passed + c.Failed + c.Errors + c.Aborted
	c.JudgedTime, c.ErrorTime, c.AbortedTime = float64(upTo(1e6)), float64(upTo(1e4)), float64(upTo(1e4))
	return c
}

// Sums of groups are the whole, whichever way they are put together, and a
// share of the whole lies between those of its groups.
func TestGroupsAddUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for range 100 {
		var groups []Group
		var backwards Counts
		for range 1 + rng.IntN(8) {
			groups = append(groups, Group{Counts: countsAtRandom(rng)})
		}
		for i := len(groups) - 1; i >= 0; i-- {
			backwards = groups[i].Counts.Plus(backwards)
		}
		whole := Sum(groups)
		require.Equal(t, whole, backwards)
		require.True(t, whole.consistent())
		require.Equal(t, Sum(groups[1:]), whole.Minus(groups[0].Counts))
		least, most := math.Inf(1), math.Inf(-1)
		for _, g := range groups {
			if s := Summarise(g.Counts, 0.95); s.FirstPass.Known() {
				least, most = min(least, s.FirstPass.Value), max(most, s.FirstPass.Value)
			}
		}
		if s := Summarise(whole, 0.95); s.FirstPass.Known() {
			require.True(t, least <= s.FirstPass.Value && s.FirstPass.Value <= most)
			require.Empty(t, s.Notes)
		}
	}
}
