package offline

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"

	"fullthrow/drivers"
	"fullthrow/runner/chart"
	"fullthrow/runner/measure"
)

// plotter draws what was measured, with what was found marked.
type plotter func(*Taken) chart.Figure

// drawn is how many points of a capture are drawn.
const drawn = 1600

// WriteSVG draws the measurement; an error where it has no drawing.
func (t *Taken) WriteSVG(w io.Writer) error {
	plot := plots[t.m.Name]
	if plot == nil {
		return &UsageError{t.m.Word() + ": there is no drawing for it", "its numbers say all: leave --plot out"}
	}
	f := plot(t)
	if f.Title == "" {
		f.Title = t.m.Word()
		for i, in := range t.Inputs {
			sep := ", "
			if i == 0 {
				sep = ": "
			}
			f.Title += sep + base(in.Name)
		}
	}
	if f.Desc == "" {
		f.Desc = "What was found is in the lines below the title."
	}
	for _, n := range f.Notes {
		f.Desc += " " + n + "."
	}
	return f.WriteSVG(w)
}

func base(name string) string {
	for i := len(name) - 1; i >= 0; i-- {
		if name[i] == '/' || name[i] == '\\' {
			return name[i+1:]
		}
	}
	return name
}

// samples is the capture that was measured, one channel of it.
func (t *Taken) samples() (drivers.Samples, []float64) {
	s := t.in[0].Interface().(drivers.Samples)
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

// name of what samples are, for an axis.
func quantityOf(unit string) string {
	switch unit {
	case "A":
		return "current / A"
	case "V":
		return "voltage / V"
	case "Pa":
		return "sound pressure / Pa"
	case "1":
		return "sound / full scale"
	}
	return "value / " + unit
}

// trace is the panel of a capture over time.
func (t *Taken) trace() chart.Panel {
	s, x := t.samples()
	return chart.Panel{XLabel: "time / s", YLabel: quantityOf(s.Unit), Lines: []chart.Line{chart.Envelope(0, 1/s.Rate, x, drawn)}}
}

// closely is the part of a capture around a moment, as a panel.
func (t *Taken) closely(from, to float64) chart.Panel {
	s, x := t.samples()
	a := min(max(int(from*s.Rate), 0), len(x))
	z := min(max(int(to*s.Rate)+1, a), len(x))
	return chart.Panel{XLabel: "time / s", YLabel: quantityOf(s.Unit), Lines: []chart.Line{chart.Envelope(float64(a)/s.Rate, 1/s.Rate, x[a:z], drawn)}}
}

func plotSteady(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.SteadyResult)
	u := t.units["capture"]
	p := t.trace()
	p.Rules = []chart.Rule{{At: r.Mean, Text: "mean " + quantity(r.Mean, u)}}
	return chart.Figure{Desc: "The capture over time, with its mean.", Panels: []chart.Panel{p}, Notes: []string{
		fmt.Sprintf("mean %s ± %s, peak to peak %s, %s", quantity(r.Mean, u), quantity(r.Uncertainty, u), quantity(r.PeakToPeak, u), settled(r.Settled))}}
}

func settled(is bool) string {
	if is {
		return "settled"
	}
	return "not settled"
}

func plotInrush(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.InrushResult)
	p := t.trace()
	p.Zero = true
	p.Rules = []chart.Rule{{At: r.Final, Text: "settled " + quantity(r.Final, "A")}}
	p.Marks = []chart.Mark{{X: r.PeakAt, Y: r.Peak, Text: fmt.Sprintf("peak %s at %s", quantity(r.Peak, "A"), quantity(r.PeakAt, "s"))}}
	s, _ := t.samples()
	span := max(4*r.Duration, 20/s.Rate)
	near := t.closely(r.Onset-span/4, r.Onset+span)
	near.Zero = true
	near.Marks = p.Marks
	near.Rules = []chart.Rule{{At: r.Onset, Vertical: true, Text: "onset " + quantity(r.Onset, "s")}, {At: r.Final}}
	if r.Duration > 0 {
		near.Rules = append(near.Rules, chart.Rule{At: r.Onset + r.Duration, Vertical: true, Text: "above a tenth for " + quantity(r.Duration, "s")})
	}
	return chart.Figure{Desc: "The current over time, whole and around switching on, with the peak and the settled level.", Panels: []chart.Panel{p, near},
		Notes: []string{fmt.Sprintf("peak %s, charge %s above the settled %s", quantity(r.Peak, "A"), quantity(r.Charge, "C"), quantity(r.Final, "A"))}}
}

