package offline

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports/draw"
	"fullthrow/reports/statistics"
	"fullthrow/runner/measure"
)

// throws is a channel over time, in % of throw; frames without it are left out.
func throws(name string, f drivers.Frames, ch int) draw.Line {
	l := draw.Line{Name: name}
	for i, x := range f.Frames {
		if heard(x) && len(x.Channels) >= ch {
			l.Add(x.At.Seconds(), throw(f, i, ch))
		}
	}
	return l
}

// throw is channel ch of frame i in % of throw.
func throw(f drivers.Frames, i, ch int) float64 { return (f.Microseconds(i, ch) - 1500) / 5.12 }

func heard(f drivers.Frame) bool { return !f.Lost && !f.Failsafe }

func plotTravel(t *Taken) draw.Figure {
	r, o := as[measure.TravelResult](t.out), as[measure.TravelOptions](t.in[2])
	frames, path := as[drivers.Frames](t.in[0]), as[drivers.Path](t.in[1])
	in := draw.Line{Name: o.Axis}
	for _, s := range path {
		if _, ok := s.From[o.Axis]; ok {
			in.Add(s.Start.Sub(frames.Start).Seconds(), 100*s.From[o.Axis])
			in.Add(s.End.Sub(frames.Start).Seconds(), 100*s.To[o.Axis])
		}
	}
	f := sweepFigure(r.Points, measure.TravelPointsOptions{}, "%", "%")
	for _, s := range r.Spots {
		f.Panels[0].Rules = append(f.Panels[0].Rules, at((s.From+s.To)/2, said("", "{} dropouts", s.Dropouts)))
	}
	out := throws(fmt.Sprintf("channel %d", o.Channel), frames, o.Channel)
	f.Panels = append(f.Panels, panel("time / s", "% of throw", 280, out, in))
	f.Notes = []string{
		said("%", "hysteresis {u} of span, play {u}, non-linearity {u} of span", r.Hysteresis, r.Play, r.NonLinearity),
		said("%", "noise {u} rms, dropouts {}, dead band {u}, lag {s}", r.Noise, r.Dropouts, r.DeadBand, r.Lag),
	}
	return f
}

func plotTravelPoints(t *Taken) draw.Figure {
	r := as[measure.TravelPointsResult](t.out)
	points, o := as[[]measure.TravelPoint](t.in[0]), as[measure.TravelPointsOptions](t.in[1])
	x := t.units["commanded"]
	f := sweepFigure(points, o, x, t.units["output"])
	f.Notes = []string{
		said(x, "hysteresis {%} of span at {u}, repeatability {%} of span",
			r.Hysteresis, r.HysteresisAt, r.Repeatability),
		said("%", "non-linearity of span: terminal {u}, independent {u}, zero-based {u}, least squares {u}",
			r.TerminalLine.NonLinearity, r.IndependentLine.NonLinearity, r.ZeroLine.NonLinearity,
			r.LeastSquaresLine.NonLinearity),
	}
	return f
}

// sweepFigure is output against commanded position both ways, and how far it
// is from the line through its ends.
func sweepFigure(points []measure.TravelPoint, o measure.TravelPointsOptions, x, y string) draw.Figure {
	up, down := dots("up", "down")
	for _, p := range points {
		l := &down
		if p.Up {
			l = &up
		}
		l.Add(p.Commanded, p.Output)
	}
	both := panel("commanded / "+x, "output / "+y, 380, up, down)
	rest := fromZero(panel("commanded / "+x, "residual / % of span", 280))
	if r, err := measure.TravelPoints(points, o); err == nil {
		line := func(at float64) float64 { return r.TerminalLine.Intercept + r.TerminalLine.Slope*at }
		residual := func(at, v float64) float64 { return 100 * (v - line(at)) / r.Span }
		ups, downs := draw.Line{Name: "up, averaged"}, draw.Line{Name: "down, averaged"}
		for _, c := range r.Curve {
			ups.Add(c.Commanded, residual(c.Commanded, c.Upwards))
			downs.Add(c.Commanded, residual(c.Commanded, c.Downwards))
		}
		rest.Lines = []draw.Line{ups, downs}
		for i, l := range []draw.Line{up, down} {
			l.Name, l.Class, l.Y = "", fmt.Sprintf("series s%d", i), slices.Clone(l.Y)
			for i := range l.Y {
				l.Y[i] = residual(l.X[i], l.Y[i])
			}
			rest.Lines = append(rest.Lines, l)
		}
		if r.Hysteresis > 0 {
			rest.Rules = []draw.Rule{at(r.HysteresisAt, said("%", "hysteresis {u}", r.Hysteresis))}
		}
		if n := len(r.Curve); n > 1 {
			ends := draw.Line{Name: "line through the ends"}
			for _, at := range []float64{r.Curve[0].Commanded, r.Curve[n-1].Commanded} {
				ends.Add(at, line(at))
			}
			both.Lines = append(both.Lines, ends)
		}
	}
	return figure("", both, rest)
}

