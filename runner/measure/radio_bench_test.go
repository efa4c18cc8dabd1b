package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers/sim"
	"fullthrow/runner/measure"
)

// running puts a handset on the bench and switches it on, heard.
func (b *bench) running(h sim.Handset) {
	b.sim.Load(h)
	b.must(b.supply.SetVoltage(b.ctx, 3.7))
	b.must(b.supply.SetCurrentLimit(b.ctx, 1.5))
	b.must(b.supply.SetOutput(b.ctx, true))
	b.wait(2)
	b.must(b.damping.SetAttenuation(b.ctx, 30))
	b.set(1, true)
	b.wait(1)
}

// The 1 % point of a sweep is where the handset's link has it.
func TestSweepOnTheBench(t *testing.T) {
	held := 0
	const units = 6
	for seed := range uint64(units) {
		h := sim.Good(rand.New(rand.NewPCG(seed, 20)))
		b := newBench(t, seed)
		b.running(h)
		var points []measure.SweepPoint
		for dB := 64.0; dB <= 80; dB++ {
			b.must(b.damping.SetAttenuation(b.ctx, dB))
			b.wait(0.1)
			r, err := measure.Link(b.record(3), measure.LinkOptions{})
			b.must(err)
			points = append(points, measure.SweepPoint{Attenuation: dB, Lost: r.Lost, Sent: r.Expected})
		}
		r, err := measure.Sweep(points, measure.SweepOptions{})
		b.must(err)
		truth := h.Link.Power - h.Link.Loss - h.Link.Sensitivity - h.Link.Slope*math.Log(99)
		t.Logf("unit %d: 1 %% at %.2f dB (%.2f..%.2f), the handset has %.2f dB; width %.2f dB", seed, r.Attenuation, r.Interval.Low, r.Interval.High, truth, r.EdgeWidth)
		if math.Abs(r.Attenuation-truth) > 1.2 {
			t.Errorf("unit %d: 1 %% at %.2f dB, the handset has %.2f dB", seed, r.Attenuation, truth)
		}
		if r.Interval.Low <= truth && truth <= r.Interval.High {
			held++
		}
	}
	require.GreaterOrEqual(t, held, units-1)
}

// Tested in pieces, a good unit is accepted and one that loses packets
// rejected, each with less than half the packets of the fixed test.
func TestSequentialOnTheBench(t *testing.T) {
	o := measure.SequentialOptions{Good: 0.5, Bad: 3}
	plan, err := measure.SequentialPlan(o)
	require.NoError(t, err)
	for defect, want := range map[string]string{"": "accept", "link-lossy": "reject", "no-link": "reject"} {
		rng := rand.New(rand.NewPCG(1, 21))
		h := sim.Good(rng)
		if defect != "" {
			d, err := sim.DefectNamed(defect)
			require.NoError(t, err)
			d.Apply(&h, 1, rng)
		}
		b := newBench(t, 1)
		b.running(h)
		lost, sent := 0, 0
		for {
			r, err := measure.Link(b.record(0.14), measure.LinkOptions{})
			b.must(err)
			lost, sent = lost+r.Lost, sent+r.Expected
			s, err := measure.Sequential(lost, sent, o)
			b.must(err)
			if s.Decision != "continue" {
				t.Logf("%q: %s after %d packets, %d lost; fixed %d", defect, s.Decision, sent, lost, plan.FixedPackets)
				require.Equal(t, want, s.Decision, defect)
				require.Less(t, sent, plan.FixedPackets/2)
				break
			}
			require.Less(t, sent, plan.MostPackets)
		}
	}
}

// The burst model found is the one the handset has.
func TestBurstsOnTheBench(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 22))
	h := sim.Good(rng)
	d, err := sim.DefectNamed("burst-loss")
	require.NoError(t, err)
	d.Apply(&h, 0.5, rng)
	b := newBench(t, 2)
	b.running(h)
	r, err := measure.Bursts(b.record(60))
	b.must(err)
	t.Logf("%+v; the handset has %+v", r, h.Link)
	require.Less(t, r.Independence, 1e-6)
	require.True(t, r.Elliott.Fitted)
	require.InEpsilon(t, h.Link.Enter, r.Elliott.Enter, 0.3)
	require.InEpsilon(t, h.Link.Leave, r.Elliott.Leave, 0.3)
	require.InDelta(t, h.Link.InBurst, r.Elliott.BadLoss, 0.03)
	require.InDelta(t, 0, r.Elliott.GoodLoss, 0.003)
}

// The search finds the time off that the node needs, and the time constant
// tells 20 kohm from 500 kohm.
func TestStartCurveOnTheBench(t *testing.T) {
	for _, tt := range []struct {
		ohm, low, high float64
	}{{20e3, 0.5, 6}, {500e3, 10, 120}} {
		h := sim.Good(rand.New(rand.NewPCG(3, 23)))
		h.Power.Node.Ohm = tt.ohm
		b := newBench(t, 3)
		b.running(h)
		var trials []measure.StartTrial
		o := measure.NextOffOptions{Shortest: tt.low, Longest: tt.high, Ratio: 1.02}
		next, err := measure.NextOff(trials, o)
		b.must(err)
		for !next.Done {
			b.set(1, false)
			b.wait(next.Off)
			b.set(1, true)
			b.wait(0.25)
			on, err := measure.Started(b.current(0.3, 1000, 0.15), 0.06)
			b.must(err)
			trials = append(trials, measure.StartTrial{Off: next.Off, Started: on})
			next, err = measure.NextOff(trials, o)
			b.must(err)
		}
		require.Equal(t, "found", next.Ending)
		r, err := measure.StartCurve(trials, measure.StartCurveOptions{FallTo: 111 / 3.7, Capacitance: h.Power.Node.Farad})
		b.must(err)
		truth := h.Power.Node.Ohm * h.Power.Node.Farad
		needed := truth * math.Log(3.7/1.11)
		t.Logf("%g ohm: reliable after %.3f s (needs %.3f s), %d trials, time constant %.3f s (%.3f..%.3f; has %.3f s), %.0f ohm",
			tt.ohm, r.ReliableOff, needed, len(trials), r.TimeConstant, r.TimeConstantInterval.Low, r.TimeConstantInterval.High, truth, r.Resistance)
		require.Equal(t, next.ReliableOff, r.ReliableOff)
		require.InEpsilon(t, needed, r.ReliableOff, 0.03)
		require.InEpsilon(t, truth, r.TimeConstant, 0.02)
		require.InEpsilon(t, tt.ohm, r.Resistance, 0.02)
	}
}
