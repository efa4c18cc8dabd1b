package measure

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

var began = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

func dur(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// sbus is a capture without frames in the scale of SBUS: µs = 0.625 raw + 880.
func sbus(length float64) drivers.Frames {
	return drivers.Frames{Start: began, Length: dur(length), Format: "SBUS", Gain: 0.625, Offset: 880, Period: 7 * time.Millisecond}
}

// steps is a path through positions, with rate in throws per s.
func steps(axis string, positions []float64, rate, dwell float64) drivers.Path {
	var p drivers.Path
	at := 0.3
	for i := 1; i < len(positions); i++ {
		from, to := positions[i-1], positions[i]
		end := at + math.Abs(to-from)/rate
		p = append(p, drivers.Segment{Start: began.Add(dur(at)), End: began.Add(dur(end)),
			From: map[string]float64{axis: from}, To: map[string]float64{axis: to}})
		at = end + dwell
	}
	return p
}

func sweep(points, cycles int) []float64 {
	var up []float64
	for i := range points {
		up = append(up, -1+2*float64(i)/float64(points-1))
	}
	all := []float64{-1}
	for range cycles {
		all = append(all, up[1:]...)
		for i := points - 2; i >= 0; i-- {
			all = append(all, up[i])
		}
	}
	return all
}

func ends(p drivers.Path) float64 { return p[len(p)-1].End.Sub(began).Seconds() + 0.2 }

// stick is a stick with errors; the output is % of throw.
type stick struct {
	play, deadBand, taper, gain, offset, noise, lag, jitter float64 // throws, s
	spot                                                    float64 // position of a dirty spot, 0 none
	stuck                                                   bool
}

// record makes what a receiver hears of the stick, in raw steps of SBUS.
func (g stick) record(p drivers.Path, axis string, seed uint64) drivers.Frames {
	f := sbus(ends(p))
	rng := rand.New(rand.NewPCG(seed, 11))
	out, now := p[0].From[axis], 0.0
	position := func(t float64) float64 {
		x := p[0].From[axis]
		for _, s := range p {
			a, b := s.Start.Sub(began).Seconds(), s.End.Sub(began).Seconds()
			if t < a {
				break
			}
			x = s.From[axis] + (s.To[axis]-s.From[axis])*math.Min(1, (t-a)/(b-a))
		}
		return x
	}
	for at := 0.004; at < ends(p); at += 0.007 {
		for when := at - g.lag - g.jitter*rng.Float64(); now < when; now += 0.0005 {
			x := position(now)
			out = math.Min(math.Max(out, x-g.play/2), x+g.play/2)
		}
		u := out
		if g.deadBand > 0 {
			u = math.Copysign(math.Max(0, math.Abs(u)-g.deadBand/2)/(1-g.deadBand/2), u)
		}
		u += g.taper * 3 * math.Sqrt(3) / 2 * u * (1 - u*u)
		u = g.gain*u + g.offset + g.noise*rng.NormFloat64()
		if g.spot != 0 && math.Abs(out-g.spot) < 0.03 {
			u = -1
		}
		if g.stuck {
			u = g.offset
		}
		raw := math.Round(992 + 819.2*u)
		f.Frames = append(f.Frames, drivers.Frame{At: dur(at), Channels: []uint16{uint16(math.Max(0, math.Min(2047, raw)))}})
	}
	return f
}

func travel(t *testing.T, g stick, positions []float64, rate, dwell float64) TravelResult {
	t.Helper()
	p := steps("left_x", positions, rate, dwell)
	r, err := Travel(g.record(p, "left_x", 3), p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)
	return r
}

// The stock plan's sweep: 11 points, two cycles, 4 throws/s, 0.13 s dwell.
func TestTravelPlain(t *testing.T) {
	r := travel(t, stick{gain: 1, lag: 0.0135, play: 0.004, noise: 0.0005}, sweep(11, 2), 4, 0.13)
	within(t, "low end", r.LowEnd, -100, 0.4)
	within(t, "high end", r.HighEnd, 100, 0.4)
	within(t, "centre", r.Centre, 0, 0.1)
	within(t, "follows", r.Follows, 1, 0.002)
	within(t, "hysteresis", r.Hysteresis, 0.2, 0.08)
	within(t, "non-linearity", r.NonLinearity, 0.05, 0.1)
	within(t, "noise", r.Noise, 0.06, 0.02)
	within(t, "lag", r.Lag, 0.0135, 0.004)
	within(t, "dead band", r.DeadBand, 0, 0.7)
	require.Zero(t, r.Dropouts)
	require.True(t, r.Monotonic)
}

func TestTravelDefects(t *testing.T) {
	base := stick{gain: 1, lag: 0.012, jitter: 0.004, play: 0.004, noise: 0.0005}
	run := func(with func(*stick)) TravelResult {
		g := base
		with(&g)
		return travel(t, g, sweep(11, 2), 4, 0.13)
	}
	r := run(func(g *stick) { g.play = 0.04 })
	within(t, "hysteresis of play", r.Hysteresis, 2, 0.1)
	within(t, "lag beside play", r.Lag, 0.014, 0.004)
	within(t, "dead band beside play", r.DeadBand, 0, 0.7)
	require.Zero(t, r.Dropouts, "play is no dropout")

	r = run(func(g *stick) { g.deadBand = 0.06 })
	within(t, "dead band", r.DeadBand, 6, 1)
	require.Zero(t, r.Dropouts, "a dead band is no dropout")

	r = run(func(g *stick) { g.taper = 0.07 })
	// At the points ±0.4, ±0.6 the cubic reaches nearly its whole 7 % of throw.
	within(t, "non-linearity", r.NonLinearity, 3.5, 0.1)
	within(t, "dead band of a taper", r.DeadBand, 0, 1)

	r = run(func(g *stick) { g.gain = 0.88 })
	within(t, "follows", r.Follows, 0.88, 0.003)
	within(t, "high end", r.HighEnd, 88, 0.3)

	r = run(func(g *stick) { g.gain = -1 })
	within(t, "reversed", r.Follows, -1, 0.003)
	within(t, "dead band, reversed", r.DeadBand, 0, 0.7)
	require.True(t, r.Monotonic)

	r = run(func(g *stick) { g.stuck = true })
	within(t, "stuck", r.Follows, 0, 1e-6)
	require.Equal(t, 200.0, r.DeadBand)
	require.True(t, statistics.Finite(r.Hysteresis) && statistics.Finite(r.NonLinearity) && statistics.Finite(r.Noise))

	r = run(func(g *stick) { g.spot = 0.37 })
	require.GreaterOrEqual(t, r.Dropouts, 3)

	r = run(func(g *stick) { g.noise = 0.01 })
	within(t, "noise", r.Noise, 1, 0.1)
	require.Greater(t, r.NoisePeak, 2.0)
	require.Zero(t, r.Dropouts, "noise is no dropout")
}

// Turning the stick's whole way round turns the ends round and leaves every
// error as it is.
func TestTravelMirror(t *testing.T) {
	g := stick{gain: 1, lag: 0.012, play: 0.02, taper: 0.03, deadBand: 0.04}
	a := travel(t, g, sweep(11, 2), 4, 0.13)
	mirrored := sweep(11, 2)
	for i := range mirrored {
		mirrored[i] = -mirrored[i]
	}
	b := travel(t, g, mirrored, 4, 0.13)
	within(t, "ends", b.LowEnd, -a.HighEnd, 0.15)
	within(t, "hysteresis", b.Hysteresis, a.Hysteresis, 0.1)
	within(t, "non-linearity", b.NonLinearity, a.NonLinearity, 0.1)
	within(t, "dead band", b.DeadBand, a.DeadBand, 0.5)
	within(t, "follows", b.Follows, a.Follows, 0.002)
}

func TestTravelSpecialInputs(t *testing.T) {
	p := steps("left_x", sweep(5, 1), 4, 0.13)
	f := stick{gain: 1}.record(p, "left_x", 1)
	bad := map[string]func() (drivers.Frames, drivers.Path, TravelOptions){
		"channel 0": func() (drivers.Frames, drivers.Path, TravelOptions) { return f, p, TravelOptions{Axis: "left_x"} },
		"channel 2": func() (drivers.Frames, drivers.Path, TravelOptions) {
			return f, p, TravelOptions{Channel: 2, Axis: "left_x"}
		},
		"no axis": func() (drivers.Frames, drivers.Path, TravelOptions) {
			return f, p, TravelOptions{Channel: 1, Axis: "x"}
		},
		"no path": func() (drivers.Frames, drivers.Path, TravelOptions) {
			return f, nil, TravelOptions{Channel: 1, Axis: "left_x"}
		},
		"skip": func() (drivers.Frames, drivers.Path, TravelOptions) { return f, p, TravelOptions{1, "left_x", -1} },
		"no scale": func() (drivers.Frames, drivers.Path, TravelOptions) {
			g := f
			g.Gain = 0
			return g, p, TravelOptions{1, "left_x", 0}
		},
		"another time": func() (drivers.Frames, drivers.Path, TravelOptions) {
			g := f
			g.Start = began.Add(time.Hour)
			return g, p, TravelOptions{1, "left_x", 0}
		},
		"standing still": func() (drivers.Frames, drivers.Path, TravelOptions) {
			return f, steps("left_x", []float64{0, 0}, 1, 1), TravelOptions{1, "left_x", 0}
		},
		"path out of time": func() (drivers.Frames, drivers.Path, TravelOptions) {
			return f, drivers.Path{p[1], p[0]}, TravelOptions{1, "left_x", 0}
		},
	}
	for name, c := range bad {
		_, err := Travel(c())
		require.ErrorContains(t, err, "measure: travel: ", name)
	}

	silent := sbus(5)
	r, err := Travel(silent, p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)
	require.Zero(t, r.Heard)
	require.Zero(t, r.Follows)
	require.True(t, math.IsNaN(r.HighEnd) && math.IsNaN(r.Hysteresis) && math.IsNaN(r.DeadBand))
	require.False(t, r.Monotonic)

	lost := f
	lost.Frames = append([]drivers.Frame(nil), f.Frames...)
	for i := range lost.Frames {
		if i%5 == 0 {
			lost.Frames[i].Lost = true
			lost.Frames[i].Channels = []uint16{0}
		}
	}
	r, err = Travel(lost, p, TravelOptions{Channel: 1, Axis: "left_x"})
	require.NoError(t, err)
	require.Zero(t, r.Dropouts, "lost frames are not looked at")
	within(t, "follows", r.Follows, 1, 0.01)
}

func rest(value, noise float64, seed uint64) drivers.Frames {
	f := sbus(0.25)
	rng := rand.New(rand.NewPCG(seed, 13))
	for at := 0.004; at < 0.25; at += 0.007 {
		raw := math.Round(992 + 8.192*(value+noise*rng.NormFloat64()))
		f.Frames = append(f.Frames, drivers.Frame{At: dur(at), Channels: []uint16{uint16(raw)}})
	}
	return f
}

func TestCentre(t *testing.T) {
	trials := []Release{{-1, rest(-0.6, 0.05, 1)}, {1, rest(1.4, 0.05, 2)}, {-1, rest(-0.2, 0.05, 3)}, {1, rest(1.8, 0.05, 4)}}
	r, err := Centre(trials, CentreOptions{Channel: 1})
	require.NoError(t, err)
	within(t, "offset", r.Offset, 0.6, 0.05)
	within(t, "play", r.Play, 2, 0.05)
	within(t, "spread", r.Spread, 2.4, 0.05)
	within(t, "from low", r.FromLow, -0.4, 0.05)
	within(t, "from high", r.FromHigh, 1.6, 0.05)
	within(t, "spread of the low side", r.SpreadLow, 0.4, 0.05)
	within(t, "spread of the high side", r.SpreadHigh, 0.4, 0.05)
	within(t, "noise", r.Noise, 0.06, 0.03)
	within(t, "noise, peak to peak", r.NoisePeakToPeak, 0.24, 0.13)
	within(t, "wiggle", r.Wiggle, 0.05, 0.05)
	require.Equal(t, []int{4 * 36, 0}, []int{r.Heard, r.SilentReleases})

	// The other way round: sides change places, play its sign. Order of the
	// trials is of no matter.
	turned := []Release{{-1, trials[3].Frames}, {1, trials[2].Frames}, {-1, trials[1].Frames}, {1, trials[0].Frames}}
	m, err := Centre(turned, CentreOptions{Channel: 1})
	require.NoError(t, err)
	within(t, "play, turned", m.Play, -r.Play, 1e-9)
	within(t, "offset, turned", m.Offset, r.Offset, 1e-9)
	within(t, "spread, turned", m.Spread, r.Spread, 1e-12)
	within(t, "noise, turned", m.Noise, r.Noise, 1e-12)

	still, err := Centre([]Release{{-1, rest(3, 0, 1)}, {1, rest(3, 0, 1)}}, CentreOptions{Channel: 1})
	require.NoError(t, err)
	require.Equal(t, []float64{0, 0, 0, 0, 0, 0}, []float64{still.Play, still.Spread, still.SpreadLow, still.Noise, still.NoisePeakToPeak, still.Wiggle})

	wander := rest(0, 0, 1)
	for i := range wander.Frames {
		wander.Frames[i].Channels = []uint16{uint16(992 + 25*math.Sin(2*math.Pi*float64(i)/36))}
	}
	r, err = Centre([]Release{{-1, wander}, {1, rest(0, 0, 1)}}, CentreOptions{Channel: 1})
	require.NoError(t, err)
	within(t, "wiggle", r.Wiggle, 5.6, 0.8)

	r, err = Centre([]Release{{-1, sbus(0.25)}, {1, rest(1, 0, 1)}}, CentreOptions{Channel: 1})
	require.NoError(t, err)
	require.Equal(t, 1, r.SilentReleases)
	require.True(t, math.IsNaN(r.Offset) && math.IsNaN(r.Play))

	for name, c := range map[string][]Release{
		"none": nil, "one side": {{1, rest(0, 0, 1)}}, "no side": {{0, rest(0, 0, 1)}, {1, rest(0, 0, 1)}},
		"empty": {{-1, sbus(0)}, {1, rest(0, 0, 1)}},
	} {
		_, err := Centre(c, CentreOptions{Channel: 1})
		require.ErrorContains(t, err, "measure: centre: ", name)
	}
}

func TestSwitch(t *testing.T) {
	hold := func(raw uint16) drivers.Frames {
		f := sbus(0.2)
		for at := 0.004; at < 0.2; at += 0.007 {
			f.Frames = append(f.Frames, drivers.Frame{At: dur(at), Channels: []uint16{raw}})
		}
		return f
	}
	off, on := hold(172), hold(1811)
	on.Frames[2].Channels = []uint16{172} // bounces while it settles
	r, err := Switch(off, on, SwitchOptions{Channel: 1})
	require.NoError(t, err)
	within(t, "off", r.AtOff, -100.1, 0.1)
	within(t, "on", r.AtOn, 100, 0.1)
	require.True(t, r.Moves)
	require.Zero(t, r.Bounces)

	on.Frames[15].Channels = []uint16{172}
	r, err = Switch(off, on, SwitchOptions{Channel: 1})
	require.NoError(t, err)
	require.Equal(t, 2, r.Bounces, "away and back")
	require.True(t, r.Moves)

	r, err = Switch(off, off, SwitchOptions{Channel: 1})
	require.NoError(t, err)
	require.False(t, r.Moves)

	r, err = Switch(off, sbus(0.2), SwitchOptions{Channel: 1})
	require.NoError(t, err)
	require.False(t, r.Moves)
	require.True(t, math.IsNaN(r.AtOn))

	_, err = Switch(off, sbus(0.05), SwitchOptions{Channel: 1})
	require.ErrorContains(t, err, "measure: switch: ")
	_, err = Switch(off, on, SwitchOptions{Channel: 3})
	require.ErrorContains(t, err, "measure: switch: channel 3")
}

func TestLink(t *testing.T) {
	at := func(n int, lost ...int) drivers.Frames {
		f := sbus(0.007 * float64(n))
		for i := range n {
			f.Frames = append(f.Frames, drivers.Frame{At: dur(0.003 + 0.007*float64(i)), Channels: []uint16{992}})
		}
		for _, i := range lost {
			f.Frames[i].Lost = true
		}
		return f
	}
	r, err := Link(at(100), LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, []int{100, 100, 0}, []int{r.Expected, r.Received, r.Lost})
	within(t, "upper", r.Upper, 100*(1-math.Pow(0.05, 0.01)), 1e-9)
	within(t, "gap", r.LongestGap, 0.007, 1e-9)

	r, err = Link(at(100, 10, 11, 12, 50), LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, []int{100, 96, 4}, []int{r.Expected, r.Received, r.Lost})
	within(t, "rate", r.ErrorRate, 4, 1e-9)
	within(t, "burst", r.BurstLength, 2, 1e-9)
	within(t, "gap", r.LongestGap, 0.028, 1e-9)

	// CRSF: what was not heard is not there.
	f := at(100)
	f.Format = "CRSF"
	f.Frames = append(append([]drivers.Frame(nil), f.Frames[:40]...), f.Frames[43:]...)
	r, err = Link(f, LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, []int{100, 97, 3}, []int{r.Expected, r.Received, r.Lost})
	within(t, "burst", r.BurstLength, 3, 1e-9)
	f.Period = 0
	r, err = Link(f, LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, 3, r.Lost, "period from the frames themselves")

	// Silence: all lost, whatever the format.
	r, err = Link(sbus(0.7), LinkOptions{})
	require.NoError(t, err)
	require.Equal(t, []int{100, 0, 100}, []int{r.Expected, r.Received, r.Lost})
	require.Equal(t, []float64{100, 100, 0.7}, []float64{r.ErrorRate, r.Upper, r.LongestGap})
	dead := at(100)
	for i := range dead.Frames {
		dead.Frames[i].Lost, dead.Frames[i].Failsafe = true, i > 70
	}
	r, err = Link(dead, LinkOptions{})
	require.NoError(t, err)
	require.True(t, r.Failsafe)
	require.Equal(t, []float64{100, 100}, []float64{r.ErrorRate, r.Upper})

	_, err = Link(drivers.Frames{}, LinkOptions{})
	require.ErrorContains(t, err, "measure: link: ")
}

func BenchmarkTravel(b *testing.B) {
	p := steps("left_x", sweep(11, 2), 4, 0.16)
	f := stick{gain: 1, lag: 0.0135, play: 0.004, noise: 0.0005}.record(p, "left_x", 1)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Travel(f, p, TravelOptions{Channel: 1, Axis: "left_x"}); err != nil {
			b.Fatal(err)
		}
	}
}
