package sim

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// The stick machine.
const (
	throw        = 12.0 // mm from the centre to one end
	softLimit    = 1.05 // throws
	rapid        = 200. // mm/s, of G0
	seek         = 20.  // mm/s, of homing
	touch        = 800 * time.Millisecond
	acceleration = 20000. // mm/s^2
)

// axisLetters of left_x, left_y, right_x, right_y.
const axisLetters = "XYZA"

const never = time.Duration(math.MaxInt64)

// SticksHabit is how the controller of the stick machine behaves. The zero value
// is a usual one that is in order.
type SticksHabit struct {
	Controller   string  // StateControl (also ""), QueueControl or PlainControl
	Acceleration float64 // mm/s^2; 0: 20000
	NoHoming     bool    // it has no homing cycle; a queue seeks its switches in vain
	NoReadAhead  bool    // a queue takes M410 and M112 in turn
	// A queue leaves all switches but that of the last axis again when it has homed.
	LeavesSwitches bool
	Boot           time.Duration // opening its port restarts it, and it is deaf for so long
	Slow           time.Duration // every answer comes so much later
	Loses          int           // every so-manieth line is lost on the way; 0: none
	RestartAt      time.Duration // after so long, of the bench's time, it restarts by itself; 0: never
	HoldsForever   bool          // a hold does not end: it says that it still slows down
	NeverStops     bool          // it answers a hold and moves on
	Upper          bool          // it answers in capitals
	Echo           bool          // it sends every line back first
	Prompt         bool          // it begins every answer with "> "
	Chatty         bool          // it says what nobody asked for
	PoweredBy      int           // the fixture's relay that carries its motors' supply; 0: they always have it
}

// The controllers, written from published descriptions of such. StateControl
// acknowledges when a line was read, has real-time bytes and an alarm state;
// QueueControl answers in text and says that it is busy. PlainControl is a
// StateControl without a homing cycle, for who knows the standard's words alone.
const (
	StateControl = "state"
	QueueControl = "queue"
	PlainControl = "plain"
)

// SetController gives the stick machine another controller with usual habits,
// unless it has it.
func (b *Bench) SetController(c string) error {
	if b.devices.sticks.controller == cmp.Or(c, StateControl) {
		return nil
	}
	return b.SetSticks(SticksHabit{Controller: c})
}

// SetSticks gives the stick machine another controller, just switched on. Call it
// before the port of the sticks is opened.
func (b *Bench) SetSticks(h SticksHabit) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	g := &b.devices.sticks
	w := b.wires[Sticks]
	if w.user != nil {
		return fmt.Errorf("sticks: the port is in use")
	}
	if h.PoweredBy < 0 || h.PoweredBy > relays || h.PoweredBy > 0 && h.PoweredBy <= relayClutch {
		return fmt.Errorf("sticks: relay %d is not free", h.PoweredBy)
	}
	*g = newGantry(h)
	t := b.now()
	switch h.Controller {
	case PlainControl:
		h.NoHoming = true
		w.machine = newStateControl(*g, h, t)
	case "", StateControl:
		w.machine = newStateControl(*g, h, t)
	case QueueControl:
		w.machine = newQueueControl(*g, h, t)
	default:
		return fmt.Errorf("sticks: no controller %q (known: state, queue, plain)", h.Controller)
	}
	return nil
}

// gantry is the mechanics: axes, their motors, and what is planned for them. It
// begins at the centre, where its fingers are parked.
type gantry struct {
	track
	stuck  bool
	homed  bool
	homing time.Duration // end of the homing under way
	accel  float64       // mm/s^2

	controller string
	poweredBy  int  // see SticksHabit
	dead       bool // its motors have no supply
}

// still says whether nothing that it is told moves it.
func (g *gantry) still() bool { return g.stuck || g.dead }

// supplied switches its motors' supply. Without it they stand where they are, and the
// controller, which has its own, knows nothing of it.
func (g *gantry) supplied(t time.Duration, on bool) {
	if g.dead = !on; g.dead {
		g.cut(t)
	}
}

func newGantry(h SticksHabit) *gantry {
	g := &gantry{accel: h.Acceleration, controller: cmp.Or(h.Controller, StateControl),
		poweredBy: h.PoweredBy, dead: h.PoweredBy > 0}
	if g.accel <= 0 {
		g.accel = acceleration
	}
	return g
}

// word is a letter with a number.
type word struct {
	letter byte
	value  float64
}

