package measure_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers/receiver"
	"fullthrow/drivers/sim"
	"fullthrow/runner/measure"
)

// Whatever its format and rate are, a receiver's losses are those of the handset:
// the attenuation sets them, and nobody says the rate.
func TestLossesOfEveryReceiver(t *testing.T) {
	for _, c := range []struct {
		format string
		period time.Duration
	}{
		{"SBUS", 7 * time.Millisecond}, {"SBUS", 9 * time.Millisecond}, {"SBUS", 14 * time.Millisecond},
		{"CRSF", 20 * time.Millisecond}, {"CRSF", time.Second / 150}, {"CRSF", 4 * time.Millisecond},
		{"CRSF", 2 * time.Millisecond}, {"iBUS", 7 * time.Millisecond}, {"SUMD", 10 * time.Millisecond},
	} {
		for _, loss := range []float64{0, 0.4} {
			h := sim.Good(rand.New(rand.NewPCG(1, 30)))
			h.Link.Floor = loss
			b := newBench(t, 1)
			b.running(h)
			require.NoError(t, b.sim.SetFormat(c.format))
			b.sim.SetPeriod(c.period)
			require.NoError(t, b.receiver.Close())
			port, err := b.sim.Port(sim.Receiver)
			require.NoError(t, err)
			r, err := receiver.Open("receiver", port, b.clock, receiver.Options{Format: c.format})
			require.NoError(t, err)
			b.wait(0.2)
			f, err := r.Record(b.ctx, 5*time.Second)
			require.NoError(t, err)
			got, err := measure.Link(f, measure.LinkOptions{})
			require.NoError(t, err)
			t.Logf("%s, %v, %v: %.2f %% (%.2f to %.2f), %.4f ms, %s", c.format, c.period, loss, got.ErrorRate,
				got.Interval.Low, got.Interval.High, 1e3*got.Period, got.Unknown)
			require.Empty(t, got.Unknown)
			require.True(t, got.Measured)
			require.InEpsilon(t, c.period.Seconds(), got.Period, 1e-3)
			require.InDelta(t, 5/c.period.Seconds(), got.Expected, 2)
			require.LessOrEqual(t, got.Interval.Low, 100*loss+0.5)
			require.GreaterOrEqual(t, got.Interval.High, 100*loss)
		}
	}
}
