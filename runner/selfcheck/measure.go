package selfcheck

import (
	"math"
	"time"

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

// travelPoints is a table of readings: the data set "travel" (rows are ways, up
// and down in turn, in % at 0, 10 ... 100 %), or "bow", y = x + 0.08 x (1-x) at
// so many points of [0, 1].
func travelPoints(a *Args) []measure.TravelPoint {
	var points []measure.TravelPoint
	if a.Text(0) == "bow" {
		n := a.Whole(1)
		for i := range n {
			x := float64(i) / float64(n-1)
			points = append(points, measure.TravelPoint{Cycle: 1, Up: true, Commanded: x, Output: x + 0.08*x*(1-x)})
		}
		return points
	}
	for way, row := range a.Data(0) {
		for i, y := range row {
			points = append(points, measure.TravelPoint{Cycle: 1 + way/2, Up: way%2 == 0, Commanded: float64(10 * i),
				Output: y})
		}
	}
	return points
}

func sticks() map[string]Function {
	return map[string]Function{
		"measure.TravelPoints": func(a *Args) (Figures, error) {
			r, err := measure.TravelPoints(travelPoints(a), measure.TravelPointsOptions{})
			return Figures{
				"inaccuracy +": r.InaccuracyAbove, "inaccuracy -": r.InaccuracyBelow,
				"measured error +": r.ErrorAbove, "measured error -": r.ErrorBelow,
				"hysteresis": r.Hysteresis, "hysteresis at": r.HysteresisAt, "non-repeatability": r.Repeatability,
				"pooled sd": r.RepeatabilitySD,
				"terminal":  r.TerminalLine.NonLinearity, "terminal at": r.TerminalLine.At,
				"terminal slope": r.TerminalLine.Slope,
				"independent":    r.IndependentLine.NonLinearity, "independent slope": r.IndependentLine.Slope,
				"independent line at 0": r.IndependentLine.Intercept,
				"zero-based":            r.ZeroLine.NonLinearity, "zero-based slope": r.ZeroLine.Slope,
				"least squares": r.LeastSquaresLine.NonLinearity, "l. sq. slope": r.LeastSquaresLine.Slope,
				"l. sq. line at 0": r.LeastSquaresLine.Intercept,
			}, err
		},
	}
}

func link() map[string]Function {
	return map[string]Function{
		// m, Hz, gain of both antennas in dBi
		"measure.Attenuation": func(a *Args) (Figures, error) {
			v, err := measure.Attenuation(a.Number(0), measure.DistanceOptions{Frequency: a.Number(1),
				AntennaGain: a.Number(2)})
			return Figures{"loss": v, "level at 20 dBm": 20 - v}, err
		},
		// dB, Hz
		"measure.Distance": func(a *Args) (Figures, error) {
			r, err := measure.Distance(a.Number(0), measure.DistanceOptions{Frequency: a.Number(1)})
			return Figures{"distance": r.Distance}, err
		},
		// path in m, Hz, wood in m, A1, alpha, dB/m: the woodland's part of the
		// loss of that path
		"measure.Distance in woodland": func(a *Args) (Figures, error) {
			o := measure.DistanceOptions{Frequency: a.Number(1), Wood: a.Number(2), WoodA1: a.Number(3),
				WoodAlpha: a.Number(4), WoodSpecific: a.Number(5)}
			loss, err := measure.Attenuation(a.Number(0), o)
			if err != nil {
				return nil, err
			}
			r, err := measure.Distance(loss, o)
			return Figures{"excess": r.Woodland, "distance": r.Distance}, err
		},
		// frames lost, frames sent: a capture in which the receiver marks the
		// first so many frames as lost
		"measure.Link": func(a *Args) (Figures, error) {
			lost, sent := a.Whole(0), a.Whole(1)
			const period = 7 * time.Millisecond
			f := drivers.Frames{Length: time.Duration(sent) * period, Period: period}
			for i := range sent {
				f.Frames = append(f.Frames, drivers.Frame{At: time.Duration(i+1) * period, Channels: []uint16{992},
					Lost: i < lost})
			}
			r, err := measure.Link(f, measure.LinkOptions{})
			return Figures{
				"error rate": r.ErrorRate, "upper bound": r.Upper, "exact from": r.Exact.Low, "exact to": r.Exact.High,
				"Wilson from": r.Wilson.Low, "Wilson to": r.Wilson.High,
			}, err
		},
		// good %, bad %, alpha, beta
		"measure.SequentialPlan": func(a *Args) (Figures, error) {
			r, err := measure.SequentialPlan(measure.SequentialOptions{Good: a.Number(0), Bad: a.Number(1),
				Alpha: a.Number(2), Beta: a.Number(3)})
			return Figures{"h1": r.AcceptIntercept, "h2": r.RejectIntercept, "s": r.Slope,
				"first acceptance": float64(r.FirstAccept)}, err
		},
		// lost, sent, good %, bad %, alpha, beta; not truncated before 1000
		"measure.Sequential": func(a *Args) (Figures, error) {
			o := measure.SequentialOptions{Good: a.Number(2), Bad: a.Number(3), Alpha: a.Number(4), Beta: a.Number(5),
				MostPackets: 1000}
			r, err := measure.Sequential(a.Whole(0), a.Whole(1), o)
			return Figures{"accept up to": float64(r.AcceptUpTo), "reject from": float64(r.RejectFrom),
				"decision": r.Decision}, err
		},
	}
}

// straight is a capture of n samples that goes evenly from one value to another.
func straight(n int, over, from, to float64, unit string) drivers.Samples {
	s := drivers.Samples{Rate: float64(n-1) / over, Unit: unit, Channels: 1, Values: make([]float64, n)}
	for i := range s.Values {
		s.Values[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return s
}

func supply() map[string]Function {
	return map[string]Function{
		// tau s, from, to, towards
		"measure.RCTime": func(a *Args) (Figures, error) {
			t, err := measure.RCTime(a.Number(0), a.Number(1), a.Number(2), a.Number(3))
			return Figures{"time": t}, err
		},
		// tau s, from, towards, after s
		"measure.RCLevel": func(a *Args) (Figures, error) {
			v, err := measure.RCLevel(a.Number(0), a.Number(1), a.Number(2), a.Number(3))
			return Figures{"level": v}, err
		},
		// a decay of V from, s tau, 4000 samples over 4 s; F known
		"measure.Decay": func(a *Args) (Figures, error) {
			s := drivers.Samples{Rate: 1000, Unit: "V", Channels: 1, Values: make([]float64, 4000)}
			for i := range s.Values {
				s.Values[i] = a.Number(0) * math.Exp(-float64(i)/1000/a.Number(1))
			}
			r, err := measure.Decay(s, measure.DecayOptions{Capacitance: a.Number(2)})
			return Figures{"tau": r.Tau, "resistance": r.Resistance, "amplitude": r.Amplitude}, err
		},
		// A constant, V from, V to (evenly), s
		"measure.Energy": func(a *Args) (Figures, error) {
			current := straight(1001, a.Number(3), a.Number(0), a.Number(0), "A")
			voltage := straight(1001, a.Number(3), a.Number(1), a.Number(2), "V")
			r, err := measure.Energy(current, voltage, measure.EnergyOptions{})
			return Figures{"energy": r.Energy, "charge": r.Charge, "duration": r.Duration}, err
		},
		// A·h, A
		"measure.BatteryLife": func(a *Args) (Figures, error) {
			r, err := measure.BatteryLife([]measure.DutyPhase{{Current: a.Number(1), Time: 1}},
				measure.BatteryOptions{Capacity: 3600 * a.Number(0)})
			return Figures{"hours": r.Life / 3600}, err
		},
	}
}
