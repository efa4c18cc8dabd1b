package sim

import (
	"math"
	"time"
)

// oscillator makes a sine by recurrence: y[n+1] = 2 cos(w) y[n] - y[n-1].
type oscillator struct{ y0, y1, k float64 }

// newOscillator begins with the sine of phase phi; w is the step in radians.
// Above half the sample rate (w >= pi) it is silent, as behind an anti-alias
// filter.
func newOscillator(amplitude, w, phi float64) oscillator {
	if w >= math.Pi || amplitude == 0 {
		return oscillator{}
	}
	return oscillator{amplitude * math.Sin(phi-w), amplitude * math.Sin(phi), 2 * math.Cos(w)}
}

func (o *oscillator) next() float64 {
	y := o.y1
	o.y0, o.y1 = y, o.k*y-o.y0
	return y
}

// sound adds the tune of a handset switched on at `on` (s, on the axis of
// out's first sample), cut off at `end`, to out at the given rate.
func (s *Sounder) sound(out []float64, rate, on, end float64) {
	tempo := s.Tempo
	if tempo <= 0 {
		tempo = 1
	}
	at := on + s.Begin
	for _, n := range s.Tune {
		stop := at + n.Seconds/tempo
		if n.Gain != 0 {
			s.note(out, rate, n, at, min(stop, end), stop)
		}
		at = stop + s.Gap/tempo
	}
}

// note adds one note from `from` to `to` (s); it would fall silent at `stop`.
func (s *Sounder) note(out []float64, rate float64, n Note, from, to, stop float64) {
	first := max(0, int(math.Ceil(from*rate)))
	last := min(len(out), int(math.Ceil(to*rate)))
	if last <= first {
		return
	}
	a := s.Level * n.Gain
	w := 2 * math.Pi * n.Hz / rate
	phi := 2 * math.Pi * n.Hz * (float64(first)/rate - from)
	o1 := newOscillator(a, w, phi)
	o2 := newOscillator(a*s.Harmonic[0], 2*w, 2*phi)
	o3 := newOscillator(a*s.Harmonic[1], 3*w, 3*phi)
	o4 := newOscillator(a*s.Harmonic[2], 4*w, 4*phi)
	// The self-oscillation swings as strongly as the sounder is driven.
	of := newOscillator(a*s.Foreign, 2*math.Pi*s.ForeignHz/rate, 2*math.Pi*s.ForeignHz*(float64(first)/rate-from))
	ramp := 1e9 // per sample: at once
	if s.Attack > 0 {
		ramp = 1 / (s.Attack * rate)
	}
	up, down := (float64(first)-from*rate)*ramp, (stop*rate-float64(first))*ramp
	for i := first; i < last; i++ {
		v := o1.next() + o2.next() + o3.next() + o4.next() + of.next()
		if e := min(up, down); e < 1 {
			v *= max(e, 0)
		}
		up, down = up+ramp, down-ramp
		out[i] += v
	}
}

// sound fills out with what the microphone hears: the tunes of every start and
// the noise floor, clipped at full scale.
func (h *history) sound(s *Sounder, out []float64, start time.Duration, rate float64, nz *noise) {
	floor := max(s.Floor, converterNoise)
	for i := range out {
		out[i] = floor * nz.next()
	}
	for i, sp := range h.spans {
		if sp.phase != running {
			continue
		}
		end := math.Inf(1)
		if i+1 < len(h.spans) {
			end = seconds(h.spans[i+1].start - start)
		}
		s.sound(out, rate, seconds(sp.start-start), end)
	}
	for i, v := range out {
		if v > 1 || v < -1 {
			out[i] = math.Copysign(1, v)
		}
	}
}