func plotStarted(t *Taken) chart.Figure {
	limit := t.in[1].Float()
	p := t.trace()
	p.Zero = true
	p.Rules = []chart.Rule{{At: limit, Text: "threshold " + quantity(limit, t.units["capture"])}}
	note := "not started"
	if t.out.Bool() {
		note = "started"
	}
	return chart.Figure{Desc: "The current over time, with the threshold.", Panels: []chart.Panel{p}, Notes: []string{note}}
}

func plotDecay(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.DecayResult)
	s, x := t.samples()
	u := s.Unit
	p := t.trace()
	p.Rules = []chart.Rule{{At: r.Final, Text: "final " + quantity(r.Final, u)}}
	note := fmt.Sprintf("final %s ± %s", quantity(r.Final, u), quantity(r.Uncertainty, u))
	fit := func(at float64) float64 { return r.Final }
	if r.Decays {
		fit = func(at float64) float64 { return r.Final + r.Amplitude*math.Exp(-at/r.Tau) }
		note += fmt.Sprintf(", time constant %s ± %s", quantity(r.Tau, "s"), quantity(r.TauUncertainty, "s"))
	}
	line := chart.Line{Name: "fit", Colour: 1, Dash: true}
	for i := range 301 {
		at := float64(i) / 300 * float64(len(x)-1) / s.Rate
		line.X, line.Y = append(line.X, at), append(line.Y, fit(at))
	}
	p.Lines[0].Name = "capture"
	p.Lines = append(p.Lines, line)
	left := make([]float64, len(x))
	for i := range x {
		left[i] = x[i] - fit(float64(i)/s.Rate)
	}
	rest := chart.Panel{XLabel: "time / s", YLabel: "residual / " + u, Height: 130, Zero: true, Lines: []chart.Line{chart.Envelope(0, 1/s.Rate, left, drawn)}}
	return chart.Figure{Desc: "The capture over time with the exponential fitted, and what the fit leaves.", Panels: []chart.Panel{p, rest}, Notes: []string{note}}
}

func plotSettling(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.SettlingResult)
	u := t.units["capture"]
	p := t.trace()
	p.Rules = []chart.Rule{{At: r.Final, Text: "final " + quantity(r.Final, u)}, {At: r.Time, Vertical: true, Text: "settled at " + quantity(r.Time, "s")}}
	return chart.Figure{Desc: "The capture over time, with its final value and when it came there for good.", Panels: []chart.Panel{p},
		Notes: []string{fmt.Sprintf("%s, overshoot %s", settled(r.Settled), quantity(r.Overshoot, u))}}
}

func plotRipple(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.RippleResult)
	u := t.units["capture"]
	p := t.trace()
	p.Rules = []chart.Rule{{At: r.Mean, Text: "mean " + quantity(r.Mean, u)}}
	spec := t.spectrum("amplitude / dB re 1 "+u, 1)
	if finite(r.Frequency) && r.Amplitude > 0 {
		spec.Marks = []chart.Mark{{X: r.Frequency, Y: 20 * math.Log10(r.Amplitude), Text: fmt.Sprintf("%s, %s peak", exactly(r.Frequency, "Hz"), quantity(r.Amplitude, u))}}
	}
	return chart.Figure{Desc: "The capture over time, and its spectrum with the strongest tone.", Panels: []chart.Panel{p, spec},
		Notes: []string{fmt.Sprintf("ripple %s rms, %s peak to peak", quantity(r.RMS, u), quantity(r.PeakToPeak, u))}}
}

