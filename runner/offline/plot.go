package offline

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"path"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"fullthrow/drivers"
	"fullthrow/reports/draw"
	"fullthrow/reports/statistics"
	"fullthrow/runner/measure"
)

// plotter draws what was measured, with what was found marked.
type plotter func(*Taken) draw.Figure

// WriteSVG draws the measurement; an error where it has no drawing.
func (t *Taken) WriteSVG(w io.Writer) error {
	plot := plots[t.m.Name]
	if plot == nil {
		return &UsageError{t.m.Word() + ": there is no drawing for it", "its numbers say all: leave --plot out"}
	}
	f := plot(t)
	f.Title = t.m.Word()
	for i, in := range t.Inputs {
		f.Title += []string{": ", ", "}[min(i, 1)] + path.Base(strings.ReplaceAll(in.Name, `\`, "/"))
	}
	f.Desc = described(f)
	_, err := w.Write(f.File(draw.Plain{}))
	return err
}

// described says what a figure shows: what was found, and of each panel its
// axes, lines and all that is marked in it.
func described(f draw.Figure) string {
	sentences := slices.Clone(f.Notes)
	for _, p := range f.Panels {
		words := []string{p.Y.Name + " over " + p.X.Name}
		for _, l := range p.Lines {
			words = append(words, l.Name)
		}
		for _, r := range p.Rules {
			words = append(words, r.Text)
		}
		for _, t := range p.Points {
			words = append(words, t.Text)
		}
		words = slices.DeleteFunc(words, func(s string) bool { return s == "" })
		sentences = append(sentences, strings.Join(words, ", "))
	}
	return strings.Join(sentences, ". ") + "."
}

// as is what a measurement took or gave.
func as[T any](v reflect.Value) T { return v.Interface().(T) }

// figure is panels with a line of what was found.
func figure(note string, panels ...draw.Panel) draw.Figure {
	f := draw.Figure{Panels: panels}
	if note != "" {
		f.Notes = []string{note}
	}
	return f
}

var place = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`\{([^}]*)\}`) })

// said fills the places of a text, {unit}, with values; {u} stands for unit u,
// {Hz!} for as many digits as a pitch needs, {} for a count or a word.
func said(u, text string, values ...any) string {
	i := -1
	return place().ReplaceAllStringFunc(text, func(p string) string {
		i++
		v, isNumber := values[i].(float64)
		unit, exact := strings.CutSuffix(p[1:len(p)-1], "!")
		switch {
		case !isNumber:
			return fmt.Sprint(values[i])
		case exact:
			return exactly(v, unit)
		case unit == "u":
			return quantity(v, u)
		}
		return quantity(v, unit)
	})
}

// across is a line at a level, which its text says.
func across(u, text string, v float64) draw.Rule { return draw.Rule{At: v, Text: said(u, text, v)} }

// upright is a line at a place along x, which its text says.
func upright(u, text string, v float64) draw.Rule { return at(v, said(u, text, v)) }

// at is a line at a place along x with words.
func at(v float64, text string) draw.Rule { return draw.Rule{At: v, Vertical: true, Text: text} }

// ring is a place with words.
func ring(x, y float64, text string) draw.Point {
	return draw.Point{X: x, Y: y, Shape: "ring", Text: text}
}

// panel is two axes named "quantity / unit"; height 0 is the usual one.
func panel(x, y string, height float64, lines ...draw.Line) draw.Panel {
	return draw.Panel{X: draw.Named(x), Y: draw.Named(y), Height: height, Lines: lines}
}

// fromZero is a panel whose y axis holds 0.
func fromZero(p draw.Panel) draw.Panel {
	p.Y.Zero = true
	return p
}

// dots are lines of marks for what was so and what was not.
func dots(yes, no string) (up, down draw.Line) {
	return draw.Line{Name: yes, Shape: "up"}, draw.Line{Name: no, Shape: "down"}
}

// samples is the capture that was measured, one channel of it.
func (t *Taken) samples() (drivers.Samples, []float64) {
	s := as[drivers.Samples](t.in[0])
	ch, average := 1, false
	if o := t.in[len(t.in)-1]; len(t.in) > 1 && t.m.Options() != nil {
		if f := o.FieldByName("Channel"); f.IsValid() && f.Int() > 0 {
			ch = int(f.Int())
		}
		if f := o.FieldByName("Mix"); f.IsValid() {
			average = f.Bool()
		}
	}
	if s.Channels <= 1 {
		return s, s.Values
	}
	x := make([]float64, s.Count())
	for i := range x {
		if average {
			for k := range s.Channels {
				x[i] += s.Values[i*s.Channels+k] / float64(s.Channels)
			}
			continue
		}
		x[i] = s.Values[i*s.Channels+min(ch, s.Channels)-1]
	}
	return s, x
}

// quantityOf is what samples of a unit are, for an axis.
func quantityOf(unit string) string {
	names := map[string]string{"A": "current / A", "V": "voltage / V", "Pa": "sound pressure / Pa",
		"1": "sound / full scale"}
	return cmp.Or(names[unit], "value / "+unit)
}

// trace is the panel of a capture over time, with what stands across it.
func (t *Taken) trace(rules ...draw.Rule) draw.Panel {
	s, x := t.samples()
	p := panel("time / s", quantityOf(s.Unit), 0, draw.Line{Step: 1 / s.Rate, Y: x})
	p.Rules = rules
	return p
}

// closely is the part of a capture from a moment to another, as a panel.
func (t *Taken) closely(from, to float64) draw.Panel {
	s, x := t.samples()
	a := min(max(int(from*s.Rate), 0), len(x))
	z := min(max(int(to*s.Rate)+1, a), len(x))
	return panel("time / s", quantityOf(s.Unit), 0, draw.Line{Begin: float64(a) / s.Rate, Step: 1 / s.Rate, Y: x[a:z]})
}

// residual is the panel of what a fit leaves of a capture.
func (t *Taken) residual(fit func(at float64) float64) draw.Panel {
	s, x := t.samples()
	left := draw.Line{Step: 1 / s.Rate}
	for i := range x {
		left.Y = append(left.Y, x[i]-fit(float64(i)/s.Rate))
	}
	return fromZero(panel("time / s", "residual / "+s.Unit, 210, left))
}

// fitted is the line of a fit from 0 to a moment.
func fitted(to float64, fit func(at float64) float64) draw.Line {
	l := draw.Line{Name: "fit"}
	for i := range 801 {
		at := to * float64(i) / 800
		l.Add(at, fit(at))
	}
	return l
}

func plotSteady(t *Taken) draw.Figure {
	r, u := as[measure.SteadyResult](t.out), t.units["capture"]
	return figure(said(u, "mean {u} ± {u}, peak to peak {u}, ", r.Mean, r.Uncertainty, r.PeakToPeak)+settled(r.Settled),
		t.trace(across(u, "mean {u}", r.Mean)))
}

func settled(is bool) string { return map[bool]string{true: "settled", false: "not settled"}[is] }

func plotInrush(t *Taken) draw.Figure {
	r := as[measure.InrushResult](t.out)
	p := fromZero(t.trace(across("A", "settled {u}", r.Final)))
	p.Points = []draw.Point{ring(r.PeakAt, r.Peak, said("A", "peak {u} at {s}", r.Peak, r.PeakAt))}
	s, _ := t.samples()
	span := max(4*r.Duration, 20/s.Rate)
	near := fromZero(t.closely(r.Onset-span/4, r.Onset+span))
	near.Points = p.Points
	near.Rules = []draw.Rule{upright("s", "onset {u}", r.Onset), {At: r.Final}}
	if r.Duration > 0 {
		near.Rules = append(near.Rules, at(r.Onset+r.Duration, said("s", "above a tenth for {u}", r.Duration)))
	}
	return figure(said("A", "peak {u}, charge {C} above the settled {u}", r.Peak, r.Charge, r.Final), p, near)
}

func plotStarted(t *Taken) draw.Figure {
	note := map[bool]string{true: "started", false: "not started"}[t.out.Bool()]
	return figure(note, fromZero(t.trace(across(t.units["capture"], "threshold {u}", t.in[1].Float()))))
}

func plotDecay(t *Taken) draw.Figure {
	r := as[measure.DecayResult](t.out)
	s, x := t.samples()
	u := s.Unit
	p := t.trace(across(u, "final {u}", r.Final))
	note := said(u, "final {u} ± {u}", r.Final, r.Uncertainty)
	fit := func(float64) float64 { return r.Final }
	if r.Decays {
		fit = func(at float64) float64 { return r.Final + r.Amplitude*math.Exp(-at/r.Tau) }
		note += said(u, ", time constant {s} ± {s}", r.Tau, r.TauUncertainty)
	}
	p.Lines[0].Name = "capture"
	p.Lines = append(p.Lines, fitted(float64(len(x)-1)/s.Rate, fit))
	return figure(note, p, t.residual(fit))
}

func plotSettling(t *Taken) draw.Figure {
	r, u := as[measure.SettlingResult](t.out), t.units["capture"]
	return figure(settled(r.Settled)+said(u, ", overshoot {u}", r.Overshoot),
		t.trace(across(u, "final {u}", r.Final), upright("s", "settled at {u}", r.Time)))
}

func plotRipple(t *Taken) draw.Figure {
	r, u := as[measure.RippleResult](t.out), t.units["capture"]
	spec := t.spectrum("amplitude / dB re 1 "+u, 1)
	if statistics.Finite(r.Frequency) && r.Amplitude > 0 {
		top := said(u, "{Hz!}, {u} peak", r.Frequency, r.Amplitude)
		spec.Points = []draw.Point{ring(r.Frequency, 20*math.Log10(r.Amplitude), top)}
	}
	return figure(said(u, "ripple {u} rms, {u} peak to peak", r.RMS, r.PeakToPeak),
		t.trace(across(u, "mean {u}", r.Mean)), spec)
}

func plotCharge(t *Taken) draw.Figure {
	r, o := as[measure.ChargeResult](t.out), as[measure.ChargeOptions](t.in[1])
	p := fromZero(t.trace(at(o.From, "from"), at(o.From+r.Duration, "to"), across("A", "mean {u}", r.Mean)))
	p.Points = []draw.Point{ring(r.PeakAt, r.Peak, said("A", "peak {u}", r.Peak))}
	return figure(said("", "charge {C} in {s}", r.Charge, r.Duration), p)
}

func plotBrownOut(t *Taken) draw.Figure {
	r := as[measure.BrownOutResult](t.out)
	runs, stops := dots("runs", "does not run")
	way := draw.Line{Class: "series fine"}
	for i, s := range as[[]measure.VoltageStep](t.in[0]) {
		l := &stops
		if s.Running {
			l = &runs
		}
		l.Add(float64(i+1), s.Voltage)
		way.Add(float64(i+1), s.Voltage)
	}
	out := "drop-out " + bounded(r.DropOut, r.DropOutBound, "V")
	in := "recovery " + bounded(r.Recovery, r.RecoveryBound, "V")
	p := panel("step", "voltage / V", 0, runs, stops, way)
	p.Rules = []draw.Rule{{At: r.DropOut, Text: out}, {At: r.Recovery, Text: in}}
	return figure(out+", "+in, p)
}

// bounded writes a value that may be a bound.
func bounded(v float64, bound, unit string) string {
	form := map[string]string{"more": "more than {}", "less": "{} or less"}[bound]
	return said("", cmp.Or(form, "{}"), quantity(v, unit))
}

func plotLatency(t *Taken) draw.Figure {
	r := as[measure.LatencyResult](t.out)
	p := bars(r.Histogram, "latency / s")
	p.Rules = []draw.Rule{upright("s", "median {u}", r.Median), upright("s", "95 % below {u}", r.P95),
		upright("s", "99 % below {u}", r.P99)}
	answered, missed := draw.Line{Name: "answered", Shape: "dot"}, draw.Line{Name: "missed", Shape: "down"}
	for i, v := range as[measure.Answers](t.in[0]) {
		if math.IsNaN(v) {
			missed.Add(float64(i+1), 0)
		} else {
			answered.Add(float64(i+1), v)
		}
	}
	order := fromZero(panel("trial", "latency / s", 250, answered))
	if len(missed.X) > 0 {
		order.Lines = append(order.Lines, missed)
	}
	return figure(said("s", "{} trials, {} missed; mean {u}, standard deviation {u}", r.Trials, r.Missed, r.Mean, r.SD),
		p, order)
}

func bars(list []measure.Bin, label string) draw.Panel {
	p := fromZero(panel(label, "count", 0))
	for _, b := range list {
		p.Bars = append(p.Bars, draw.Bar{From: b.From, To: b.To, Height: float64(b.Count)})
	}
	return p
}

// histogram is the panel of values; without bars where they make none.
func (t *Taken) histogram(rules ...draw.Rule) draw.Panel {
	list, err := measure.Histogram(as[[]float64](t.in[0]), measure.HistogramOptions{})
	if err != nil {
		list = nil
	}
	p := bars(list, "value / "+t.units["values"])
	p.Rules = rules
	return p
}

func plotHistogram(t *Taken) draw.Figure {
	return figure("", bars(as[[]measure.Bin](t.out), "value / "+t.units["values"]))
}

func plotSummary(t *Taken) draw.Figure {
	r, u := as[measure.SummaryResult](t.out), t.units["values"]
	return figure(said(u, "{} values, mean {u}, standard deviation {u}", r.Count, r.Mean, r.SD),
		t.histogram(upright(u, "mean {u}", r.Mean), at(r.Mean-r.SD, ""), at(r.Mean+r.SD, "one standard deviation")))
}

func plotPercentile(t *Taken) draw.Figure {
	r, u := as[measure.PercentileResult](t.out), t.units["values"]
	value := at(r.Value, said(u, "{%} below {u}", t.in[1].Float(), r.Value))
	return figure("", t.histogram(at(r.Interval.Low, ""), value, at(r.Interval.High, "")))
}

func plotLine(t *Taken) draw.Figure {
	r, pairs := as[measure.LineResult](t.out), as[measure.Pairs](t.in[0])
	low, high := slices.Min(pairs.X), slices.Max(pairs.X)
	fit := draw.Line{Name: "line of least squares"}
	fit.Add(low, r.Intercept+r.Slope*low, high, r.Intercept+r.Slope*high)
	rest := draw.Line{Shape: "dot"}
	for i, x := range pairs.X {
		rest.Add(x, pairs.Y[i]-r.Intercept-r.Slope*x)
	}
	x, y := "x / "+t.units["x"], t.units["y"]
	note := said(t.units["y/x"], "slope {u}", r.Slope) +
		said(t.units["y"], ", intercept {u}, R² {}", r.Intercept, strconv.FormatFloat(r.RSquared, 'g', 4, 64))
	return figure(note,
		panel(x, "y / "+y, 0, draw.Line{Name: "points", Shape: "dot", X: pairs.X, Y: pairs.Y}, fit),
		fromZero(panel(x, "residual / "+y, 210, rest)))
}

func plotDetection(t *Taken) draw.Figure {
	r, o := as[measure.DetectionResult](t.out), as[measure.DetectionOptions](t.in[1])
	tried := slices.Clone(as[[]measure.Tried](t.in[0]))
	slices.SortFunc(tried, func(a, b measure.Tried) int { return cmp.Compare(a.Strength, b.Strength) })
	share, curve := draw.Line{Name: "detected", Shape: "dot"}, draw.Line{Name: "fitted"}
	for _, x := range tried {
		share.Add(x.Strength, 100*float64(x.Caught)/float64(x.Trials))
	}
	o.Strengths = nil
	for i := range 101 {
		o.Strengths = append(o.Strengths, tried[0].Strength+(tried[len(tried)-1].Strength-tried[0].Strength)*float64(i)/100)
	}
	if again, err := measure.Detection(tried, o); err == nil {
		for i, y := range again.Detected {
			curve.Add(o.Strengths[i], 100*y)
		}
	}
	p := fromZero(panel("strength / "+t.units["strength"], "detected / %", 0, share, curve))
	for _, e := range r.Edges {
		p.Rules = append(p.Rules, at(e.Strength, said(t.units["strength"], "{%} at {u}", 100*e.Probability, e.Strength)))
	}
	return figure("", p)
}
