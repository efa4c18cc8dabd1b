package offline

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fullthrow/drivers"
	"fullthrow/runner/chart"
	"fullthrow/runner/measure"
)

// throw is channel ch of frame i in % of throw.
func throw(f drivers.Frames, i, ch int) float64 { return (f.Microseconds(i, ch) - 1500) / 5.12 }

func plotTravel(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.TravelResult)
	o := t.in[2].Interface().(measure.TravelOptions)
	curve := measure.TravelPointsOptions{}
	f := sweepFigure(r.Points, curve, "%", "%")
	frames, path := t.in[0].Interface().(drivers.Frames), t.in[1].Interface().(drivers.Path)
	out, in := chart.Line{Name: fmt.Sprintf("channel %d", o.Channel)}, chart.Line{Name: o.Axis, Colour: 1, Dash: true}
	for i := range frames.Frames {
		if !frames.Frames[i].Lost && !frames.Frames[i].Failsafe && len(frames.Frames[i].Channels) >= o.Channel {
			out.X, out.Y = append(out.X, frames.Frames[i].At.Seconds()), append(out.Y, throw(frames, i, o.Channel))
		}
	}
	for _, s := range path {
		if _, ok := s.From[o.Axis]; ok {
			in.X = append(in.X, s.Start.Sub(frames.Start).Seconds(), s.End.Sub(frames.Start).Seconds())
			in.Y = append(in.Y, 100*s.From[o.Axis], 100*s.To[o.Axis])
		}
	}
	over := chart.Panel{XLabel: "time / s", YLabel: "% of throw", Height: 200, Lines: []chart.Line{out, in}}
	for _, s := range r.Spots {
		f.Panels[0].Rules = append(f.Panels[0].Rules, chart.Rule{At: (s.From + s.To) / 2, Vertical: true, Text: fmt.Sprintf("%d dropouts", s.Dropouts)})
	}
	f.Panels = append(f.Panels, over)
	f.Notes = []string{
		fmt.Sprintf("hysteresis %s of span, play %s, non-linearity %s of span", quantity(r.Hysteresis, "%"), quantity(r.Play, "%"), quantity(r.NonLinearity, "%")),
		fmt.Sprintf("noise %s rms, dropouts %d, dead band %s, lag %s", quantity(r.Noise, "%"), r.Dropouts, quantity(r.DeadBand, "%"), quantity(r.Lag, "s")),
	}
	return f
}

func plotTravelPoints(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.TravelPointsResult)
	f := sweepFigure(t.in[0].Interface().([]measure.TravelPoint), t.in[1].Interface().(measure.TravelPointsOptions), t.units["commanded"], t.units["output"])
	f.Notes = []string{
		fmt.Sprintf("hysteresis %s of span at %s, repeatability %s of span", quantity(r.Hysteresis, "%"), quantity(r.HysteresisAt, t.units["commanded"]), quantity(r.Repeatability, "%")),
		fmt.Sprintf("non-linearity of span: terminal %s, independent %s, zero-based %s, least squares %s",
			quantity(r.TerminalLine.NonLinearity, "%"), quantity(r.IndependentLine.NonLinearity, "%"), quantity(r.ZeroLine.NonLinearity, "%"), quantity(r.LeastSquaresLine.NonLinearity, "%")),
	}
	return f
}

// sweepFigure is output against commanded position both ways, and how far it
// is from the line through its ends.
func sweepFigure(points []measure.TravelPoint, o measure.TravelPointsOptions, x, y string) chart.Figure {
	up := chart.Line{Name: "up", Dots: true, Arrows: 1}
	down := chart.Line{Name: "down", Dots: true, Arrows: -1, Colour: 1}
	for _, p := range points {
		l := &down
		if p.Up {
			l = &up
		}
		l.X, l.Y = append(l.X, p.Commanded), append(l.Y, p.Output)
	}
	both := chart.Panel{XLabel: "commanded / " + x, YLabel: "output / " + y, Height: 300, Lines: []chart.Line{up, down}}
	rest := chart.Panel{XLabel: "commanded / " + x, YLabel: "residual / % of span", Height: 200, Zero: true}
	if r, err := measure.TravelPoints(points, o); err == nil {
		line := r.TerminalLine
		residual := func(at, v float64) float64 { return 100 * (v - line.Intercept - line.Slope*at) / r.Span }
		ups, downs := chart.Line{Name: "up, averaged"}, chart.Line{Name: "down, averaged", Colour: 1, Dash: true}
		for _, c := range r.Curve {
			ups.X, ups.Y = append(ups.X, c.Commanded), append(ups.Y, residual(c.Commanded, c.Upwards))
			downs.X, downs.Y = append(downs.X, c.Commanded), append(downs.Y, residual(c.Commanded, c.Downwards))
		}
		dots := func(l chart.Line) chart.Line {
			l.Name = ""
			l.Y = slices.Clone(l.Y)
			for i := range l.Y {
				l.Y[i] = residual(l.X[i], l.Y[i])
			}
			return l
		}
		rest.Lines = []chart.Line{ups, downs, dots(up), dots(down)}
		if r.Hysteresis > 0 {
			rest.Rules = []chart.Rule{{At: r.HysteresisAt, Vertical: true, Text: "hysteresis " + quantity(r.Hysteresis, "%")}}
		}
		if n := len(r.Curve); n > 1 {
			a, z := r.Curve[0].Commanded, r.Curve[n-1].Commanded
			both.Lines = append(both.Lines, chart.Line{Name: "line through the ends", Thin: true, Colour: 4, X: []float64{a, z}, Y: []float64{line.Intercept + line.Slope*a, line.Intercept + line.Slope*z}})
		}
	}
	return chart.Figure{Desc: "Output against commanded position in both directions, and its distance from the line through the ends.", Panels: []chart.Panel{both, rest}}
}