func plotDeadBand(t *Taken) draw.Figure {
	r, o := as[measure.DeadBandResult](t.out), as[measure.DeadBandOptions](t.in[2])
	frames := as[drivers.Frames](t.in[0])
	up, down := dots("up", "down")
	for _, path := range as[[]drivers.Path](t.in[1]) {
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
			for i, f := range frames.Frames {
				at := f.At.Seconds()
				x := from + (to-from)*(at-a)/(z-a)
				if at >= a && at <= z && heard(f) && math.Abs(x) <= max(6, 2*r.Width) {
					l.Add(x, throw(frames, i, o.Channel))
				}
			}
		}
	}
	band := "dead band " + bounded(r.Width, r.Bound, "%")
	p := panel("commanded / %", "output / %", 420, up, down)
	p.Rules = []draw.Rule{at(r.Middle-r.Width/2, ""), at(r.Middle+r.Width/2, band)}
	return figure(band+said("%", " ± {u} of throw", r.Uncertainty), p)
}

func plotCentre(t *Taken) draw.Figure {
	r, o := as[measure.CentreResult](t.out), as[measure.CentreOptions](t.in[1])
	p := panel("time since letting go / s", "% of throw", 400)
	names := []string{"from the low side", "from the high side"}
	for _, x := range as[[]measure.Release](t.in[0]) {
		side := 1
		if x.From < 0 {
			side = 0
		}
		l := throws(names[side], x.Frames, o.Channel)
		l.Class, names[side] = fmt.Sprintf("series s%d", side), ""
		p.Lines = append(p.Lines, l)
	}
	p.Rules = []draw.Rule{across("%", "mean from low {u}", r.FromLow), across("%", "mean from high {u}", r.FromHigh)}
	return figure(said("%", "offset {u}, play {u}, spread {u}, noise {u} of throw", r.Offset, r.Play, r.Spread,
		r.Noise), p)
}

func plotSwitch(t *Taken) draw.Figure {
	r, o := as[measure.SwitchResult](t.out), as[measure.SwitchOptions](t.in[2])
	p := panel("time / s", "% of throw", 0)
	for k, name := range []string{"off", "on"} {
		p.Lines = append(p.Lines, throws(name, as[drivers.Frames](t.in[k]), o.Channel))
	}
	p.Rules = []draw.Rule{across("%", "off {u}", r.AtOff), across("%", "on {u}", r.AtOn)}
	return figure(said("", "{} bounces", r.Bounces), p)
}

// losses is the panel of an error rate over time, and where frames are missing.
func (t *Taken) losses() draw.Panel {
	f := as[drivers.Frames](t.in[0])
	length := f.Length.Seconds()
	n := len(f.Frames)
	if n > 0 {
		length = max(length, f.Frames[n-1].At.Seconds())
	}
	at := make([]time.Duration, n)
	for i := range at {
		at[i] = f.Frames[i].At
	}
	p := fromZero(panel("time / s", "lost / %", 0))
	paces, err := drivers.Paces(at, f.Period)
	if err != nil || n == 0 || length <= 0 { // nothing is known of what did not come
		return p
	}
	bins := min(max(int(length/paces[0].Period.Seconds()/20), 1), 120)
	all, lost := make([]float64, bins), make([]float64, bins)
	add := func(at float64, gone bool) {
		i := min(max(int(at/length*float64(bins)), 0), bins-1)
		if all[i]++; gone {
			lost[i]++
		}
	}
	last := 0.0
	hole := func(to float64, missing int) {
		for k := range max(0, min(missing, 100000)) {
			add(last+(to-last)*float64(k+1)/float64(missing+1), true)
		}
		last = to
	}
	for _, pace := range paces {
		period := pace.Period.Seconds()
		slots, _, _ := drivers.Slots(at[pace.From:pace.To], pace.Period)
		for i, slot := range slots {
			x := f.Frames[pace.From+i]
			missing := int(math.Round((x.At.Seconds()-last)/period)) - 1
			if i > 0 {
				missing = slot - slots[i-1] - 1
			}
			if pace.Hidden > 0 {
				missing = 0
			}
			hole(x.At.Seconds(), missing)
			add(last, !heard(x))
		}
		if pace.To == n {
			hole(length, int(math.Round((length-last)/period))-1)
		}
	}
	each := length / float64(bins)
	for i := range all {
		if all[i] > 0 {
			from := each * float64(i)
			p.Bars = append(p.Bars, draw.Bar{From: from, To: from + each, Height: 100 * lost[i] / all[i]})
		}
	}
	return p
}

