package measure_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/receiver"
	"fullthrow/drivers/scpi"
	"fullthrow/drivers/sim"
	"fullthrow/runner/measure"
)

// bench is a simulated bench with its drivers: what a plan would have.
type bench struct {
	t        *testing.T
	ctx      context.Context
	clock    *sim.Clock
	sim      *sim.Bench
	supply   drivers.Supply
	meter    drivers.Meter
	board    drivers.Timer
	relay    map[int]drivers.Output
	damping  drivers.Attenuator
	sound    drivers.Recorder
	sticks   drivers.Mover
	receiver drivers.Receiver
}

func newBench(t *testing.T, seed uint64) *bench {
	t.Helper()
	clock := sim.NewClock(time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC))
	b := &bench{t: t, ctx: t.Context(), clock: clock, sim: sim.NewBench(clock, seed), relay: map[int]drivers.Output{}}
	open := func(role, model string) drivers.Device {
		d, err := scpi.Open(role, b.port(role), clock, model, drivers.Calibration{})
		require.NoError(t, err)
		return d
	}
	b.supply = open(sim.Supply, "generic-supply").(drivers.Supply)
	b.meter = open(sim.Meter, "generic-meter").(drivers.Meter)
	b.damping = open(sim.Attenuator, "generic-attenuator").(drivers.Attenuator)
	b.sound = open(sim.Microphone, "generic-digitiser").(drivers.Recorder)
	board := open(sim.Board, "fixture-board")
	b.board = board.(drivers.Timer)
	for n := 1; n <= 6; n++ {
		out, err := board.(drivers.Lines).Output(fmt.Sprint("relay ", n), n, false, false)
		require.NoError(t, err)
		b.relay[n] = out
	}
	var err error
	b.sticks, err = motion.Open(sim.Sticks, b.port(sim.Sticks), clock, motion.Options{})
	require.NoError(t, err)
	b.receiver, err = receiver.Open(sim.Receiver, b.port(sim.Receiver), clock, receiver.Options{Format: "SBUS"})
	require.NoError(t, err)
	return b
}

func (b *bench) port(role string) drivers.Port {
	p, err := b.sim.Port(role)
	require.NoError(b.t, err)
	return p
}

func (b *bench) must(err error) {
	b.t.Helper()
	require.NoError(b.t, err)
}

func (b *bench) wait(s float64) { b.must(b.clock.Sleep(b.ctx, seconds(s))) }

func (b *bench) set(relay int, on bool) { b.must(b.relay[relay].Set(b.ctx, on)) }

func (b *bench) record(s float64) drivers.Frames {
	f, err := b.receiver.Record(b.ctx, seconds(s))
	b.must(err)
	return f
}

