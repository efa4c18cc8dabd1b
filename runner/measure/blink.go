package measure

import (
	"fmt"
	"math"

	"fullthrow/reports/statistics"
)

// BlinkSample is the brightness of a lamp at a moment: a luminance of measure.colour,
// a count of a sensor.
type BlinkSample struct {
	Time       float64 `unit:"s"`
	Brightness float64 `unit:"brightness"`
}

// Fault says what cannot be in a row.
func (s BlinkSample) Fault() string {
	switch {
	case !statistics.Finite(s.Time):
		return fmt.Sprintf("a time of %v s", s.Time)
	case !statistics.Finite(s.Brightness) || s.Brightness < 0:
		return fmt.Sprintf("a brightness of %v", s.Brightness)
	}
	return ""
}

// BlinkOptions say what counts as blinking.
type BlinkOptions struct {
	LeastFlicker float64 `unit:"%" default:"20" range:"(0,100]" help:"percent flicker below which the light is steady"`
}

// BlinkResult describes how a light goes on and off.
type BlinkResult struct {
	_ struct{} `why:"the light is steady, shows no whole period, or was sampled too seldom"`

	Blinks    bool    `help:"it goes on and off"`
	Flashes   int     `help:"times on with their beginning and end"`
	OnTime    float64 `unit:"s" help:"mean of the flashes"`
	OffTime   float64 `unit:"s" help:"mean of the times between flashes"`
	Period    float64 `unit:"s" help:"mean from flash to flash"`
	Jitter    float64 `unit:"s" help:"longest less shortest period"`
	Duty      float64 `unit:"%" help:"on_time over period"`
	Dimmest   float64 `unit:"brightness"`
	Brightest float64 `unit:"brightness"`
	// Of the samples: light that changes between them shows in neither. The index is
	// over whole periods where there are any.
	PercentFlicker float64 `unit:"%" help:"brightest less dimmest over their sum" why:"there is no light"`
	FlickerIndex   float64 `unit:"1" help:"share of the light above its mean" why:"there is no light"`
	Spacing        float64 `unit:"s" help:"longest time between two samples: half of it is how far off each edge may be"`
}

// Blink measures a light from its brightness at moments: on above the middle between
// dimmest and brightest, with a hysteresis of a fifth; an edge lies on the straight
// line between two samples. Where a period has fewer than four samples, or a phase
// fewer than two, times cannot be told.
//
// Special inputs: fewer than 4 samples, times that do not rise, and brightness that
// is below 0 or not finite are errors; a constant light is steady; darkness is
// steady with PercentFlicker NaN.
func Blink(samples []BlinkSample, o BlinkOptions) (BlinkResult, error) {
	const op = "blink"
	r := missing[BlinkResult]()
	o, err := complete(op, o)
	if err != nil {
		return r, err
	}
	if len(samples) < 4 {
		return r, errorf(op, "%d samples, at least 4 needed", len(samples))
	}
	r.Dimmest, r.Brightest, r.Spacing = math.Inf(1), 0, 0
	for i, s := range samples {
		if fault := s.Fault(); fault != "" {
			return r, errorf(op, "sample %d has %s", i+1, fault)
		}
		if i > 0 {
			d := s.Time - samples[i-1].Time
			if !(d > 0) {
				return r, errorf(op, "sample %d is at %v s, after one at %v s", i+1, s.Time, samples[i-1].Time)
			}
			r.Spacing = max(r.Spacing, d)
		}
		r.Dimmest, r.Brightest = min(r.Dimmest, s.Brightness), max(r.Brightest, s.Brightness)
	}
	if r.Brightest == 0 {
		return r, nil
	}
	r.PercentFlicker = 100 * (r.Brightest - r.Dimmest) / (r.Brightest + r.Dimmest)
	r.Blinks = r.PercentFlicker >= o.LeastFlicker
	if !r.Blinks {
		r.FlickerIndex = flickerIndex(samples)
		return r, nil
	}
	rises, falls, seldom := r.edges(samples)
	r.FlickerIndex = flickerIndex(samples)
	if n := len(rises); n > 1 {
		whole := during(samples, rises[0], rises[n-1])
		r.FlickerIndex = flickerIndex(whole)
	}
	on, off, period := paired(rises, falls), paired(falls, rises), paired(rises, rises)
	if len(period) == 0 { // two falls make a period as well
		period = paired(falls, falls)
	}
	r.Flashes = len(on)
	if seldom || len(on) == 0 || len(off) == 0 || len(period) == 0 {
		return r, nil
	}
	mean := statistics.Mean(period)
	if mean < 4*r.Spacing {
		return r, nil
	}
	low, high := extremes(period)
	r.OnTime, r.OffTime, r.Period, r.Jitter = statistics.Mean(on), statistics.Mean(off), mean, high-low
	r.Duty = 100 * r.OnTime / (r.OnTime + r.OffTime)
	return r, nil
}

// edges are the moments at which the light goes on and off, alternately; seldom says
// that a phase between two had fewer than two samples.
func (r *BlinkResult) edges(samples []BlinkSample) (rises, falls []float64, seldom bool) {
	middle, half := (r.Dimmest+r.Brightest)/2, (r.Brightest-r.Dimmest)/10
	on, since, known := samples[0].Brightness > middle, 0, 0
	for i := 1; i < len(samples); i++ {
		b := samples[i].Brightness
		if on && b >= middle-half || !on && b <= middle+half {
			continue
		}
		// The crossing is between the last sample on the old side of the middle and the next.
		k := i
		for k > since+1 && (samples[k-1].Brightness > middle) != on {
			k--
		}
		a, c := samples[k-1], samples[k]
		part := 0.5
		if c.Brightness != a.Brightness {
			part = min(1, max(0, (middle-a.Brightness)/(c.Brightness-a.Brightness)))
		}
		at := a.Time + part*(c.Time-a.Time)
		if known++; known > 1 && k-since < 2 {
			seldom = true
		}
		if on {
			falls = append(falls, at)
		} else {
			rises = append(rises, at)
		}
		on, since = !on, k
	}
	return rises, falls, seldom
}

// paired are the times from each of from to the next of to.
func paired(from, to []float64) (list []float64) {
	k := 0
	for _, a := range from {
		for k < len(to) && to[k] <= a {
			k++
		}
		if k < len(to) {
			list = append(list, to[k]-a)
		}
	}
	return list
}

// during are the samples from one moment to another; all where too few lie there.
func during(samples []BlinkSample, from, to float64) []BlinkSample {
	var list []BlinkSample
	for _, s := range samples {
		if s.Time >= from && s.Time <= to {
			list = append(list, s)
		}
	}
	if len(list) < 4 {
		return samples
	}
	return list
}

// flickerIndex is the light above the mean over all light (trapezoids between
// samples), as IES has it: 0 of a steady light, 1 of none but flashes.
func flickerIndex(samples []BlinkSample) float64 {
	area := func(f func(b float64) float64) (sum float64) {
		for i := 1; i < len(samples); i++ {
			a, b := samples[i-1], samples[i]
			sum += (b.Time - a.Time) * (f(a.Brightness) + f(b.Brightness)) / 2
		}
		return sum
	}
	all := area(func(b float64) float64 { return b })
	mean := all / (samples[len(samples)-1].Time - samples[0].Time)
	return area(func(b float64) float64 { return max(0, b-mean) }) / all
}
