package measure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// wire is a transmitter, its radio and the way to the computer: what is sent is
// known beside what comes.
type wire struct {
	periods []float64 // ms; the rate changes between them
	each    int       // frames sent at each
	jitter  float64   // ms, of the moment of sending, to either side
	late    float64   // ms, each frame up to that, in order
	clump   float64   // ms; an adapter gives its bytes at steps of so long
	loss    float64   // share
	burst   float64   // mean number of frames lost in a row; 0: at random
}

// heard is the capture of a wire, and how many frames of it were sent and lost.
func (w wire) heard(rng *rand.Rand) (f drivers.Frames, sent, lost int) {
	now := rng.Float64() * w.periods[0]
	free, bad := -1.0, false
	phase := rng.Float64() * max(w.clump, 1e-9)
	for _, period := range w.periods {
		for range w.each {
			at := now + (2*rng.Float64()-1)*w.jitter
			now += period
			sent++
			gone := rng.Float64() < w.loss
			if w.burst > 0 {
				leave := 1 / w.burst
				if bad {
					bad = rng.Float64() >= leave
				} else {
					bad = rng.Float64() < leave*w.loss/(1-w.loss)
				}
				gone = bad
			}
			if gone {
				lost++
				continue
			}
			at += rng.Float64() * w.late
			if w.clump > 0 {
				at = phase + math.Ceil((at-phase)/w.clump)*w.clump
			}
			at = max(at, free, 0)
			free = at
			f.Frames = append(f.Frames, drivers.Frame{At: time.Duration(at * 1e6), Channels: []uint16{992}})
		}
	}
	f.Length = time.Duration(max(now, free) * 1e6)
	return f, sent, lost
}

// What is lost lies in the interval that is stated, whatever the period, the way
// and the losses are; where no period can be known, none is said. The frames are
// made here, and by nothing that counts them.
func TestLossesOverTheGrid(t *testing.T) {
	ways := []struct {
		name  string
		way   func(period float64) wire
		least float64 // of the answers that must be given, where up to a quarter is lost
	}{
		{"fixed", func(float64) wire { return wire{} }, 1},
		{"jitter of half a period", func(p float64) wire { return wire{jitter: p / 4} }, 0.98},
		{"jitter of half a period to either side", func(p float64) wire { return wire{jitter: p / 2} }, 0},
		{"late by up to 6 ms", func(float64) wire { return wire{late: 6} }, 0},
		{"clumps of 16 ms", func(float64) wire { return wire{clump: 16} }, 0},
		{"clumps of 1 ms", func(float64) wire { return wire{clump: 1} }, 0.9},
		{"the rate changes", func(p float64) wire {
			return wire{periods: []float64{p, map[bool]float64{true: p / 2, false: p * 1.4}[p > 9]}}
		}, 0.9},
	}
	losses := []struct{ loss, burst float64 }{{0, 0}, {0.01, 0}, {0.1, 0}, {0.4, 0}, {0.6, 0}, {0.1, 6}, {0.4, 12}, {0.6, 5}}
	for _, given := range []bool{false, true} {
		for _, c := range ways {
			rng := rand.New(rand.NewPCG(uint64(len(c.name)), 7))
			tries, answers, held, light, lightAnswers := 0, 0, 0, 0, 0
			var missed []string
			for _, period := range []float64{2, 2.5, 4, 5, 20.0 / 3, 7, 9, 10, 11.3, 14, 20, 22} {
				for _, l := range losses {
					for range 1 {
						w := c.way(period)
						w.each, w.loss, w.burst = 250+rng.IntN(250), l.loss, l.burst
						if w.periods == nil {
							w.periods = []float64{period}
						}
						f, sent, lost := w.heard(rng)
						if given && len(w.periods) == 1 {
							f.Period = time.Duration(period * 1e6)
						}
						r, err := Link(f, LinkOptions{})
						require.NoError(t, err, "%s, %v ms, %v", c.name, period, l)
						tries++
						if l.loss <= 0.1 && l.burst == 0 {
							light++
						}
						share := 100 * float64(lost) / float64(sent)
						require.LessOrEqual(t, r.Least, share+0.5, "%s: %+v", c.name, w)
						if r.Unknown != "" {
							require.True(t, math.IsNaN(r.ErrorRate))
							continue
						}
						answers++
						if l.loss <= 0.1 && l.burst == 0 {
							lightAnswers++
						}
						if r.Interval.Low <= share+1e-9 && share <= r.Interval.High+1e-9 {
							held++
						} else {
							missed = append(missed, fmt.Sprintf("%v ms, %v: lost %.2f %%, said %.2f (%.2f to %.2f), period %.4f ms, %d parts",
								w.periods, l, share, r.ErrorRate, r.Interval.Low, r.Interval.High, 1e3*r.Period, len(r.Parts)))
						}
					}
				}
			}
			t.Logf("given %v, %s: %d of %d answered, %d of them held", given, c.name, answers, tries, held)
			for _, m := range missed {
				t.Log("  missed: ", m)
			}
			require.GreaterOrEqual(t, float64(held), 0.93*float64(answers), c.name)
			require.GreaterOrEqual(t, float64(lightAnswers), c.least*float64(light), c.name)
			if given && c.name != "the rate changes" {
				require.Equal(t, tries, answers, c.name)
			}
		}
	}
}