func plotDeadBand(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.DeadBandResult)
	o := t.in[2].Interface().(measure.DeadBandOptions)
	frames := t.in[0].Interface().(drivers.Frames)
	up := chart.Line{Name: "up", Dots: true, Arrows: 1}
	down := chart.Line{Name: "down", Dots: true, Arrows: -1, Colour: 1}
	for _, path := range t.in[1].Interface().([]drivers.Path) {
		for _, s := range path {
			from, to := 100*s.From[o.Axis], 100*s.To[o.Axis]
			a, z := s.Start.Sub(frames.Start).Seconds()+o.Lag, s.End.Sub(frames.Start).Seconds()+o.Lag
			if from == to || z <= a {
				continue
			}
			l := &up
			if to < from {
				l = &down
			}
			for i := range frames.Frames {
				at := frames.Frames[i].At.Seconds()
				if at < a || at > z || frames.Frames[i].Lost || frames.Frames[i].Failsafe {
					continue
				}
				x := from + (to-from)*(at-a)/(z-a)
				if math.Abs(x) > max(6, 2*r.Width) {
					continue
				}
				l.X, l.Y = append(l.X, x), append(l.Y, throw(frames, i, o.Channel))
			}
		}
	}
	p := chart.Panel{XLabel: "commanded / %", YLabel: "output / %", Height: 340, Lines: []chart.Line{up, down},
		Rules: []chart.Rule{{At: r.Middle - r.Width/2, Vertical: true}, {At: r.Middle + r.Width/2, Vertical: true, Text: "dead band " + bounded(r.Width, r.Bound, "%")}}}
	return chart.Figure{Desc: "Output against commanded position near the centre, in both directions.", Panels: []chart.Panel{p},
		Notes: []string{fmt.Sprintf("dead band %s ± %s of throw", bounded(r.Width, r.Bound, "%"), quantity(r.Uncertainty, "%"))}}
}

func plotCentre(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.CentreResult)
	o := t.in[1].Interface().(measure.CentreOptions)
	p := chart.Panel{XLabel: "time since letting go / s", YLabel: "% of throw", Height: 320}
	names := map[float64]string{-1: "from the low side", 1: "from the high side"}
	for _, x := range t.in[0].Interface().([]measure.Release) {
		side := 1.0
		l := chart.Line{Colour: 1, Dash: true}
		if x.From < 0 {
			side, l = -1, chart.Line{}
		}
		l.Name = names[side]
		delete(names, side)
		for i, f := range x.Frames.Frames {
			if !f.Lost && !f.Failsafe && len(f.Channels) >= o.Channel {
				l.X, l.Y = append(l.X, f.At.Seconds()), append(l.Y, throw(x.Frames, i, o.Channel))
			}
		}
		p.Lines = append(p.Lines, l)
	}
	p.Rules = []chart.Rule{{At: r.FromLow, Text: "mean from low " + quantity(r.FromLow, "%")}, {At: r.FromHigh, Text: "mean from high " + quantity(r.FromHigh, "%")}}
	return chart.Figure{Desc: "Where the stick rested after each release, by side.", Panels: []chart.Panel{p},
		Notes: []string{fmt.Sprintf("offset %s, play %s, spread %s, noise %s of throw", quantity(r.Offset, "%"), quantity(r.Play, "%"), quantity(r.Spread, "%"), quantity(r.Noise, "%"))}}
}

