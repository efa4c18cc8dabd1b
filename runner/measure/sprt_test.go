package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"fullthrow/reports/statistics"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// e-Handbook 6.2.3.6: p1 = .01, p2 = .10, alpha = .05, beta = .10. Printed
// (from memory): xa = -0.939 + 0.0397 n, xr = 1.205 + 0.0397 n, accept 0 at
// n = 24, reject 3; digits re-computed.
func TestSequentialBoundaries(t *testing.T) {
	o := SequentialOptions{Good: 1, Bad: 10, Alpha: 0.05, Beta: 0.10}
	p, err := SequentialPlan(o)
	require.NoError(t, err)
	within(t, "h1 print", p.AcceptIntercept, 0.939, 5e-4)
	within(t, "h2 print", p.RejectIntercept, 1.205, 5e-4)
	within(t, "s print", p.Slope, 0.0397, 5e-5)
	within(t, "h1", p.AcceptIntercept, 0.938862, 5e-7)
	within(t, "h2", p.RejectIntercept, 1.205379, 5e-7)
	within(t, "s", p.Slope, 0.0397474, 5e-8)
	// ln A and ln B, from which both intercepts come.
	k := math.Log(0.10 * 0.99 / (0.01 * 0.90))
	within(t, "ln A", p.RejectIntercept*k, 2.890371758, 1e-9)
	within(t, "-ln B", p.AcceptIntercept*k, 2.251291799, 1e-9)
	require.Equal(t, 24, p.FirstAccept)

	o.MostPackets = 1000 // far off: the lines alone
	p, err = SequentialPlan(o)
	require.NoError(t, err)
	// Wald's approximations of the packets needed (re-computed) leave out by how
	// much a line is overshot; the exact sums are larger, with lines this near together by a third or so.
	for _, asn := range []struct{ rate, lines, wald, exact float64 }{
		{0.01, -0.95*p.AcceptIntercept + 0.05*p.RejectIntercept, 27.957021, p.PacketsGood},
		{0.10, -0.10*p.AcceptIntercept + 0.90*p.RejectIntercept, 16.446679, p.PacketsBad},
	} {
		within(t, "Wald", asn.lines/(asn.rate-p.Slope), asn.wald, 1e-5)
		require.InDelta(t, 1.2, asn.exact/asn.wald, 0.2)
	}
	within(t, "Wald, worst rate", p.AcceptIntercept*p.RejectIntercept/(p.Slope*(1-p.Slope)), 29.650397, 1e-5)
	for _, tt := range []struct{ n, accept, reject int }{
		{1, -1, 2}, {2, -1, 2}, {19, -1, 2}, {20, -1, 3}, {23, -1, 3}, {24, 0, 3}, {49, 1, 4}, {74, 2, 5},
	} {
		r, err := Sequential(0, tt.n, o)
		require.NoError(t, err)
		require.Equal(t, []int{tt.accept, tt.reject}, []int{r.AcceptUpTo, r.RejectFrom}, "n = %d", tt.n)
	}
	decision := func(lost, sent int) string {
		r, err := Sequential(lost, sent, o)
		require.NoError(t, err)
		return r.Decision
	}
	for want, at := range map[string][][2]int{
		"accept":   {{0, 24}, {1, 49}, {2, 74}, {0, 100}},
		"reject":   {{2, 2}, {2, 19}, {3, 20}, {5, 74}, {50, 50}},
		"continue": {{0, 0}, {1, 1}, {0, 23}, {1, 24}, {2, 20}, {2, 24}, {2, 49}},
	} {
		for _, c := range at {
			require.Equal(t, want, decision(c[0], c[1]), c)
		}
	}
	r, err := Sequential(1, 24, o)
	require.NoError(t, err)
	require.Equal(t, 25, r.MorePackets, "49 packets are the first that accept one loss")
}

// run plays one unit, packet by packet.
func run(rng *rand.Rand, p *SequentialPlanResult, rate float64) (accepted bool, packets int) {
	lost := 0
	for n := 1; ; n++ {
		if rng.Float64() < rate {
			lost++
		}
		switch {
		case lost <= p.acceptUpTo(n):
			return true, n
		case lost >= p.rejectFrom(n):
			return false, n
		case n == p.MostPackets:
			return lost <= p.MaxAccept, n
		}
	}
}