func plotCharge(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.ChargeResult)
	o := t.in[1].Interface().(measure.ChargeOptions)
	p := t.trace()
	p.Zero = true
	p.Rules = []chart.Rule{{At: o.From, Vertical: true, Text: "from"}, {At: o.From + r.Duration, Vertical: true, Text: "to"}, {At: r.Mean, Text: "mean " + quantity(r.Mean, "A")}}
	p.Marks = []chart.Mark{{X: r.PeakAt, Y: r.Peak, Text: "peak " + quantity(r.Peak, "A")}}
	return chart.Figure{Desc: "The current over time, with the window over which it was summed up.", Panels: []chart.Panel{p},
		Notes: []string{fmt.Sprintf("charge %s in %s", quantity(r.Charge, "C"), quantity(r.Duration, "s"))}}
}

func plotBrownOut(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.BrownOutResult)
	runs := chart.Line{Name: "runs", Dots: true, Arrows: 1}
	stops := chart.Line{Name: "does not run", Dots: true, Arrows: -1, Colour: 1}
	way := chart.Line{Thin: true, Colour: 4}
	for i, s := range t.in[0].Interface().([]measure.VoltageStep) {
		l := &stops
		if s.Running {
			l = &runs
		}
		l.X, l.Y = append(l.X, float64(i+1)), append(l.Y, s.Voltage)
		way.X, way.Y = append(way.X, float64(i+1)), append(way.Y, s.Voltage)
	}
	p := chart.Panel{XLabel: "step", YLabel: "voltage / V", Lines: []chart.Line{way, runs, stops},
		Rules: []chart.Rule{{At: r.DropOut, Text: "drop-out " + bounded(r.DropOut, r.DropOutBound, "V")}, {At: r.Recovery, Text: "recovery " + bounded(r.Recovery, r.RecoveryBound, "V")}}}
	return chart.Figure{Desc: "The voltage of each step, and whether the unit ran.", Panels: []chart.Panel{p},
		Notes: []string{"drop-out " + bounded(r.DropOut, r.DropOutBound, "V") + ", recovery " + bounded(r.Recovery, r.RecoveryBound, "V")}}
}

// bounded writes a value that may be a bound.
func bounded(v float64, bound, unit string) string {
	switch bound {
	case "more":
		return "more than " + quantity(v, unit)
	case "less":
		return quantity(v, unit) + " or less"
	}
	return quantity(v, unit)
}

func plotLatency(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.LatencyResult)
	p := bars(r.Histogram, "s")
	p.XLabel = "latency / s"
	p.Rules = []chart.Rule{{At: r.Median, Vertical: true, Text: "median " + quantity(r.Median, "s")}, {At: r.P95, Vertical: true, Text: "95 % below " + quantity(r.P95, "s")}, {At: r.P99, Vertical: true, Text: "99 % below " + quantity(r.P99, "s")}}
	order := chart.Panel{XLabel: "trial", YLabel: "latency / s", Height: 170, Zero: true}
	dots, missed := chart.Line{Name: "answered", Dots: true}, chart.Line{Name: "missed", Dots: true, Arrows: -1, Colour: 1}
	for i, v := range t.in[0].Interface().(measure.Answers) {
		if math.IsNaN(v) {
			missed.X, missed.Y = append(missed.X, float64(i+1)), append(missed.Y, 0)
			continue
		}
		dots.X, dots.Y = append(dots.X, float64(i+1)), append(dots.Y, v)
	}
	order.Lines = []chart.Line{dots}
	if len(missed.X) > 0 {
		order.Lines = append(order.Lines, missed)
	}
	return chart.Figure{Desc: "How often which latency occurred, and each trial in order.", Panels: []chart.Panel{p, order},
		Notes: []string{fmt.Sprintf("%d trials, %d missed; mean %s, standard deviation %s", r.Trials, r.Missed, quantity(r.Mean, "s"), quantity(r.SD, "s"))}}
}

func bars(list []measure.Bin, unit string) chart.Panel {
	p := chart.Panel{XLabel: "value / " + unit, YLabel: "count", Zero: true}
	for _, b := range list {
		p.Bars = append(p.Bars, chart.Bar{From: b.From, To: b.To, Height: float64(b.Count)})
	}
	return p
}

// histogram is the panel of values; without bars where they make none.
func (t *Taken) histogram() chart.Panel {
	list, err := measure.Histogram(t.in[0].Interface().([]float64), measure.HistogramOptions{})
	if err != nil {
		list = nil
	}
	return bars(list, t.units["values"])
}