// words reads a line without its comments.
func words(line string) ([]word, error) {
	var out []word
	line, _, _ = strings.Cut(line, ";")
	for i := 0; i < len(line); {
		c := line[i]
		switch {
		case c == ' ' || c == '\t' || c == '\r':
			i++
			continue
		case c == '(':
			end := strings.IndexByte(line[i:], ')')
			if end < 0 {
				return nil, fmt.Errorf("comment without end")
			}
			i += end + 1
			continue
		case c >= 'a' && c <= 'z':
			c -= 'a' - 'A'
		case c < 'A' || c > 'Z':
			return nil, fmt.Errorf("no word begins with %q", c)
		}
		k := i + 1
		for k < len(line) && strings.IndexByte("+-.0123456789", line[k]) >= 0 {
			k++
		}
		v, err := strconv.ParseFloat(line[i+1:k], 64)
		if err != nil || math.IsInf(v, 0) {
			return nil, fmt.Errorf("no number after %c", c)
		}
		out = append(out, word{c, v})
		i = k
	}
	return out, nil
}

// ends is when the last movement is done.
func (g *gantry) ends() time.Duration {
	if n := len(g.legs); n > 0 {
		return g.legs[n-1].end
	}
	return 0
}

// last is where the last movement leads.
func (g *gantry) last() [4]float64 {
	if n := len(g.legs); n > 0 {
		return g.legs[n-1].to
	}
	return g.base
}

// position is where the machine is at t.
func (g *gantry) position(t time.Duration) [4]float64 {
	p := g.base
	for i := range g.legs {
		if g.legs[i].start > t {
			break
		}
		for a := range p {
			p[a] = g.legs[i].at(a, t)
		}
	}
	return p
}

func (g *gantry) moving(t time.Duration) bool {
	return len(g.legs) > 0 && t < g.ends() || t < g.homing
}

// roomAt is when fewer than most movements are planned.
func (g *gantry) roomAt(t time.Duration, most int) time.Duration {
	if n := len(g.legs); n >= most {
		return max(t, g.legs[n-most].end)
	}
	return t
}

// run puts a straight movement at the end of the plan: it gathers speed and slows
// down at the machine's acceleration.
func (g *gantry) run(t time.Duration, to [4]float64, mmPerSecond float64) {
	from := g.last()
	sum := 0.0
	for i := range to {
		sum += (to[i] - from[i]) * (to[i] - from[i])
	}
	way := math.Sqrt(sum) * throw
	ramp := mmPerSecond / g.accel
	took := way/mmPerSecond + ramp
	if way < mmPerSecond*ramp { // it never gets that fast
		ramp = math.Sqrt(way / g.accel)
		took = 2 * ramp
	}
	start := max(t, g.ends())
	g.legs = append(g.legs, leg{start: start, end: start + duration(took), from: from, to: to, goal: to,
		lasts: duration(took), ramp: duration(ramp)})
}

// rest stands still for d at the end of the plan.
func (g *gantry) rest(t, d time.Duration) {
	at, start := g.last(), max(t, g.ends())
	g.legs = append(g.legs, leg{start: start, end: start + d, from: at, to: at, goal: at, lasts: d})
}

// cut ends all that is planned at t, at once. What it had still to do comes back.
func (g *gantry) cut(t time.Duration) (left []leg) {
	for i := range g.legs {
		l := &g.legs[i]
		if l.end <= t {
			continue
		}
		left = append(left, g.legs[i:]...)
		if l.start >= t {
			g.legs = g.legs[:i]
			break
		}
		var here [4]float64
		for a := range here {
			here[a] = l.at(a, t)
		}
		l.to, l.end = here, t
		g.legs = g.legs[:i+1]
		break
	}
	if t < g.homing {
		g.homed, g.homing = false, t
	}
	return left
}

// brake slows down at the machine's acceleration, from t on, and says when it
// stands.
func (g *gantry) brake(t time.Duration) (left []leg, stands time.Duration) {
	speed := 0.0 // mm/s
	for i := range g.legs {
		if l := &g.legs[i]; l.start < t && t < l.end {
			speed = l.speed(t)
		}
	}
	left = g.cut(t)
	if len(left) == 0 || speed <= 0 {
		return left, t
	}
	l := left[0]
	way := l.way()
	from, to := g.last(), l.goal
	share := min(1, speed*speed/(2*g.accel)/way)
	for a := range to {
		to[a] = from[a] + share*(l.goal[a]-l.from[a])
	}
	took := duration(speed / g.accel)
	g.legs = append(g.legs, leg{start: t, end: t + took, from: from, to: to, goal: to, lasts: took, slows: true})
	return left, t + took
}

