package selfcheck

import (
	"math"

	"fullthrow/drivers"
	"fullthrow/runner/measure"
)

// signal is a generated capture, by name: its parameters follow the name.
func signal(a *Args) drivers.Samples {
	s := drivers.Samples{Rate: 48000, Unit: "1", Channels: 1}
	fill := func(n int, f func(i float64) float64) {
		s.Values = make([]float64, n)
		for i := range s.Values {
			s.Values[i] = f(float64(i))
		}
	}
	// harmonics adds so many harmonics of the amplitude given.
	harmonics := func(amplitude func(h float64) float64) {
		hz, top := a.Number(1), a.Whole(2)
		fill(24000, func(i float64) (y float64) {
			for h := 1; h <= top; h += 2 {
				y += amplitude(float64(h)) * math.Sin(2*math.Pi*float64(h)*hz*i/48000)
			}
			return y
		})
	}
	switch a.Text(0) {
	case "sine": // Hz; rms 1 Pa
		s.Unit = "Pa"
		hz := a.Number(1)
		fill(96000, func(i float64) float64 { return math.Sqrt2 * math.Sin(2*math.Pi*hz*i/48000) })
	case "long sine": // Hz; rms 1 Pa, 128 s
		s.Rate, s.Unit = 1000, "Pa"
		hz := a.Number(1)
		fill(128000, func(i float64) float64 { return math.Sqrt2 * math.Sin(2*math.Pi*hz*i/1000) })
	case "record": // 4096 samples, fundamental at 127 Hz
		s.Rate = 4096
		fill(4096, func(i float64) float64 {
			th := 2 * math.Pi * i / 4096
			return 0.1 + math.Cos(127*th+.3) + .001*math.Cos(254*th+.1) + .0005*math.Sin(381*th) +
				.0002*math.Cos(501*th)
		})
	case "square": // Hz, highest harmonic; +-1
		harmonics(func(h float64) float64 { return 4 / (math.Pi * h) })
	case "triangle": // Hz, highest harmonic; +-1
		harmonics(func(h float64) float64 { return math.Sin(math.Pi*h/2) * 8 / (math.Pi * math.Pi * h * h) })
	case "quantised": // bits of an ideal converter, a full-scale sine of 997.123 Hz
		step := math.Exp2(1 - a.Number(1))
		fill(96000, func(i float64) float64 {
			v := (1 - step/2) * math.Sin(2*math.Pi*997.123*i/48000)
			return (math.Floor(v/step) + 0.5) * step
		})
	case "ten samples": // .5 + 1.2 cos + .7 sin + .01 (-1)^n at 0.1 of the rate
		s.Rate = 1
		s.Values = []float64{1.71, 1.87227007, 1.546559955, .784919168, -.049370717, -.71, -.87227007, -.546559955,
			.215080832, 1.049370717}
	default:
		a.bad(0, "a signal")
	}
	return s
}

func sound() map[string]Function {
	return map[string]Function{
		"measure.Windows": func(a *Args) (Figures, error) {
			f := Figures{}
			for _, w := range measure.Windows() {
				if w.Name == a.Text(0) {
					f = Figures{
						"coherent gain": w.Gain, "noise bandwidth": w.NoiseBandwidth, "scallop": -w.Error(0.5),
						"0.1 bins off": w.Error(0.1), "0.25 bins off": w.Error(0.25), "0.4 bins off": w.Error(0.4),
						"0.5 bins off": w.Error(0.5),
					}
				}
			}
			return f, nil
		},
		// Level of a sine of 1 Pa rms
		"measure.Level": func(a *Args) (Figures, error) {
			r, err := measure.Level(signal(a), measure.LevelOptions{})
			return Figures{"A-weighting": r.LevelA - r.Level, "C-weighting": r.LevelC - r.Level, "level": r.Level,
				"crest": r.Crest}, err
		},
		// a signal
		"measure.SteadyTone": func(a *Args) (Figures, error) {
			s := signal(a)
			o := measure.ToneOptions{}
			switch a.list[0] {
			case "square", "triangle":
				o.HighestHarmonic = a.Whole(2)
			case "sine":
				o.Frequency = a.Number(2) // that it should have
			}
			r, err := measure.SteadyTone(s, o)
			return Figures{
				"amplitude": r.Amplitude, "frequency": r.Frequency, "cents": r.Cents, "DC": r.DC,
				"THD_F": r.THDF / 100, "THD_F dB": 20 * math.Log10(r.THDF/100), "THD_R": r.THD / 100,
				"SINAD": r.SINAD, "SNR": r.SNR, "SFDR": r.SFDR, "ENOB": r.ENOB,
			}, err
		},
		// a signal, Hz: the three-parameter fit
		"measure.Sine": func(a *Args) (Figures, error) {
			r, err := measure.Sine(signal(a), measure.SineOptions{Frequency: a.Number(1), FixedFrequency: true})
			return Figures{
				"A": r.Amplitude * math.Cos(r.Phase), "B": -r.Amplitude * math.Sin(r.Phase), "C": r.DC,
				"amplitude": r.Amplitude, "phase": r.Phase, "residual": r.Residual, "SINAD": r.SINAD,
			}, err
		},
	}
}
