package measure

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// framesOf makes a capture of "." received and "x" lost, 7 ms apart.
func framesOf(series string) drivers.Frames {
	f := drivers.Frames{Gain: 0.625, Offset: 880, Period: 7 * time.Millisecond, Length: time.Duration(len(series)) * 7 * time.Millisecond}
	for i, c := range series {
		f.Frames = append(f.Frames, drivers.Frame{At: time.Duration(i) * 7 * time.Millisecond, Channels: []uint16{992}, Lost: c == 'x'})
	}
	return f
}

func gilbertElliott(rng *rand.Rand, n int, enter, leave, good, bad float64) string {
	var b strings.Builder
	state := rng.Float64() < enter/(enter+leave)
	for range n {
		if state {
			state = rng.Float64() >= leave
		} else {
			state = rng.Float64() < enter
		}
		p := good
		if state {
			p = bad
		}
		if rng.Float64() < p {
			b.WriteByte('x')
		} else {
			b.WriteByte('.')
		}
	}
	return b.String()
}

// By hand: pairs of "..xx.x..": rr 2, rl 2, lr 2, ll 1.
func TestBurstsByHand(t *testing.T) {
	r, err := Bursts(framesOf("..xx.x.."))
	require.NoError(t, err)
	require.Equal(t, []int{8, 3, 2, 2}, []int{r.Expected, r.Lost, r.Bursts, r.LongestBurst})
	require.Equal(t, 1.5, r.BurstLength)
	within(t, "enter", r.Enter, 0.5, 1e-15)
	within(t, "leave", r.Leave, 2.0/3, 1e-15)
	require.Equal(t, 1.0, r.Inflation)
	require.False(t, r.Elliott.Fitted)
	require.True(t, math.IsNaN(r.Elliott.Enter))

	none, err := Bursts(framesOf("........"))
	require.NoError(t, err)
	require.Zero(t, none.Lost)
	require.Zero(t, none.Enter)
	require.True(t, math.IsNaN(none.Leave) && math.IsNaN(none.Independence) && math.IsNaN(none.BurstLength))
	within(t, "upper of 0 in 8", none.Upper, 100*(1-math.Pow(0.05, 1.0/8)), 1e-9)

	all, err := Bursts(framesOf("xxxx"))
	require.NoError(t, err)
	require.Equal(t, []int{4, 4, 1, 4}, []int{all.Expected, all.Lost, all.Bursts, all.LongestBurst})
	require.True(t, math.IsNaN(all.Enter) && math.IsNaN(all.Upper))
	_, err = Bursts(drivers.Frames{})
	require.ErrorContains(t, err, "measure: bursts: ")
}

// The fits give back the model that made the losses.
func TestBurstsFindTheirModel(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	simple, err := Bursts(framesOf(gilbertElliott(rng, 60000, 0.02, 0.25, 0, 1)))
	require.NoError(t, err)
	near(t, "enter", simple.Enter, 0.02, 0.1)
	near(t, "leave", simple.Leave, 0.25, 0.1)
	near(t, "length", simple.BurstLength, 4, 0.1)
	// Autocorrelation 1 - .02 - .25 = .73: (1 + .73) / (1 - .73).
	near(t, "inflation", simple.Inflation, 1.73/0.27, 0.1)
	require.Less(t, simple.Independence, 1e-6)

	var enter, leave, good, bad []float64
	for range 4 {
		hidden, err := Bursts(framesOf(gilbertElliott(rng, 20000, 0.01, 0.08, 0.002, 0.6)))
		require.NoError(t, err)
		require.True(t, hidden.Elliott.Fitted)
		enter, leave = append(enter, hidden.Elliott.Enter), append(leave, hidden.Elliott.Leave)
		good, bad = append(good, hidden.Elliott.GoodLoss), append(bad, hidden.Elliott.BadLoss)
	}
	near(t, "enter", statistics.Median(enter), 0.01, 0.2)
	near(t, "leave", statistics.Median(leave), 0.08, 0.2)
	within(t, "loss in the good state", statistics.Median(good), 0.002, 0.0015)
	near(t, "loss in the bad state", statistics.Median(bad), 0.6, 0.05)
}

// Independent losses are seldom called bursts, and the bound holds with bursts
// where that for independent losses does not.
func TestBurstsBound(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 9))
	const runs = 600
	alarms, held, independent := 0, 0, 0
	truth := 100 * 0.01 / 0.11
	for range runs {
		plain, err := Bursts(framesOf(gilbertElliott(rng, 1500, 0.5, 0.5, 0.05, 0.05)))
		require.NoError(t, err)
		if plain.Independence < 0.01 {
			alarms++
		}
		f := framesOf(gilbertElliott(rng, 1500, 0.01, 0.10, 0, 1))
		r, err := Bursts(f)
		require.NoError(t, err)
		l, err := Link(f, LinkOptions{})
		require.NoError(t, err)
		if r.Upper >= truth {
			held++
		}
		if l.Upper >= truth {
			independent++
		}
	}
	t.Logf("false alarms %d of %d; bound holds in %d with bursts, %d without", alarms, runs, held, independent)
	require.LessOrEqual(t, alarms, 18)
	require.GreaterOrEqual(t, held, runs*92/100)
	require.Less(t, independent, runs*85/100)
}

func TestLinkIntervals(t *testing.T) {
	series := strings.Repeat(strings.Repeat(".", 81)+"xx", 12) + strings.Repeat(".", 4)
	r, err := Link(framesOf(series), LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, []int{1000, 24, 976, 2}, []int{r.Expected, r.Lost, r.Received, r.LongestBurst})
	require.Equal(t, 2.0, r.BurstLength)
	low, high := statistics.ClopperPearson(24, 1000, 0.95)
	require.Equal(t, Interval{100 * low, 100 * high}, r.Exact)
	low, high = statistics.Wilson(24, 1000, 0.95)
	require.Equal(t, Interval{100 * low, 100 * high}, r.Wilson)
	within(t, "gap", r.LongestGap, 3*0.007, 1e-9)

	silent, err := Link(drivers.Frames{Period: 7 * time.Millisecond, Length: time.Second}, LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, []float64{100, 100, 100}, []float64{silent.ErrorRate, silent.Upper, silent.Exact.High})
	require.Greater(t, silent.Exact.Low, 97.0)
	nothing, err := Link(drivers.Frames{Length: time.Second}, LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, Interval{0, 100}, nothing.Exact)
}

// Whatever the series: no panic, counts that agree, chances that are chances.
func FuzzBursts(f *testing.F) {
	f.Add("")
	f.Add("....xx..x")
	f.Add(strings.Repeat("..........xxxx", 40))
	f.Fuzz(func(t *testing.T, series string) {
		fr := framesOf(series)
		r, err := Bursts(fr)
		plainError(t, err)
		if err != nil {
			return
		}
		l, err := Link(fr, LinkOptions{})
		if err != nil || l.Expected != r.Expected || l.Lost != r.Lost || l.LongestBurst != r.LongestBurst {
			t.Fatalf("%+v and %+v, %v", r, l, err)
		}
		for _, p := range []float64{r.Enter, r.Leave, r.Independence, r.Elliott.Enter, r.Elliott.Leave, r.Elliott.GoodLoss, r.Elliott.BadLoss} {
			if p < 0 || p > 1+1e-12 {
				t.Fatalf("a chance of %v: %+v", p, r)
			}
		}
		if r.Inflation < 1 || r.Upper < l.Upper-1e-9 && r.Lost < r.Expected || r.Bursts > r.Lost {
			t.Fatalf("%+v and %+v", r, l)
		}
	})
}