// The reason to test in sequence. Per plan and true rate 4000 units are played:
// a good unit (half of Good) and a bad one (Bad and more) need less than half
// the packets of the fixed test, on average and in the median. The worst unit
// that is still good (exactly at Good) is the dear one: about half in the
// median, up to two thirds on average. Risks and averages are those that the
// plan states.
func TestSequentialNeedsLessThanHalf(t *testing.T) {
	for i, o := range []SequentialOptions{
		{Good: 0.5, Bad: 2}, {Good: 1, Bad: 3}, {Good: 2, Bad: 5, Alpha: 0.05, Beta: 0.01}, {Good: 1, Bad: 2, Alpha: 0.01, Beta: 0.01},
	} {
		p, err := SequentialPlan(o)
		require.NoError(t, err)
		if o.Alpha == 0 {
			o.Alpha, o.Beta = 0.05, 0.05
		}
		require.LessOrEqual(t, p.Alpha, o.Alpha)
		require.LessOrEqual(t, p.Beta, o.Beta)
		fixed := float64(p.FixedPackets)
		for j, rate := range []float64{o.Good / 2, o.Good, o.Bad, 1.5 * o.Bad} {
			const runs = 4000
			rng := rand.New(rand.NewPCG(uint64(i), uint64(j)))
			need := make([]float64, runs)
			accepted := 0
			for k := range need {
				ok, n := run(rng, &p, rate/100)
				need[k] = float64(n)
				if ok {
					accepted++
				}
			}
			name := fmt.Sprintf("good %v bad %v alpha %v beta %v at %v %%", o.Good, o.Bad, o.Alpha, o.Beta, rate)
			mean, sd := meanSD(need)
			slices.Sort(need)
			t.Logf("%-45s fixed %5d, mean %6.0f (%4.1f %%), median %6.0f (%4.1f %%), accepted %5.1f %%", name, p.FixedPackets, mean, 100*mean/fixed, statistics.Quantile(need, 0.5), 100*statistics.Quantile(need, 0.5)/fixed, 100*float64(accepted)/runs)
			most, mostMean := 0.5, 0.5
			if rate == o.Good {
				most, mostMean = 0.56, 0.66
			}
			if statistics.Quantile(need, 0.5) >= most*fixed {
				t.Errorf("%s: half of the units need %v packets, a fixed test %v", name, statistics.Quantile(need, 0.5), fixed)
			}
			if mean >= mostMean*fixed {
				t.Errorf("%s: %v packets on average, a fixed test %v", name, mean, fixed)
			}
			share := float64(accepted) / runs
			slack := 4 * math.Sqrt(0.05*0.95/runs)
			switch rate {
			case o.Good:
				within(t, name+": alpha", 1-share, p.Alpha, slack)
				within(t, name+": packets", mean, p.PacketsGood, 4*sd/math.Sqrt(runs))
			case o.Bad:
				within(t, name+": beta", share, p.Beta, slack)
				within(t, name+": packets", mean, p.PacketsBad, 4*sd/math.Sqrt(runs))
			}
		}
	}
}

// The fixed plan keeps both risks, and one packet fewer cannot with its number
// of losses (exact binomial, by another routine). For 0 losses it is the
// success run.
func TestFixedPlan(t *testing.T) {
	for _, p := range [][4]float64{{0.01, 0.10, 0.05, 0.10}, {0.005, 0.02, 0.05, 0.05}, {0.02, 0.05, 0.01, 0.001}, {0.0001, 0.05, 0.05, 0.05}} {
		n, c, ok := fixedPlan(p[0], p[1], p[2], p[3])
		require.True(t, ok)
		require.LessOrEqual(t, distuv.Binomial{N: float64(n), P: p[0]}.Survival(float64(c)), p[2])
		require.LessOrEqual(t, distuv.Binomial{N: float64(n), P: p[1]}.CDF(float64(c)), p[3])
		require.Greater(t, distuv.Binomial{N: float64(n - 1), P: p[1]}.CDF(float64(c)), p[3])
	}
	n, c, _ := fixedPlan(0.0001, 0.05, 0.05, 0.05)
	require.Equal(t, []int{59, 0}, []int{n, c}, "textbook: 59 without failure show 95 % at 95 %")
}