// Losses at random are in the interval for their chance as often as it says.
func TestLossIntervalCoversTheChance(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, chance := range []float64{0.02, 0.2, 0.5} {
		held := 0
		const tries = 400
		for range tries {
			f, _, _ := wire{periods: []float64{4}, each: 300, jitter: 0.5, loss: chance}.heard(rng)
			r, err := Link(f, LinkOptions{})
			require.NoError(t, err)
			require.Empty(t, r.Unknown)
			if r.Interval.Low <= 100*chance && 100*chance <= r.Interval.High {
				held++
			}
		}
		t.Logf("%v %%: %d of %d", 100*chance, held, tries)
		require.GreaterOrEqual(t, held, tries*93/100)
	}
}

// 450 of 450 frames, each late by up to 6 ms: none is lost.
func TestLateFramesAreNotLost(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	f, _, _ := wire{periods: []float64{7}, each: 450, late: 6}.heard(rng)
	r, err := Link(f, LinkOptions{})
	require.NoError(t, err)
	require.Empty(t, r.Unknown)
	require.Equal(t, []int{450, 0}, []int{r.Expected, r.Lost})
	require.InDelta(t, 0.007, r.Period, 1e-5)
	require.Less(t, r.Interval.High, 4.0)
}

// A change of rate is no loss; each part has its own.
func TestPartsOfALink(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	f, sent, lost := wire{periods: []float64{4, 20, 2}, each: 500, jitter: 0.3, loss: 0.05}.heard(rng)
	r, err := Link(f, LinkOptions{})
	require.NoError(t, err)
	require.Len(t, r.Parts, 3)
	for i, want := range []float64{0.004, 0.020, 0.002} {
		require.InEpsilon(t, want, r.Parts[i].Period, 0.002)
	}
	require.InDelta(t, sent, r.Expected, 4)
	require.InDelta(t, lost, r.Lost, 4)
}

// What the capture cannot show is not said.
func TestUnknownPeriod(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for name, w := range map[string]wire{
		"few":                     {periods: []float64{4}, each: 6},
		"clumps with losses":      {periods: []float64{4}, each: 600, clump: 16, loss: 0.2},
		"late, with losses":       {periods: []float64{6}, each: 600, late: 6, loss: 0.3},
		"an adapter's own rhythm": {periods: []float64{20}, each: 300, clump: 16, loss: 0.2},
	} {
		f, sent, lost := w.heard(rng)
		r, err := Link(f, LinkOptions{})
		require.NoError(t, err)
		require.NotEmpty(t, r.Unknown, "%s: %+v", name, r)
		require.True(t, math.IsNaN(r.ErrorRate))
		require.LessOrEqual(t, r.Least, 100*float64(lost)/float64(sent)+0.5)
		_, err = Bursts(f)
		require.Error(t, err)
		_, err = SequentialFrames(f, SequentialOptions{Good: 1, Bad: 5})
		require.Error(t, err)
		// Whoever knows the period says it.
		r, err = Link(f, LinkOptions{Period: w.periods[0] / 1000})
		require.NoError(t, err)
		require.False(t, r.Measured)
		require.InDelta(t, lost, r.Lost, max(4, 24/w.periods[0]), name)
	}
	f, _, _ := wire{periods: []float64{4}, each: 600}.heard(rng)
	_, err := Link(f, LinkOptions{Period: 0.0051})
	require.ErrorContains(t, err, "every 4ms and not every 5.1ms")
	// A receiver that drops every second frame, and is known to.
	f.Frames = slices.DeleteFunc(f.Frames, func(d drivers.Frame) bool { return int(d.At/(4*time.Millisecond))%2 == 0 })
	r, err := Link(f, LinkOptions{Period: 0.004})
	require.NoError(t, err)
	require.InDelta(t, 50, r.ErrorRate, 1)
}