// way is its length, mm.
func (l *leg) way() float64 {
	sum := 0.0
	for a := range l.goal {
		sum += (l.goal[a] - l.from[a]) * (l.goal[a] - l.from[a])
	}
	return math.Sqrt(sum) * throw
}

// speed at t, mm/s.
func (l *leg) speed(t time.Duration) float64 {
	const h = 50 * time.Microsecond
	return (l.share(t+h) - l.share(t-h)) * l.way() / seconds(2*h)
}

// share of its way that is done at t.
func (l *leg) share(t time.Duration) float64 {
	at := min(max(t-l.start, 0), l.lasts)
	switch {
	case l.lasts <= 0:
		return 1
	case l.slows:
		left := 1 - float64(at)/float64(l.lasts)
		return 1 - left*left
	case l.ramp <= 0:
		return float64(at) / float64(l.lasts)
	}
	even := float64(l.lasts - l.ramp) // as long as it would take at full speed
	switch {
	case at < l.ramp:
		return float64(at) * float64(at) / (2 * float64(l.ramp) * even)
	case at > l.lasts-l.ramp:
		left := float64(l.lasts - at)
		return 1 - left*left/(2*float64(l.ramp)*even)
	}
	return (float64(at) - float64(l.ramp)/2) / even
}

// home goes to the reference of every axis, the centre, and touches it off; when
// it is done is said. Nothing moves before.
func (g *gantry) home(t time.Duration) time.Duration {
	if g.still() {
		return t
	}
	g.run(t, [4]float64{}, seek)
	g.rest(t, touch)
	g.homed, g.homing = true, g.ends()
	return g.homing
}

// prune forgets movements that are over; the shafts that followed them are
// replaced at the same moment.
func (g *gantry) prune(t time.Duration) {
	n := 0
	for n < len(g.legs) && g.legs[n].end <= t {
		g.base = g.legs[n].to
		n++
	}
	g.legs = append(g.legs[:0], g.legs[n:]...)
	held := len(g.clutch) > 0 && g.clutch[len(g.clutch)-1].held
	g.clutch = append(g.clutch[:0], clutchEvent{math.MinInt64, held})
}

// modes are what G-code lines leave set.
type modes struct {
	relative bool
	inch     bool
	motion   int     // 0 or 1
	feed     float64 // mm/s
}

// gcodeBlock is a line of G-code, read. codes holds its G and M words.
type gcodeBlock struct {
	codes  []word
	value  map[byte]float64
	target [4]float64 // throws, where named
	named  [4]bool
}

func (b gcodeBlock) has(letter byte, value float64) bool {
	return slices.Contains(b.codes, word{letter, value})
}

// read takes the words of a line; unknown is a word that no machine here knows.
func (m *modes) read(line string) (b gcodeBlock, unknown string, err error) {
	ws, err := words(line)
	if err != nil {
		return b, "", err
	}
	b.value = map[byte]float64{}
	for _, w := range ws {
		axis := strings.IndexByte(axisLetters, w.letter)
		switch {
		case w.letter == 'G' || w.letter == 'M':
			b.codes = append(b.codes, w)
		case axis >= 0:
			b.target[axis], b.named[axis] = w.value, true
		case strings.IndexByte("FPSN", w.letter) >= 0:
			b.value[w.letter] = w.value
		default:
			return b, string(w.letter) + strconv.FormatFloat(w.value, 'f', -1, 64), nil
		}
	}
	for _, w := range b.codes {
		switch w {
		case word{'G', 0}, word{'G', 1}:
			m.motion = int(w.value)
		case word{'G', 20}:
			m.inch = true
		case word{'G', 21}:
			m.inch = false
		case word{'G', 90}:
			m.relative = false
		case word{'G', 91}:
			m.relative = true
		}
	}
	scale := 1.0
	if m.inch {
		scale = 25.4
	}
	if f, ok := b.value['F']; ok && f > 0 {
		m.feed = f * scale / 60
	}
	for i := range b.target {
		b.target[i] *= scale / throw
	}
	return b, "", nil
}

// to is where a block leads from where the plan ends; beyond is the letter of an
// axis that it leads too far.
func (m *modes) to(b gcodeBlock, last [4]float64) (to [4]float64, beyond string) {
	to = last
	for i := range to {
		if !b.named[i] {
			continue
		}
		if m.relative {
			to[i] += b.target[i]
		} else {
			to[i] = b.target[i]
		}
		if math.Abs(to[i]) > softLimit+1e-9 {
			return to, axisLetters[i : i+1]
		}
	}
	return to, ""
}

// speed of a movement, mm/s; 0: nobody has said.
func (m *modes) speed() float64 {
	if m.motion == 0 {
		return rapid
	}
	return m.feed
}