func (b *bench) current(rng, rate, s float64) drivers.Samples {
	c, err := b.meter.Current(b.ctx, rng, rate, seconds(s))
	b.must(err)
	return c
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

var axes = []string{"left_x", "left_y", "right_x", "right_y"}

func everywhere(x float64) map[string]float64 {
	to := map[string]float64{}
	for _, a := range axes {
		to[a] = x
	}
	return to
}

// readings runs one handset through what a plan does with it.
func (b *bench) readings(h sim.Handset) map[string]float64 {
	b.t.Helper()
	out := map[string]float64{}
	truth := map[bool]float64{true: 1}
	b.sim.Load(h)
	b.must(b.supply.SetVoltage(b.ctx, 3.7))
	b.must(b.supply.SetCurrentLimit(b.ctx, 1.5))
	b.set(1, false)
	b.must(b.supply.SetOutput(b.ctx, true))
	b.wait(2)
	standby, err := measure.Steady(b.current(100e-6, 1000, 1))
	b.must(err)
	out["standby.current"] = standby.Mean

	var surge, tune drivers.Samples
	b.clock.Together(b.ctx,
		func(ctx context.Context) {
			var err error
			surge, err = b.meter.Current(ctx, 3, 10000, seconds(0.3))
			b.must(err)
		},
		func(ctx context.Context) {
			var err error
			tune, err = b.sound.Record(ctx, seconds(1.5))
			b.must(err)
		},
		func(ctx context.Context) {
			b.must(b.clock.Sleep(ctx, seconds(0.05)))
			b.must(b.relay[1].Set(ctx, true))
		})
	inrush, err := measure.Inrush(surge)
	b.must(err)
	out["inrush.peak"], out["inrush.charge"] = inrush.Peak, inrush.Charge
	running, err := measure.Steady(b.current(0.3, 1000, 0.5))
	b.must(err)
	out["running.current"], out["running.ripple"] = running.Mean, running.PeakToPeak

	sound, err := measure.Tune(tune, measure.TuneOptions{Score: []measure.Note{{Pitch: 1047, Length: 0.15}, {Pitch: 1319, Length: 0.15}, {Pitch: 1568, Length: 0.15}, {Pitch: 2093, Length: 0.3}}})
	b.must(err)
	out["tune.found"], out["tune.extra"] = float64(sound.Right), float64(sound.Extra)
	out["tune.pitch"], out["tune.length"] = sound.WorstCents, sound.WorstLength
	out["tune.weakest"], out["tune.distortion"] = sound.WeakestLevel, sound.THD
	out["tune.foreign"] = sound.ForeignLevel

	b.set(6, true)
	b.must(b.sticks.Home(b.ctx))
	var frames drivers.Frames
	var path drivers.Path
	move := func(ctx context.Context, x float64) {
		s, err := b.sticks.Move(ctx, everywhere(x), 4)
		b.must(err)
		path = append(path, s)
	}
	b.clock.Together(b.ctx,
		func(ctx context.Context) {
			var err error
			frames, err = b.receiver.Record(ctx, seconds(8.5))
			b.must(err)
		},
		func(ctx context.Context) {
			move(ctx, -1)
			for range 2 {
				for i := 1; i < 21; i++ {
					b.must(b.clock.Sleep(ctx, seconds(0.13)))
					move(ctx, 1-math.Abs(float64(i)/5-2))
				}
			}
			b.must(b.clock.Sleep(ctx, seconds(0.13)))
			move(ctx, -1)
		})
	move(b.ctx, -0.06)
	var slow drivers.Frames
	var ways []drivers.Path
	b.clock.Together(b.ctx,
		func(ctx context.Context) {
			var err error
			slow, err = b.receiver.Record(ctx, seconds(1.4))
			b.must(err)
		},
		func(ctx context.Context) {
			for _, x := range []float64{0.06, -0.06} {
				s, err := b.sticks.Move(ctx, everywhere(x), 0.2)
				b.must(err)
				ways = append(ways, drivers.Path{s})
			}
		})
	for i, a := range axes {
		r, err := measure.Travel(frames, path, measure.TravelOptions{Channel: i + 1, Axis: a})
		b.must(err)
		band, err := measure.DeadBand(slow, ways, measure.DeadBandOptions{Channel: i + 1, Axis: a, Lag: r.Lag})
		b.must(err)
		for name, v := range map[string]float64{"follows": r.Follows, "low_end": r.LowEnd, "high_end": r.HighEnd, "non_linearity": r.NonLinearity,
			"hysteresis": r.Hysteresis, "play_width": r.Play, "dead_band": band.Width, "noise": r.Noise, "dropouts": float64(r.Dropouts), "lag": r.Lag, "repeatability": r.Repeatability} {
			out["sticks."+a+"_"+name] = v
		}
	}

	var trials []measure.Release
	for trial := range 6 {
		from := float64(2*(trial%2) - 1)
		b.set(6, true)
		move(b.ctx, from)
		b.wait(0.05)
		b.set(6, false)
		b.wait(0.3)
		trials = append(trials, measure.Release{From: from, Frames: b.record(0.25)})
	}
	for i, a := range axes {
		r, err := measure.Centre(trials, measure.CentreOptions{Channel: i + 1})
		b.must(err)
		for name, v := range map[string]float64{"offset": r.Offset, "play": r.Play, "spread": r.Spread, "noise": r.Noise, "wiggle": r.Wiggle} {
			out["centre."+a+"_"+name] = v
		}
	}

	for n := 2; n <= 5; n++ {
		b.set(n, false)
		b.wait(0.05)
		off := b.record(0.15)
		b.set(n, true)
		b.wait(0.05)
		on := b.record(0.25)
		b.set(n, false)
		r, err := measure.Switch(off, on, measure.SwitchOptions{Channel: n + 3})
		b.must(err)
		out[fmt.Sprintf("switches.%d_moves", n)], out[fmt.Sprintf("switches.%d_bounces", n)] = truth[r.Moves], float64(r.Bounces)
	}

	for _, place := range []struct {
		name   string
		dB, on float64
	}{{"near", 30, 1.4}, {"far", 60, 3.5}} {
		b.must(b.damping.SetAttenuation(b.ctx, place.dB))
		b.wait(0.1)
		r, err := measure.Link(b.record(place.on), measure.LinkOptions{})
		b.must(err)
		out["link."+place.name+"_error_rate"], out["link."+place.name+"_gap"] = r.ErrorRate, r.LongestGap
	}
	b.must(b.damping.SetAttenuation(b.ctx, 30))

	var intervals []float64
	for range 60 {
		v, err := b.board.Interval(b.ctx)
		b.must(err)
		intervals = append(intervals, v)
	}
	latency, err := measure.Latency(intervals)
	b.must(err)
	out["latency.missed"], out["latency.mean"], out["latency.sd"] = float64(latency.Missed), latency.Mean, latency.SD

	var starts []measure.StartTrial
	for _, off := range []float64{2.8, 2.4, 2.0} {
		b.set(1, false)
		b.wait(off)
		b.set(1, true)
		b.wait(0.25)
		on, err := measure.Started(b.current(0.3, 1000, 0.15), 0.06)
		b.must(err)
		starts = append(starts, measure.StartTrial{Off: off, Started: on})
	}
	restart, err := measure.Restart(starts)
	b.must(err)
	out["restart.shortest_off"] = restart.ShortestOff
	if restart.Bound == "more" {
		out["restart.shortest_off"] = math.Inf(1)
	}
	b.set(1, false)
	b.must(b.supply.SetOutput(b.ctx, false))
	return out
}

// bounds are what a good unit must keep and each defect must break. NaN
// breaks every bound.
var bounds = []struct {
	reading      string // part of the name after the check
	lower, upper float64
}{
	{"standby.current", 1e-6, 12e-6}, {"inrush.peak", 0.2, 1.1}, {"inrush.charge", 0, 6e-3},
	{"running.current", 0.095, 0.14}, {"running.ripple", 0, 0.03},
	{"tune.found", 4, 4}, {"tune.extra", 0, 0}, {"tune.pitch", 0, 25}, {"tune.length", 0, 10}, {"tune.weakest", -28, -6},
	{"tune.distortion", 0, 10}, {"tune.foreign", -300, -35},
	{"follows", 0.9, 1.1}, {"low_end", -110, -90}, {"high_end", 90, 110}, {"non_linearity", 0, 2.5}, {"hysteresis", 0, 1.2},
	{"dead_band", 0, 1}, {"sticks.noise", 0, 0.4}, {"dropouts", 0, 0}, {"lag", 0.002, 0.05},
	{"offset", -3.5, 3.5}, {"play", -1.5, 1.5}, {"spread", 0, 2}, {"centre.noise", 0, 0.4}, {"wiggle", 0, 1},
	{"moves", 1, 1}, {"bounces", 0, 0}, {"near_error_rate", 0, 2}, {"near_gap", 0, 0.05}, {"far_error_rate", 0, 10}, {"far_gap", 0, 0.15},
	{"latency.missed", 0, 0}, {"latency.mean", 0.005, 0.016}, {"latency.sd", 0, 0.004}, {"restart.shortest_off", 0, 3.2},
}

// broken lists the readings outside their bounds, as "name = value".
func broken(readings map[string]float64) []string {
	var out []string
	for name, v := range readings {
		check, rest, _ := strings.Cut(name, ".")
		for _, b := range bounds {
			c, r, two := strings.Cut(b.reading, ".")
			if !two {
				r = b.reading
			}
			if (two && c != check) || (rest != r && !strings.HasSuffix(rest, "_"+r)) {
				continue
			}
			if !(v >= b.lower && v <= b.upper) {
				out = append(out, fmt.Sprintf("%s = %.4g", name, v))
			}
		}
	}
	sort.Strings(out)
	return out
}

// Sound handsets keep every bound.
func TestSoundHandsetsPass(t *testing.T) {
	low, high := map[string]float64{}, map[string]float64{}
	for seed := range uint64(12) {
		got := newBench(t, seed).readings(sim.Good(rand.New(rand.NewPCG(seed, 1))))
		if bad := broken(got); len(bad) > 0 {
			t.Errorf("seed %d: a sound handset breaks %v", seed, bad)
		}
		for name, v := range got {
			if seed == 0 {
				low[name], high[name] = v, v
			}
			low[name], high[name] = min(low[name], v), max(high[name], v)
		}
	}
	var names []string
	for name := range low {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		if !strings.Contains(name, "left_y") && !strings.Contains(name, "right") {
			t.Logf("%-28s %10.4g .. %.4g", name, low[name], high[name])
		}
	}
}

// Each defect the simulation knows breaks a bound of the check that is to
// catch it.
func TestSeededDefectsAreSeen(t *testing.T) {
	for i, d := range sim.Defects() {
		t.Run(d.Name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(uint64(i), 2))
			h := sim.Good(rng)
			d.Apply(&h, 1, rng)
			bad := broken(newBench(t, uint64(i)).readings(h))
			t.Log(bad)
			for _, b := range bad {
				if strings.HasPrefix(b, d.Check+".") {
					return
				}
			}
			t.Errorf("check %s breaks nothing; broken are %v", d.Check, bad)
		})
	}
}
