package sim

import (
	"math"
	"slices"
	"time"
)

// phase says what a handset is doing.
type phase string

const (
	absent  phase = "absent"    // nothing on the bench
	cold    phase = "unpowered" // no supply at all
	off     phase = "off"       // supplied, switched off: leaks
	dead    phase = "dead"      // switched on, does nothing
	hung    phase = "hung"      // switched on before the restart node had fallen
	running phase = "running"
)

func (p phase) powered() bool { return p == dead || p == hung || p == running }

// span is one phase from its start to the start of the next.
type span struct {
	start        time.Duration // since the bench began
	phase        phase
	currentLimit float64 // A, current limit of the supply
}

// Voltage is what is left on the capacitor t seconds after v0:
// v0 e^(-t/RC). t <= 0 gives v0; RC = 0 gives 0 for t > 0.
func (rc RC) Voltage(v0, t float64) float64 {
	if t <= 0 {
		return v0
	}
	if rc.Ohm*rc.Farad == 0 {
		return 0
	}
	return v0 * math.Exp(-t/(rc.Ohm*rc.Farad))
}

// Falls is the time in s the capacitor needs to fall from v0 to v:
// RC ln(v0/v); 0 where v >= v0, +Inf where v <= 0 < v0.
func (rc RC) Falls(v0, v float64) float64 {
	switch {
	case v >= v0:
		return 0
	case v <= 0:
		return math.Inf(1)
	}
	return rc.Ohm * rc.Farad * math.Log(v0/v)
}

// history is what power did to the handset since it was loaded.
type history struct {
	spans []span
	node  float64       // V on the restart node at `since`
	since time.Duration // when the handset lost power last
}

// now is the span at t, with the time it started.
func (h *history) at(t time.Duration) span {
	for _, s := range slices.Backward(h.spans) {
		if s.start <= t {
			return s
		}
	}
	return span{phase: absent}
}

// step enters what the supply (volts, 0 = output off) and the switch give the
// handset from t on.
func (h *history) step(p *Power, t time.Duration, volts, currentLimit float64, on bool) {
	last := span{phase: cold}
	if n := len(h.spans); n > 0 {
		last = h.spans[n-1]
	}
	next := cold
	switch {
	case volts < p.Least:
	case !on:
		next = off
	case last.phase.powered():
		next = last.phase // a step of the supply above Least changes nothing
	case !p.Starts:
		next = dead
	case p.Node.Voltage(h.node, seconds(t-h.since)) < p.Threshold:
		next = running
	default:
		next = hung
	}
	if next.powered() {
		h.node, h.since = volts, t // charged at once: the charging path is short
	} else if last.phase.powered() {
		h.since = t
	}
	if next == last.phase && currentLimit == last.currentLimit {
		return
	}
	start := t
	if next == last.phase && next.powered() {
		// Only the current limit changed: the inrush goes on, it does not begin again.
		h.spans[len(h.spans)-1].currentLimit = currentLimit
		return
	}
	h.spans = append(h.spans, span{start, next, currentLimit})
}

// steady is the current that flows in a phase once the inrush is over.
func (p *Power) steady(ph phase) float64 {
	switch ph {
	case off:
		return p.Leakage
	case dead:
		return p.Leakage
	case hung:
		return p.Hung
	case running:
		return p.Running
	}
	return 0
}

// current fills out with the mean current over each interval
// [start+i tint, start+(i+1) tint), in A. nz is the noise of one sample.
func (h *history) current(p *Power, out []float64, start time.Duration, tint float64, nz *noise) {
	clear(out)
	for i := range h.spans {
		s := h.spans[i]
		end := math.Inf(1)
		if i+1 < len(h.spans) {
			end = seconds(h.spans[i+1].start - start)
		}
		h.fill(p, out, s, seconds(s.start-start), end, tint, nz)
	}
}

// fill adds the span from a to b (s, on the axis on which sample 0 begins at 0).
func (h *history) fill(p *Power, out []float64, s span, a, b, tint float64, nz *noise) {
	n := len(out)
	total := float64(n) * tint
	if b <= 0 || a >= total {
		return
	}
	steady := p.steady(s.phase)
	inrush := 0.0
	if s.phase == running || s.phase == hung {
		inrush = p.Inrush
	}
	tau := max(p.InrushTau, 1e-9)
	// mean is the mean over [x, y) of the inrush, integrated.
	charge := func(x, y float64) float64 {
		return inrush * tau * (math.Exp(-(x-a)/tau) - math.Exp(-(y-a)/tau))
	}
	edge := func(i int) { // a sample that lies only partly within the span
		x, y := max(a, float64(i)*tint), min(b, float64(i+1)*tint)
		if y > x {
			out[i] += (min(steady*(y-x)+charge(x, y), s.currentLimit*(y-x))) / tint
		}
	}
	first := max(0, int(math.Ceil(a/tint-1e-9)))
	last := n
	if b < total {
		last = int(math.Floor(b/tint + 1e-9))
	}
	if first > 0 {
		edge(first - 1)
	}
	if last < n && last >= first {
		edge(last)
	}
	if last <= first {
		return
	}
	decay, step := 0.0, math.Exp(-tint/tau)
	if inrush > 0 {
		decay = charge(float64(first)*tint, float64(first+1)*tint) / tint
	}
	if s.phase != running {
		for i := first; i < last; i++ {
			out[i] += min(steady+decay, s.currentLimit)
			decay *= step
		}
		return
	}
	// The ripple is averaged over the interval as well: sinc.
	w := 2 * math.Pi * p.RippleHz * tint
	amplitude := p.Ripple
	if w > 0 {
		amplitude *= math.Abs(math.Sin(w/2) / (w / 2))
	}
	phi := 2 * math.Pi * p.RippleHz * (float64(first)*tint - a)
	s0, s1, k := amplitude*math.Sin(phi-w), amplitude*math.Sin(phi), 2*math.Cos(w)
	for i := first; i < last; i++ {
		out[i] += min(steady+decay+s1+p.Noise*nz.next(), s.currentLimit)
		decay *= step
		s0, s1 = s1, k*s1-s0
	}
}