func plotHistogram(t *Taken) chart.Figure {
	return chart.Figure{Desc: "How often values occur.", Panels: []chart.Panel{bars(t.out.Interface().([]measure.Bin), t.units["values"])}}
}

func plotSummary(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.SummaryResult)
	u := t.units["values"]
	p := t.histogram()
	p.Rules = []chart.Rule{{At: r.Mean, Vertical: true, Text: "mean " + quantity(r.Mean, u)}, {At: r.Mean - r.SD, Vertical: true}, {At: r.Mean + r.SD, Vertical: true, Text: "one standard deviation"}}
	return chart.Figure{Desc: "How often values occur, with mean and standard deviation.", Panels: []chart.Panel{p},
		Notes: []string{fmt.Sprintf("%d values, mean %s, standard deviation %s", r.Count, quantity(r.Mean, u), quantity(r.SD, u))}}
}

func plotPercentile(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.PercentileResult)
	u := t.units["values"]
	p := t.histogram()
	p.Rules = []chart.Rule{{At: r.Interval.Low, Vertical: true}, {At: r.Value, Vertical: true, Text: fmt.Sprintf("%g %% below %s", t.in[1].Float(), quantity(r.Value, u))}, {At: r.Interval.High, Vertical: true}}
	return chart.Figure{Desc: "How often values occur, with the percentile and its interval.", Panels: []chart.Panel{p}}
}

func plotLine(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.LineResult)
	pairs := t.in[0].Interface().(measure.Pairs)
	low, high := slices.Min(pairs.X), slices.Max(pairs.X)
	fit := chart.Line{Name: "line of least squares", Colour: 1, X: []float64{low, high}, Y: []float64{r.Intercept + r.Slope*low, r.Intercept + r.Slope*high}}
	rest := chart.Line{Dots: true, X: pairs.X}
	for i, x := range pairs.X {
		rest.Y = append(rest.Y, pairs.Y[i]-r.Intercept-r.Slope*x)
	}
	return chart.Figure{Desc: "Points and the straight line of least squares, and how far they are from it.", Panels: []chart.Panel{
		{XLabel: "x / " + t.units["x"], YLabel: "y / " + t.units["y"], Lines: []chart.Line{{Name: "points", Dots: true, X: pairs.X, Y: pairs.Y}, fit}},
		{XLabel: "x / " + t.units["x"], YLabel: "residual / " + t.units["y"], Height: 130, Zero: true, Lines: []chart.Line{rest}},
	}, Notes: []string{fmt.Sprintf("slope %s, intercept %s, R² %.4g", quantity(r.Slope, t.units["y/x"]), quantity(r.Intercept, t.units["y"]), r.RSquared)}}
}

func plotDetection(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.DetectionResult)
	tried := slices.Clone(t.in[0].Interface().([]measure.Tried))
	slices.SortFunc(tried, func(a, b measure.Tried) int { return cmp.Compare(a.Strength, b.Strength) })
	var share, curve chart.Line
	share.Name, share.Dots = "detected", true
	for _, x := range tried {
		share.X, share.Y = append(share.X, x.Strength), append(share.Y, 100*float64(x.Caught)/float64(x.Trials))
	}
	curve.Name, curve.Colour = "fitted", 1
	o := t.in[1].Interface().(measure.DetectionOptions)
	o.Strengths = nil
	for i := range 101 {
		o.Strengths = append(o.Strengths, tried[0].Strength+(tried[len(tried)-1].Strength-tried[0].Strength)*float64(i)/100)
	}
	if again, err := measure.Detection(tried, o); err == nil {
		curve.X = o.Strengths
		for _, y := range again.Detected {
			curve.Y = append(curve.Y, 100*y)
		}
	}
	p := chart.Panel{XLabel: "strength / " + t.units["strength"], YLabel: "detected / %", Zero: true, Lines: []chart.Line{share, curve}}
	var notes []string
	for _, e := range r.Edges {
		p.Rules = append(p.Rules, chart.Rule{At: e.Strength, Vertical: true, Text: fmt.Sprintf("%.3g %% at %s", 100*e.Probability, quantity(e.Strength, t.units["strength"]))})
	}
	return chart.Figure{Desc: "The share detected against strength, with the curve fitted and its edges.", Panels: []chart.Panel{p}, Notes: notes}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