func plotSwitch(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.SwitchResult)
	o := t.in[2].Interface().(measure.SwitchOptions)
	p := chart.Panel{XLabel: "time / s", YLabel: "% of throw"}
	for k, name := range []string{"off", "on"} {
		f := t.in[k].Interface().(drivers.Frames)
		l := chart.Line{Name: name, Colour: k, Dash: k > 0}
		for i := range f.Frames {
			if !f.Frames[i].Lost && !f.Frames[i].Failsafe && len(f.Frames[i].Channels) >= o.Channel {
				l.X, l.Y = append(l.X, f.Frames[i].At.Seconds()), append(l.Y, throw(f, i, o.Channel))
			}
		}
		p.Lines = append(p.Lines, l)
	}
	p.Rules = []chart.Rule{{At: r.AtOff, Text: "off " + quantity(r.AtOff, "%")}, {At: r.AtOn, Text: "on " + quantity(r.AtOn, "%")}}
	return chart.Figure{Desc: "The channel over time in both positions of the switch.", Panels: []chart.Panel{p}, Notes: []string{fmt.Sprintf("%d bounces", r.Bounces)}}
}

// losses is the panel of an error rate over time, and where frames are missing.
func (t *Taken) losses() chart.Panel {
	f := t.in[0].Interface().(drivers.Frames)
	length := f.Length.Seconds()
	n := len(f.Frames)
	if n > 0 {
		length = max(length, f.Frames[n-1].At.Seconds())
	}
	period := f.Period.Seconds()
	if period <= 0 && n > 2 {
		var gaps []float64
		for i := 1; i < n; i++ {
			gaps = append(gaps, (f.Frames[i].At - f.Frames[i-1].At).Seconds())
		}
		slices.Sort(gaps)
		period = gaps[len(gaps)/2]
	}
	p := chart.Panel{XLabel: "time / s", YLabel: "lost / %", Zero: true}
	if period <= 0 || length <= 0 {
		return p
	}
	bins := min(max(int(length/period/20), 1), 120)
	heard, lost := make([]float64, bins), make([]float64, bins)
	add := func(to []float64, at float64) {
		to[min(max(int(at/length*float64(bins)), 0), bins-1)]++
	}
	hole := func(from, to float64, missing int) {
		for k := range min(missing, 100000) {
			add(lost, from+(to-from)*float64(k+1)/float64(missing+1))
		}
	}
	last := 0.0
	for _, x := range f.Frames {
		at := x.At.Seconds()
		hole(last, at, int(math.Round((at-last)/period))-1)
		last = at
		if x.Lost || x.Failsafe {
			add(lost, at)
		} else {
			add(heard, at)
		}
	}
	hole(last, length, int(math.Round((length-last)/period))-1)
	each := length / float64(bins)
	for i := range heard {
		if all := heard[i] + lost[i]; all > 0 {
			p.Bars = append(p.Bars, chart.Bar{From: each * float64(i), To: each * float64(i+1), Height: 100 * lost[i] / all})
		}
	}
	return p
}

// widest thins a line to the largest value of each of its stretches.
func widest(l chart.Line) chart.Line {
	if len(l.X) <= drawn {
		return l
	}
	out := chart.Line{Thin: l.Thin}
	for k := range drawn {
		best := k * len(l.X) / drawn
		for i := best; i < (k+1)*len(l.X)/drawn; i++ {
			if l.Y[i] > l.Y[best] {
				best = i
			}
		}
		out.X, out.Y = append(out.X, l.X[best]), append(out.Y, l.Y[best])
	}
	return out
}

func plotLink(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.LinkResult)
	p := t.losses()
	p.Rules = []chart.Rule{{At: r.ErrorRate, Text: "error rate " + quantity(r.ErrorRate, "%")}}
	f := t.in[0].Interface().(drivers.Frames)
	gaps := chart.Panel{XLabel: "time / s", YLabel: "gap since the last frame / s", Height: 180, Zero: true}
	last, l := 0.0, chart.Line{Thin: true}
	worst := chart.Mark{X: math.NaN()}
	add := func(at float64) {
		l.X, l.Y = append(l.X, at), append(l.Y, at-last)
		if !finite(worst.X) || at-last > worst.Y {
			worst = chart.Mark{X: at, Y: at - last, Text: "longest " + quantity(r.LongestGap, "s")}
		}
		last = at
	}
	for _, x := range f.Frames {
		if !x.Lost && !x.Failsafe {
			add(x.At.Seconds())
		}
	}
	if f.Length.Seconds() > last {
		add(f.Length.Seconds())
	}
	l = widest(l)
	gaps.Lines, gaps.Marks = []chart.Line{l}, []chart.Mark{worst}
	return chart.Figure{Desc: "The share of frames lost over time, and the time without a new frame.", Panels: []chart.Panel{p, gaps},
		Notes: []string{fmt.Sprintf("%d of %d frames lost, %s (95 %%: %s to %s); longest gap %s", r.Lost, r.Expected, quantity(r.ErrorRate, "%"), quantity(r.Exact.Low, "%"), quantity(r.Exact.High, "%"), quantity(r.LongestGap, "s"))}}
}