func plotLink(t *Taken) draw.Figure {
	r, f := as[measure.LinkResult](t.out), as[drivers.Frames](t.in[0])
	p := t.losses()
	p.Rules = []draw.Rule{across("%", "error rate {u}", r.ErrorRate)}
	last, l, worst := 0.0, draw.Line{Class: "series fine"}, draw.Point{X: math.NaN()}
	add := func(now float64) {
		if l.Add(now, now-last); !statistics.Finite(worst.X) || now-last > worst.Y {
			worst = ring(now, now-last, said("s", "longest {u}", r.LongestGap))
		}
		last = now
	}
	for _, x := range f.Frames {
		if heard(x) {
			add(x.At.Seconds())
		}
	}
	if f.Length.Seconds() > last {
		add(f.Length.Seconds())
	}
	gaps := fromZero(panel("time / s", "gap since the last frame / s", 260, l))
	gaps.Points = []draw.Point{worst}
	return figure(said("%", "{} of {} frames lost, {u} (95 %: {u} to {u}); longest gap {s}",
		r.Lost, r.Expected, r.ErrorRate, r.Exact.Low, r.Exact.High, r.LongestGap), p, gaps)
}

func plotBursts(t *Taken) draw.Figure {
	r := as[measure.BurstResult](t.out)
	return figure(said("1", "{} of {} frames lost, in {} bursts of {u} frames on average, the longest of {}",
		r.Lost, r.Expected, r.Bursts, r.BurstLength, r.LongestBurst), t.losses())
}

// share adds a share with its interval to a panel.
func share(p *draw.Panel, at, v, low, high float64) {
	p.Points = append(p.Points, draw.Point{X: at, Y: 100 * v, Low: 100 * low, High: 100 * high})
}

func plotSweep(t *Taken) draw.Figure {
	r, o := as[measure.SweepResult](t.out), as[measure.SweepOptions](t.in[1])
	points := slices.Clone(as[[]measure.SweepPoint](t.in[0]))
	slices.SortFunc(points, func(a, b measure.SweepPoint) int { return cmp.Compare(a.Attenuation, b.Attenuation) })
	p := fromZero(panel("attenuation / dB", "lost / %", 380))
	for _, x := range points {
		low, high := statistics.Wilson(float64(x.Lost), float64(x.Sent), 0.95)
		share(&p, x.Attenuation, float64(x.Lost)/float64(x.Sent), low, high)
	}
	where := said("", "{%} lost at {}", cmp.Or(o.ErrorRate, 1.0), bounded(r.Attenuation, r.Bound, "dB"))
	p.Rules = []draw.Rule{at(r.Attenuation, where)}
	f := figure(where+said("dB", ", interval {u} to {u}", r.Interval.Low, r.Interval.High), p)
	f.Keys = []draw.Key{{Shape: "dot", Words: "lost"}, {Shape: "interval", Words: "95 % interval"}}
	return f
}

func plotRestart(t *Taken) draw.Figure {
	r := as[measure.RestartResult](t.out)
	yes, no := dots("started", "did not start")
	for i, x := range as[[]measure.StartTrial](t.in[0]) {
		l := &no
		if x.Started {
			l = &yes
		}
		l.Add(x.Off, float64(i+1))
	}
	p := fromZero(panel("time off / s", "trial", 0, yes, no))
	p.Rules = []draw.Rule{at(r.ShortestOff, "starts after "+bounded(r.ShortestOff, r.Bound, "s"))}
	return figure("shortest time off: "+bounded(r.ShortestOff, r.Bound, "s"), p)
}

func plotStartCurve(t *Taken) draw.Figure {
	r := as[measure.StartCurveResult](t.out)
	p := fromZero(panel("time off / s", "started / %", 380))
	for _, x := range r.Levels {
		share(&p, x.Off, x.Probability, x.Interval.Low, x.Interval.High)
	}
	p.Rules = []draw.Rule{upright("s", "half start after {u}", r.HalfOff),
		upright("s", "reliable after {u}", r.ReliableOff)}
	note := said("", "none reliable: {} starts in a row at one time off would show it", r.Needed)
	if statistics.Finite(r.ReliableOff) {
		note = said("s", "reliable after {u}", r.ReliableOff)
	}
	f := figure(note, p)
	f.Keys = []draw.Key{{Shape: "dot", Words: "started"}, {Shape: "interval", Words: "interval"}}
	return f
}
