package selfcheck

import (
	"time"

	"fullthrow/drivers"
	"fullthrow/runner/measure"
)

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