func plotBursts(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.BurstResult)
	return chart.Figure{Desc: "The share of frames lost over time.", Panels: []chart.Panel{t.losses()},
		Notes: []string{fmt.Sprintf("%d of %d frames lost, in %d bursts of %s frames on average, the longest of %d", r.Lost, r.Expected, r.Bursts, quantity(r.BurstLength, "1"), r.LongestBurst)}}
}

func plotSweep(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.SweepResult)
	o := t.in[1].Interface().(measure.SweepOptions)
	points := slices.Clone(t.in[0].Interface().([]measure.SweepPoint))
	slices.SortFunc(points, func(a, b measure.SweepPoint) int { return cmp.Compare(a.Attenuation, b.Attenuation) })
	l := chart.Line{Dots: true}
	band := chart.Line{Name: "95 % interval", Thin: true, Colour: 4}
	gap := math.NaN()
	for _, p := range points {
		l.X, l.Y = append(l.X, p.Attenuation), append(l.Y, 100*float64(p.Lost)/float64(p.Sent))
		low, high := measure.Wilson(p.Lost, p.Sent, 0.95)
		band.X, band.Y = append(band.X, p.Attenuation, p.Attenuation, gap), append(band.Y, 100*low, 100*high, gap)
	}
	l.Name = "lost"
	rate := o.ErrorRate
	if rate == 0 {
		rate = 1
	}
	p := chart.Panel{XLabel: "attenuation / dB", YLabel: "lost / %", Zero: true, Height: 300, Lines: []chart.Line{band, l},
		Rules: []chart.Rule{{At: r.Attenuation, Vertical: true, Text: fmt.Sprintf("%g %% lost at %s", rate, bounded(r.Attenuation, r.Bound, "dB"))}}}
	return chart.Figure{Desc: "Packets lost against attenuation, each with its interval, and the attenuation of the error rate asked for.", Panels: []chart.Panel{p},
		Notes: []string{fmt.Sprintf("%g %% lost at %s, interval %s to %s", rate, bounded(r.Attenuation, r.Bound, "dB"), quantity(r.Interval.Low, "dB"), quantity(r.Interval.High, "dB"))}}
}

// starts is the panel of trials: share started against time off.
func (t *Taken) starts() chart.Panel {
	trials := t.in[0].Interface().([]measure.StartTrial)
	p := chart.Panel{XLabel: "time off / s", YLabel: "trial", Height: 260, Zero: true}
	yes := chart.Line{Name: "started", Dots: true, Arrows: 1}
	no := chart.Line{Name: "did not start", Dots: true, Arrows: -1, Colour: 1}
	for i, x := range trials {
		l := &no
		if x.Started {
			l = &yes
		}
		l.X, l.Y = append(l.X, x.Off), append(l.Y, float64(i+1))
	}
	p.Lines = []chart.Line{yes, no}
	return p
}

func plotRestart(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.RestartResult)
	p := t.starts()
	p.Rules = []chart.Rule{{At: r.ShortestOff, Vertical: true, Text: "starts after " + bounded(r.ShortestOff, r.Bound, "s")}}
	return chart.Figure{Desc: "Each trial by its time off, and whether the unit started.", Panels: []chart.Panel{p},
		Notes: []string{"shortest time off: " + bounded(r.ShortestOff, r.Bound, "s")}}
}

func plotStartCurve(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.StartCurveResult)
	l := chart.Line{Name: "started", Dots: true}
	band := chart.Line{Name: "interval", Thin: true, Colour: 4}
	gap := math.NaN()
	for _, x := range r.Levels {
		l.X, l.Y = append(l.X, x.Off), append(l.Y, 100*x.Probability)
		band.X, band.Y = append(band.X, x.Off, x.Off, gap), append(band.Y, 100*x.Interval.Low, 100*x.Interval.High, gap)
	}
	p := chart.Panel{XLabel: "time off / s", YLabel: "started / %", Zero: true, Height: 300, Lines: []chart.Line{band, l},
		Rules: []chart.Rule{{At: r.HalfOff, Vertical: true, Text: "half start after " + quantity(r.HalfOff, "s")}, {At: r.ReliableOff, Vertical: true, Text: "reliable after " + quantity(r.ReliableOff, "s")}}}
	note := fmt.Sprintf("none reliable: %d starts in a row at one time off would show it", r.Needed)
	if finite(r.ReliableOff) {
		note = "reliable after " + quantity(r.ReliableOff, "s")
	}
	return chart.Figure{Desc: "The share of starts against time off, each with its interval.", Panels: []chart.Panel{p}, Notes: []string{note}}
}