// Asked after pieces of any size, the test keeps Wald's bounds, and truncation
// always decides.
func TestSequentialInPieces(t *testing.T) {
	o := SequentialOptions{Good: 1, Bad: 4}
	p, err := SequentialPlan(o)
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(9, 9))
	const runs = 1500
	wrong := map[float64]int{}
	for _, rate := range []float64{1, 4} {
		for range runs {
			lost, sent := 0, 0
			for {
				for range 20 + rng.IntN(60) {
					sent++
					if rng.Float64() < rate/100 {
						lost++
					}
				}
				accept, reject := lost <= p.acceptUpTo(sent), lost >= p.rejectFrom(sent)
				if sent >= p.MostPackets {
					accept, reject = lost <= p.MaxAccept, lost > p.MaxAccept
				}
				if accept || reject {
					if accept == (rate == 4) {
						wrong[rate]++
					}
					break
				}
			}
		}
	}
	for rate, n := range wrong {
		if share := float64(n) / runs; share > 0.05/0.95+3*math.Sqrt(0.05*0.95/runs) {
			t.Errorf("at %v %%: %.1f %% decided wrongly", rate, 100*share)
		}
	}
	for lost := range 60 {
		r, err := Sequential(lost, p.MostPackets, o)
		require.NoError(t, err)
		require.NotEqual(t, "continue", r.Decision)
		require.Equal(t, lost <= p.MaxAccept, r.Decision == "accept")
	}
	over, err := Sequential(p.MaxAccept, p.MostPackets+500, o)
	require.NoError(t, err)
	require.Equal(t, "accept", over.Decision)
	require.True(t, over.Truncated)
}

// With losses in bursts a plan for independent ones errs several times as often
// as it says; one that knows the inflation keeps its risks, all but a little.
func TestSequentialWithBursts(t *testing.T) {
	const runs, leave = 3000, 0.4
	wrong := func(o SequentialOptions) (share [2]float64) {
		p, err := SequentialPlan(o)
		require.NoError(t, err)
		for i, rate := range []float64{o.Good / 100, o.Bad / 100} {
			enter := leave * rate / (1 - rate)
			rng := rand.New(rand.NewPCG(5, uint64(i)))
			for range runs {
				lost, state := 0, rng.Float64() < rate
				for n := 1; ; n++ {
					if state {
						state = rng.Float64() >= leave
					} else {
						state = rng.Float64() < enter
					}
					if state {
						lost++
					}
					accept, reject := lost <= p.acceptUpTo(n), lost >= p.rejectFrom(n)
					if n >= p.MostPackets {
						accept, reject = lost <= p.MaxAccept, lost > p.MaxAccept
					}
					if accept || reject {
						if accept == (i == 1) {
							share[i] += 1.0 / runs
						}
						break
					}
				}
			}
		}
		return share
	}
	o := SequentialOptions{Good: 2, Bad: 6}
	plain := wrong(o)
	o.Inflation = (2 - leave) / leave // correlation 1 - enter - leave, enter small
	informed := wrong(o)
	t.Logf("good rejected, bad accepted: %.3f without, %.3f with inflation %.1f", plain, informed, o.Inflation)
	require.Greater(t, plain[0], 0.15)
	require.Less(t, informed[0], 0.08)
	require.Less(t, informed[1], 0.08)
}

func TestSequentialRefuses(t *testing.T) {
	good := SequentialOptions{Good: 1, Bad: 5}
	for _, o := range []SequentialOptions{
		{}, {Good: 1}, {Good: 5, Bad: 1}, {Good: 1, Bad: 1}, {Good: 0, Bad: 5}, {Good: 1, Bad: 100}, {Good: math.NaN(), Bad: 5},
		{Good: 1, Bad: 5, Alpha: 0.6, Beta: 0.5}, {Good: 1, Bad: 5, Alpha: -1}, {Good: 1, Bad: 5, MostPackets: -1}, {Good: 1, Bad: 5, MostPackets: 1e9}, {Good: 1, Bad: 5, Inflation: 0.5}, {Good: 1, Bad: 5, MostPackets: 20}, {Good: 1, Bad: 1.0001},
	} {
		_, err := Sequential(0, 10, o)
		require.ErrorContains(t, err, "measure: sequential: ", "%+v", o)
	}
	for _, c := range [][2]int{{-1, 5}, {6, 5}, {0, -1}} {
		_, err := Sequential(c[0], c[1], good)
		require.ErrorContains(t, err, "packets lost")
	}
}
