package offline

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"

	"fullthrow/runner/chart"
	"fullthrow/runner/measure"
)

// longest transform that is drawn: longer captures are drawn by their middle.
const longest = 1 << 18

// spectrum is the amplitude spectrum of a capture under Hann's window, in dB
// of amplitudes against reference.
func (t *Taken) spectrum(label string, reference float64) chart.Panel {
	s, x := t.samples()
	n := min(len(x), longest)
	p := chart.Panel{XLabel: "frequency / Hz", YLabel: label, Height: 320}
	if n < 16 {
		return p
	}
	x = x[(len(x)-n)/2:][:n]
	mean := 0.0
	for _, v := range x {
		mean += v / float64(n)
	}
	buffer := make([]float64, n)
	for i, v := range x {
		buffer[i] = (v - mean) * (1 - math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n)))
	}
	bins := fourier.NewFFT(n).Coefficients(nil, buffer)
	level := make([]float64, len(bins))
	best := math.Inf(-1)
	for i, c := range bins {
		level[i] = max(-400, 20*math.Log10(2*math.Hypot(real(c), imag(c))/float64(n)/reference))
		best = max(best, level[i])
	}
	p.Floor = max(best-140, -300)
	if p.Floor == 0 {
		p.Floor = -1e-9
	}
	// The largest of each stretch of bins is what matters here.
	l := chart.Envelope(0, s.Rate/float64(n), level, drawn)
	l.Low, l.Thin = nil, true
	p.Lines = []chart.Line{l}
	return p
}

// fullScale is the amplitude that levels are against, and its name.
func (t *Taken) fullScale() (float64, string) {
	if t.units["capture"] == "Pa" {
		return 20e-6 * math.Sqrt2, "level / dB re 20 µPa"
	}
	if t.units["capture"] == "1" {
		return 1, "level / dB re full scale"
	}
	return 1, "level / dB re 1 " + t.units["capture"]
}

func plotTone(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.ToneResult)
	reference, label := t.fullScale()
	spec := t.spectrum(label, reference)
	note := "no tone found"
	if r.Found || r.Frequency > 0 {
		spec.Marks = append(spec.Marks, chart.Mark{X: r.Frequency, Y: r.Level, Text: fmt.Sprintf("tone %s, %s", exactly(r.Frequency, "Hz"), quantity(r.Level, "dB"))})
		for _, h := range r.Harmonics {
			if h.Level > -100 && r.Level+h.Level > r.NoiseFloor+3 {
				spec.Marks = append(spec.Marks, chart.Mark{X: h.Frequency, Y: r.Level + h.Level, Text: fmt.Sprintf("harmonic %d, %s", h.Number, quantity(h.Level, "dB"))})
			}
		}
		for _, f := range r.Foreign {
			spec.Marks = append(spec.Marks, chart.Mark{X: f.Frequency, Y: r.Level + f.Level, Text: fmt.Sprintf("foreign %s, %s", exactly(f.Frequency, "Hz"), quantity(f.Level, "dB"))})
		}
		note = fmt.Sprintf("tone %s at %s; THD %s, SNR %s", exactly(r.Frequency, "Hz"), quantity(r.Level, "dB"), quantity(100*r.THD, "%"), quantity(r.SNR, "dB"))
	}
	spec.Rules = []chart.Rule{{At: max(r.NoiseFloor, spec.Floor), Text: "noise floor " + quantity(r.NoiseFloor, "dB"), Lift: 26}}
	if r.Clipped {
		note += "; CLIPPED"
	}
	return chart.Figure{Desc: "The spectrum of the sound with the tone, its harmonics and foreign tones named, and a few periods of the sound.", Panels: []chart.Panel{spec, t.periods(r.Frequency)}, Notes: []string{note}}
}

// periods is a stretch of sound of a few periods, from its middle.
func (t *Taken) periods(frequency float64) chart.Panel {
	s, x := t.samples()
	middle, long := float64(len(x))/2/s.Rate, 0.02
	if frequency > 0 {
		long = 12 / frequency
	}
	p := t.closely(middle-long/2, middle+long/2)
	p.Height = 140
	return p
}

func plotTones(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.TonesResult)
	reference, label := t.fullScale()
	spec := t.spectrum(label, reference)
	for _, x := range r.Tones {
		spec.Marks = append(spec.Marks, chart.Mark{X: x.Frequency, Y: x.Level, Text: fmt.Sprintf("%s, %s", exactly(x.Frequency, "Hz"), quantity(x.Level, "dB"))})
	}
	spec.Rules = []chart.Rule{{At: max(r.NoiseFloor, spec.Floor), Text: "noise floor " + quantity(r.NoiseFloor, "dB"), Lift: 26}}
	return chart.Figure{Desc: "The spectrum of the sound with its strongest tones named.", Panels: []chart.Panel{spec}, Notes: []string{fmt.Sprintf("%d tones", len(r.Tones))}}
}

