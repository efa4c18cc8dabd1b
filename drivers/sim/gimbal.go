package sim

import (
	"math"
	"time"
)

// stop is where a stick meets its mechanical end, in throws.
const stop = 1.02

// playOperator is the backlash between shaft and potentiometer: the output
// stays where it is until the input has taken up half the width, then follows
// at that distance (play operator; IEC 61298-2 calls the effect hysteresis).
type playOperator struct {
	Width float64
	Out   float64
}

// Move takes the input to x along a way without turning, and returns the
// output.
func (p *playOperator) Move(x float64) float64 {
	p.Out = min(max(p.Out, x-p.Width/2), x+p.Width/2)
	return p.Out
}

// clutchEvent is a change of relay 6: fingers take hold of the sticks, or let
// go.
type clutchEvent struct {
	at   time.Duration
	held bool
}

// leg is one straight movement of the machine, in throws. It leads to goal in the
// time that it lasts; where it was cut short, it ends sooner, at to.
type leg struct {
	start, end time.Duration
	from, to   [4]float64
	goal       [4]float64
	lasts      time.Duration
	ramp       time.Duration // gathering speed, and slowing down
	slows      bool          // it slows down all the way
}

// at is the position of axis i; before the start `from`, after the end `to`.
func (l *leg) at(i int, t time.Duration) float64 {
	switch {
	case t >= l.end:
		return l.to[i]
	case t <= l.start:
		return l.from[i]
	}
	return l.from[i] + (l.goal[i]-l.from[i])*l.share(t)
}

// shaft follows one stick axis through time: machine, fingers, spring. It only
// goes forward.
type shaft struct {
	axis     int
	now      time.Duration
	leg      int // the first leg that has not ended
	clutch   int // the first event not yet taken
	held     bool
	released time.Duration
	from     float64 // where the stick was let go
	rest     float64 // where the spring leaves it
	play     playOperator
}

// track is what the shafts follow.
type track struct {
	base   [4]float64 // position before the first leg
	legs   []leg
	clutch []clutchEvent
}

// machine is the position of the axis at t, at which leg has not ended.
func (s *shaft) machine(tr *track, t time.Duration) float64 {
	if s.leg < len(tr.legs) && t >= tr.legs[s.leg].start {
		return tr.legs[s.leg].at(s.axis, t)
	}
	if s.leg > 0 {
		return tr.legs[s.leg-1].to[s.axis]
	}
	return tr.base[s.axis]
}

// angle is the shaft's position at t.
func (s *shaft) angle(g *Gimbal, tr *track, t time.Duration) float64 {
	if s.held {
		return min(max(s.machine(tr, t), -stop), stop)
	}
	tau := max(g.Return, 1e-6)
	return s.rest + (s.from-s.rest)*math.Exp(-seconds(t-s.released)/tau)
}

// advance goes on to t and returns where the potentiometer is. Between two
// turning points the way is monotone, so the ends decide.
func (s *shaft) advance(g *Gimbal, seed uint64, tr *track, t time.Duration) float64 {
	for {
		at, what := t, 0
		if s.leg < len(tr.legs) && tr.legs[s.leg].end <= at {
			at, what = tr.legs[s.leg].end, 1
		}
		if s.clutch < len(tr.clutch) && tr.clutch[s.clutch].at <= at {
			at, what = tr.clutch[s.clutch].at, 2
		}
		if at < s.now {
			at = s.now
		}
		out := s.play.Move(s.angle(g, tr, at))
		s.now = at
		switch what {
		case 0:
			return out
		case 1:
			s.leg++
		case 2:
			s.grip(g, seed, tr, tr.clutch[s.clutch])
			s.clutch++
			s.play.Move(s.angle(g, tr, at))
		}
	}
}

// grip takes hold or lets go.
func (s *shaft) grip(g *Gimbal, seed uint64, tr *track, e clutchEvent) {
	if e.held == s.held {
		return
	}
	if !e.held {
		s.from, s.released = s.angle(g, tr, e.at), e.at
		s.rest = s.from
		// Friction balances the spring somewhere in its band, on the side the
		// stick came from.
		if band := g.Friction * (0.6 + 0.4*unit(seed, uint64(s.clutch))); math.Abs(s.from) > band {
			s.rest = math.Copysign(band, s.from)
		}
	}
	s.held = e.held
}

// output is the channel value (±1 = 100 %) for a potentiometer at p, in frame
// n at t seconds. nz is the noise of one frame.
func (g *Gimbal) output(p float64, seed, n uint64, t float64, nz *noise) float64 {
	if g.Stuck {
		return g.StuckAt + g.Noise*nz.next()
	}
	u := p
	if g.DeadBand > 0 {
		u = math.Copysign(max(0, math.Abs(u)-g.DeadBand)/(1-g.DeadBand), u)
	}
	// A cubic without effect at the centre and the ends; its largest value on
	// [0, 1] is 2/(3 sqrt 3).
	u += g.Taper * (3 * math.Sqrt(3) / 2) * u * (1 - u*u)
	u = g.Gain*u + g.Offset
	if g.Wiggle > 0 {
		u += g.Wiggle * smoothNoise(seed^0x77, max(t, 0), 0.12)
	}
	u += g.Noise * nz.next()
	for i, s := range g.Spots {
		if math.Abs(p-s.At) <= s.Width/2 && unit(seed^uint64(i+1)<<32, n) < s.Chance {
			u = -1
		}
	}
	return u
}
