package measure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func lamp(over, every float64, f func(t float64) float64) []BlinkSample {
	var list []BlinkSample
	for i := 0; float64(i)*every <= over; i++ {
		t := float64(i) * every
		list = append(list, BlinkSample{t, f(t)})
	}
	return list
}

func blinking(period, duty, dim, bright float64) func(t float64) float64 {
	return func(t float64) float64 {
		if _, part := math.Modf(t/period + 0.1); part < duty {
			return bright
		}
		return dim
	}
}

func TestBlink(t *testing.T) {
	for _, c := range []struct{ period, duty, dim, bright float64 }{
		{1, 0.5, 0, 100}, {1, 0.1, 0, 3e-4}, {0.4, 0.75, 10, 90}, {2, 0.9, 1, 4},
	} {
		got, err := Blink(lamp(10, 0.01, blinking(c.period, c.duty, c.dim, c.bright)), BlinkOptions{})
		require.NoError(t, err)
		assert.True(t, got.Blinks)
		assert.InDelta(t, c.period, got.Period, 0.011)
		assert.InDelta(t, c.period*c.duty, got.OnTime, 0.011)
		assert.InDelta(t, c.period*(1-c.duty), got.OffTime, 0.011)
		assert.InDelta(t, 100*c.duty, got.Duty, 100*0.011/c.period)
		assert.InDelta(t, 100*(c.bright-c.dim)/(c.bright+c.dim), got.PercentFlicker, 1e-9)
		assert.InDelta(t, 10/c.period, float64(got.Flashes), 1.5)
		assert.InDelta(t, 0.01, got.Spacing, 1e-12)
		assert.LessOrEqual(t, got.Jitter, 0.0201)
	}
}

// Published (IES, recommended practice of lighting metrics; also in textbooks): a
// fully modulated sine has 100 % flicker and an index of 1/pi, a square wave 100 % and
// 1/2, a triangle 100 % and 1/4.
func TestFlickerIndex(t *testing.T) {
	for _, c := range []struct {
		name        string
		f           func(t float64) float64
		index, less float64
	}{
		{"sine", func(t float64) float64 { return 1 + math.Sin(2*math.Pi*t) }, 1 / math.Pi, 2e-3},
		{"square", blinking(1, 0.5, 0, 1), 0.5, 5e-3},
		{"triangle", func(t float64) float64 { _, p := math.Modf(t); return 1 - math.Abs(2*p-1) }, 0.25, 2e-3},
	} {
		got, err := Blink(lamp(5, 0.001, c.f), BlinkOptions{})
		require.NoError(t, err)
		assert.InDelta(t, c.index, got.FlickerIndex, c.less, c.name)
		assert.InDelta(t, 100, got.PercentFlicker, 0.01, c.name)
	}
}

// Light that was sampled too seldom, is steady or dark has no times.
func TestBlinkThatCannotBeTold(t *testing.T) {
	for name, samples := range map[string][]BlinkSample{
		"seldom":      lamp(20, 0.4, blinking(1, 0.5, 0, 1)),
		"aliased":     lamp(20, 0.99, blinking(1, 0.5, 0, 1)),
		"one flash":   lamp(1, 0.01, blinking(1, 0.5, 0, 1)),
		"steady":      lamp(1, 0.01, func(float64) float64 { return 5 }),
		"dark":        lamp(1, 0.01, func(float64) float64 { return 0 }),
		"goes out":    lamp(1, 0.01, func(t float64) float64 { return math.Max(0, math.Round(1-t)) }),
		"short flash": lamp(20, 0.1, blinking(1, 0.05, 0, 1)),
	} {
		got, err := Blink(samples, BlinkOptions{})
		require.NoError(t, err, name)
		for _, v := range []float64{got.OnTime, got.Duty} {
			if name == "aliased" { // what no sample shows nobody can tell: the period is at least no short one
				continue
			}
			assert.True(t, math.IsNaN(v), "%s: %+v", name, got)
		}
	}
	for name, samples := range map[string][]BlinkSample{
		"few":       {{0, 1}, {1, 2}, {2, 1}},
		"backwards": {{0, 1}, {1, 2}, {0.5, 1}, {2, 1}},
		"NaN":       {{0, 1}, {1, math.NaN()}, {2, 1}, {3, 1}},
		"negative":  {{0, 1}, {1, -1}, {2, 1}, {3, 1}},
	} {
		_, err := Blink(samples, BlinkOptions{})
		assert.Error(t, err, name)
	}
}

// Brighter by a factor and later by a time it is the same lamp.
func TestBlinkScales(t *testing.T) {
	a, err := Blink(lamp(7, 0.013, blinking(0.9, 0.3, 0.2, 3)), BlinkOptions{})
	require.NoError(t, err)
	samples := lamp(7, 0.013, blinking(0.9, 0.3, 0.2, 3))
	for i := range samples {
		samples[i].Time += 1000
		samples[i].Brightness *= 64
	}
	b, err := Blink(samples, BlinkOptions{})
	require.NoError(t, err)
	assert.InDelta(t, a.Period, b.Period, 1e-9)
	assert.InDelta(t, a.Duty, b.Duty, 1e-6)
	assert.InDelta(t, a.FlickerIndex, b.FlickerIndex, 1e-9)
}