func plotSine(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.SineResult)
	s, x := t.samples()
	long := min(5/max(r.Frequency, 1e-9), float64(len(x))/s.Rate)
	p := t.closely(0, long)
	p.Lines[0].Name = "capture"
	fit := chart.Line{Name: "fit", Colour: 1, Dash: true}
	for i := range 801 {
		at := long * float64(i) / 800
		fit.X, fit.Y = append(fit.X, at), append(fit.Y, r.DC+r.Amplitude*math.Cos(2*math.Pi*r.Frequency*at+r.Phase))
	}
	p.Lines = append(p.Lines, fit)
	left := make([]float64, len(x))
	for i := range x {
		left[i] = x[i] - r.DC - r.Amplitude*math.Cos(2*math.Pi*r.Frequency*float64(i)/s.Rate+r.Phase)
	}
	rest := chart.Panel{XLabel: "time / s", YLabel: "residual / " + t.units["capture"], Height: 150, Zero: true, Lines: []chart.Line{chart.Envelope(0, 1/s.Rate, left, drawn)}}
	return chart.Figure{Desc: "The first periods of the capture with the sine fitted, and what the fit leaves.", Panels: []chart.Panel{p, rest},
		Notes: []string{fmt.Sprintf("%s, amplitude %s, SINAD %s", exactly(r.Frequency, "Hz"), quantity(r.Amplitude, t.units["capture"]), quantity(r.SINAD, "dB"))}}
}

func plotLevel(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.LevelResult)
	p := t.trace()
	reference, label := t.fullScale()
	return chart.Figure{Desc: "The sound over time, and its spectrum.", Panels: []chart.Panel{p, t.spectrum(label, reference)},
		Notes: []string{fmt.Sprintf("level %s, A-weighted %s, C-weighted %s", quantity(r.Level, "dB"), quantity(r.LevelA, "dB"), quantity(r.LevelC, "dB"))}}
}

func plotTune(t *Taken) chart.Figure {
	r := t.out.Interface().(measure.TuneResult)
	p := t.trace()
	top := 0.0
	_, x := t.samples()
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	notes := chart.Panel{XLabel: "time / s", YLabel: "pitch / Hz", Height: 200}
	var heard, wanted chart.Line
	heard.Name, wanted.Name = "heard", "score"
	wanted.Colour, wanted.Dash = 1, true
	o := t.in[1].Interface().(measure.TuneOptions)
	gap := math.NaN()
	for _, n := range r.Notes {
		heard.X, heard.Y = append(heard.X, n.Start, n.Start+n.Length, gap), append(heard.Y, n.Pitch, n.Pitch, gap)
		text := exactly(n.Pitch, "Hz")
		if n.Number == 0 {
			text += ", extra"
		} else if n.Number <= len(o.Score) {
			pitch := o.Score[n.Number-1].Pitch
			wanted.X, wanted.Y = append(wanted.X, n.Start, n.Start+o.Score[n.Number-1].Length, gap), append(wanted.Y, pitch, pitch, gap)
			text += fmt.Sprintf(", %+.1f cent", n.Cents)
		}
		notes.Marks = append(notes.Marks, chart.Mark{X: n.Start, Y: n.Pitch, Text: text})
		p.Rules = append(p.Rules, chart.Rule{At: n.Start, Vertical: true})
	}
	notes.Lines = []chart.Line{wanted, heard}
	figure := chart.Figure{Desc: "The sound over time with the beginning of each note, and the notes heard against the score.", Panels: []chart.Panel{p, notes},
		Notes: []string{fmt.Sprintf("%d notes found, %d missing, %d wrong, %d extra", r.Right, r.Missing, r.Wrong, r.Extra)}}
	if r.ForeignSteady {
		reference, label := t.fullScale()
		spec := t.spectrum(label, reference)
		spec.Rules = []chart.Rule{{At: r.ForeignFrequency, Vertical: true, Text: "foreign tone " + exactly(r.ForeignFrequency, "Hz")}}
		figure.Panels = append(figure.Panels, spec)
		figure.Notes = append(figure.Notes, fmt.Sprintf("a foreign tone of %s lies under the notes, %s of them", exactly(r.ForeignFrequency, "Hz"), quantity(r.ForeignLevel, "dB")))
	}
	return figure
}
