package offline

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"

	"fullthrow/reports/draw"
	"fullthrow/runner/measure"
)

const (
	// longest transform that is drawn: longer captures are drawn by their middle.
	longest = 1 << 18
	// drawn is how many points of a spectrum are: each the largest of its stretch.
	drawn = 1600
)

// spectrum is the amplitude spectrum of a capture under Hann's window, in dB
// of amplitudes against reference.
func (t *Taken) spectrum(label string, reference float64) draw.Panel {
	s, x := t.samples()
	n := min(len(x), longest)
	p := panel("frequency / Hz", label, 400)
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
	each := (len(bins) + drawn - 1) / drawn
	l, best := draw.Line{Class: "series fine", Step: s.Rate / float64(n) * float64(each)}, math.Inf(-1)
	for i, c := range bins {
		level := max(-400, 20*math.Log10(2*math.Hypot(real(c), imag(c))/float64(n)/reference))
		if best = max(best, level); i%each == 0 {
			l.Y = append(l.Y, level)
		}
		l.Y[len(l.Y)-1] = max(l.Y[len(l.Y)-1], level)
	}
	p.Y.Floor = max(best-140, -300)
	if p.Y.Floor == 0 {
		p.Y.Floor = -1e-9
	}
	p.Lines = []draw.Line{l}
	return p
}

// level is the spectrum in dB of what levels are against.
func (t *Taken) level() draw.Panel {
	switch u := t.units["capture"]; u {
	case "Pa":
		return t.spectrum("level / dB re 20 µPa", 20e-6*math.Sqrt2)
	case "1":
		return t.spectrum("level / dB re full scale", 1)
	default:
		return t.spectrum("level / dB re 1 "+u, 1)
	}
}

// floor is the line of a noise floor, which may lie below what is drawn.
func floor(p draw.Panel, v float64) draw.Rule {
	return draw.Rule{At: max(v, p.Y.Floor), Text: said("dB", "noise floor {u}", v)}
}

func plotTone(t *Taken) draw.Figure {
	r := as[measure.ToneResult](t.out)
	spec, note := t.level(), "no tone found"
	add := func(text string, at, level float64, values ...any) {
		spec.Points = append(spec.Points, ring(at, level, said("dB", text, values...)))
	}
	if r.Found || r.Frequency > 0 {
		add("tone {Hz!}, {u}", r.Frequency, r.Level, r.Frequency, r.Level)
		for _, h := range r.Harmonics {
			if h.Level > -100 && r.Level+h.Level > r.NoiseFloor+3 {
				add("harmonic {}, {u}", h.Frequency, r.Level+h.Level, h.Number, h.Level)
			}
		}
		for _, f := range r.Foreign {
			add("foreign {Hz!}, {u}", f.Frequency, r.Level+f.Level, f.Frequency, f.Level)
		}
		note = said("dB", "tone {Hz!} at {u}; THD {%}, SNR {u}", r.Frequency, r.Level, 100*r.THD, r.SNR)
	}
	spec.Rules = []draw.Rule{floor(spec, r.NoiseFloor)}
	if r.Clipped {
		note += "; CLIPPED"
	}
	s, x := t.samples()
	middle, long := float64(len(x))/2/s.Rate, 0.02
	if r.Frequency > 0 {
		long = 12 / r.Frequency
	}
	periods := t.closely(middle-long/2, middle+long/2)
	periods.Height = 220
	return figure(note, spec, periods)
}

func plotTones(t *Taken) draw.Figure {
	r := as[measure.TonesResult](t.out)
	spec := t.level()
	for _, x := range r.Tones {
		spec.Points = append(spec.Points, ring(x.Frequency, x.Level, said("dB", "{Hz!}, {u}", x.Frequency, x.Level)))
	}
	spec.Rules = []draw.Rule{floor(spec, r.NoiseFloor)}
	return figure(said("", "{} tones", len(r.Tones)), spec)
}

func plotSine(t *Taken) draw.Figure {
	r := as[measure.SineResult](t.out)
	s, x := t.samples()
	long := min(5/max(r.Frequency, 1e-9), float64(len(x))/s.Rate)
	fit := func(at float64) float64 { return r.DC + r.Amplitude*math.Cos(2*math.Pi*r.Frequency*at+r.Phase) }
	p := t.closely(0, long)
	p.Lines[0].Name = "capture"
	p.Lines = append(p.Lines, fitted(long, fit))
	return figure(said(t.units["capture"], "{Hz!}, amplitude {u}, SINAD {dB}", r.Frequency, r.Amplitude, r.SINAD),
		p, t.residual(fit))
}

func plotLevel(t *Taken) draw.Figure {
	r := as[measure.LevelResult](t.out)
	spec := t.level()
	spec.X.Log = true // as ears hear, and the weightings are drawn
	return figure(said("dB", "level {u}, A-weighted {u}, C-weighted {u}", r.Level, r.LevelA, r.LevelC), t.trace(), spec)
}

func plotTune(t *Taken) draw.Figure {
	r, o := as[measure.TuneResult](t.out), as[measure.TuneOptions](t.in[1])
	p, notes := t.trace(), panel("time / s", "pitch / Hz", 280)
	heard, wanted := draw.Line{Name: "heard"}, draw.Line{Name: "score"}
	for _, n := range r.Notes {
		heard.Add(n.Start, n.Pitch, n.Start+n.Length, n.Pitch)
		heard.Gap()
		text := exactly(n.Pitch, "Hz")
		if n.Number == 0 {
			text += ", extra"
		} else if n.Number <= len(o.Score) {
			pitch := o.Score[n.Number-1].Pitch
			wanted.Add(n.Start, pitch, n.Start+o.Score[n.Number-1].Length, pitch)
			wanted.Gap()
			if text += said("", ", {cent}", n.Cents); n.Cents > 0 {
				text = exactly(n.Pitch, "Hz") + said("", ", +{cent}", n.Cents)
			}
		}
		notes.Points = append(notes.Points, ring(n.Start, n.Pitch, text))
		p.Rules = append(p.Rules, at(n.Start, ""))
	}
	notes.Lines = []draw.Line{heard, wanted}
	f := figure(said("", "{} notes found, {} missing, {} wrong, {} extra", r.Right, r.Missing, r.Wrong, r.Extra),
		p, notes)
	if r.ForeignSteady {
		spec := t.level()
		spec.Rules = []draw.Rule{upright("Hz", "foreign tone {Hz!}", r.ForeignFrequency)}
		f.Panels = append(f.Panels, spec)
		f.Notes = append(f.Notes, said("dB", "a foreign tone of {Hz!} lies under the notes, {u} of them",
			r.ForeignFrequency, r.ForeignLevel))
	}
	return f
}
