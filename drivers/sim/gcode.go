package sim

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// The stick machine.
const (
	throw     = 12.0 // mm from the centre to one end
	softLimit = 1.05 // throws
	rapid     = 200. // mm/s, of G0
	seek      = 20.  // mm/s, of G28
	touch     = 800 * time.Millisecond
	planned   = 16 // movements it keeps in its queue
)

// axisLetters of left_x, left_y, right_x, right_y.
const axisLetters = "XYZA"

// gcode is the machine that moves the sticks: ISO 6983 words, one line one
// reply, "ok" or "error" with a text. G0 G1 G4 G20 G21 G28 G90 G91 M0 M114, F in
// mm/min, P in s. M114 is answered by where it stands, in mm, before its ok. It holds no position before homing: it begins at the centre,
// where its fingers are parked.
type gcode struct {
	queue
	track
	input  []byte
	over   bool
	stuck  bool
	homed  bool
	homing time.Duration // end of the homing under way

	relative bool
	inch     bool
	motion   int     // 0 or 1
	feed     float64 // mm/s
}

const kindMotion = 1

func newGcode(*Bench) *gcode {
	g := &gcode{motion: 1}
	g.add(reply{data: []byte("; stick machine, 4 axes\n")})
	return g
}

func (g *gcode) setStuck(stuck bool) { g.stuck = stuck }

func (g *gcode) receive(t time.Duration, p []byte) {
	for _, c := range p {
		switch {
		case c == '\n':
			line := strings.TrimSpace(string(g.input))
			over := g.over
			g.input, g.over = g.input[:0], false
			if over {
				g.say(t, "error line too long")
			} else if line != "" {
				g.line(t, line)
			}
		case len(g.input) == 256:
			g.over = true
		default:
			g.input = append(g.input, c)
		}
	}
}

func (g *gcode) say(t time.Duration, s string) {
	g.add(reply{due: t + time.Millisecond, data: []byte(s + "\n")})
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

// line carries out one block.
func (g *gcode) line(t time.Duration, line string) {
	ws, err := words(line)
	if err != nil {
		g.say(t, "error "+err.Error())
		return
	}
	if len(ws) == 0 {
		g.say(t, "ok")
		return
	}
	scale := 1.0
	if g.inch {
		scale = 25.4
	}
	var target [4]float64
	var named [4]bool
	pause, dwell, home := 0.0, false, false
	for _, w := range ws {
		axis := strings.IndexByte(axisLetters, w.letter)
		switch {
		case w.letter == 'G' && (w.value == 0 || w.value == 1):
			g.motion = int(w.value)
		case w == word{'G', 4}:
			dwell = true
		case w == word{'G', 20}:
			g.inch, scale = true, 25.4
		case w == word{'G', 21}:
			g.inch, scale = false, 1
		case w == word{'G', 28}:
			home = true
		case w == word{'G', 90}:
			g.relative = false
		case w == word{'G', 91}:
			g.relative = true
		case w == word{'M', 0}:
			g.halt(t)
			g.say(t, "ok")
			return
		case w == word{'M', 114}:
			g.where(t)
			return
		case w.letter == 'F':
			if w.value <= 0 {
				g.say(t, "error feed rate is not positive")
				return
			}
			g.feed = w.value * scale / 60
		case w.letter == 'P' && w.value >= 0 && w.value <= 3600:
			pause = w.value
		case w.letter == 'N':
		case axis >= 0:
			target[axis], named[axis] = w.value*scale/throw, true
		default:
			g.say(t, "error not supported: "+string(w.letter)+strconv.FormatFloat(w.value, 'f', -1, 64))
			return
		}
	}
	switch {
	case dwell:
		due := max(t, g.ends()) + duration(pause) + time.Millisecond
		g.add(reply{due: due, data: []byte("ok\n"), kind: kindMotion})
	case home:
		g.home(t)
	case named != [4]bool{}:
		g.move(t, target, named)
	default:
		g.say(t, "ok")
	}
}

// ends is when the last movement is done.
func (g *gcode) ends() time.Duration {
	if n := len(g.legs); n > 0 {
		return g.legs[n-1].end
	}
	return 0
}

// last is where the last movement leads.
func (g *gcode) last() [4]float64 {
	if n := len(g.legs); n > 0 {
		return g.legs[n-1].to
	}
	return g.base
}

// position is where the machine is at t.
func (g *gcode) position(t time.Duration) [4]float64 {
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

func (g *gcode) moving(t time.Duration) bool {
	return len(g.legs) > 0 && t < g.ends() || t < g.homing
}

// where says where the machine stands, as M114 asks.
func (g *gcode) where(t time.Duration) {
	var b strings.Builder
	for i, at := range g.position(t) {
		fmt.Fprintf(&b, "%c:%.3f ", axisLetters[i], at*throw+0)
	}
	g.say(t, strings.TrimSpace(b.String())+"\nok")
}

// run puts a straight movement at the end of the queue.
func (g *gcode) run(t time.Duration, to [4]float64, mmPerSecond float64) {
	from := g.last()
	sum := 0.0
	for i := range to {
		sum += (to[i] - from[i]) * (to[i] - from[i])
	}
	start := max(t, g.ends())
	took := duration(math.Sqrt(sum) * throw / mmPerSecond)
	g.legs = append(g.legs, leg{start, start + took, from, to})
}

func (g *gcode) move(t time.Duration, target [4]float64, named [4]bool) {
	to := g.last()
	for i := range to {
		if !named[i] {
			continue
		}
		if g.relative {
			to[i] += target[i]
		} else {
			to[i] = target[i]
		}
		if math.Abs(to[i]) > softLimit+1e-9 {
			g.say(t, "error soft limit "+axisLetters[i:i+1])
			return
		}
	}
	speed := g.feed
	if g.motion == 0 {
		speed = rapid
	} else if speed <= 0 {
		g.say(t, "error no feed rate")
		return
	}
	if g.stuck {
		g.say(t, "ok")
		return
	}
	g.run(t, to, speed)
	due := t + time.Millisecond
	if n := len(g.legs); n > planned { // accepted when there is room again
		due = max(due, g.legs[n-1-planned].end)
	}
	g.add(reply{due: due, data: []byte("ok\n"), kind: kindMotion})
}

// home goes to the reference of every axis, the centre, and touches it off.
func (g *gcode) home(t time.Duration) {
	if !g.stuck {
		g.run(t, [4]float64{}, seek)
		g.homed, g.homing = true, g.ends()+touch
		// Nothing moves before it is done.
		g.legs = append(g.legs, leg{start: g.ends(), end: g.homing})
	}
	g.add(reply{due: max(t, g.homing) + time.Millisecond, data: []byte("ok\n"), kind: kindMotion})
}

// halt stops at once: what was planned is forgotten, with the replies it owed.
func (g *gcode) halt(t time.Duration) {
	if g.stuck {
		return
	}
	kept := 0
	for kept < len(g.legs) && g.legs[kept].start < t {
		kept++
	}
	g.legs = g.legs[:kept]
	if kept > 0 && g.legs[kept-1].end > t {
		l := &g.legs[kept-1]
		var here [4]float64
		for i := range here {
			here[i] = l.at(i, t)
		}
		l.to, l.end = here, t
	}
	if t < g.homing {
		g.homed, g.homing = false, t
	}
	g.remove(kindMotion)
}

// prune forgets movements that are over; the shafts that followed them are
// replaced at the same moment.
func (g *gcode) prune(t time.Duration) {
	n := 0
	for n < len(g.legs) && g.legs[n].end <= t {
		g.base = g.legs[n].to
		n++
	}
	g.legs = append(g.legs[:0], g.legs[n:]...)
	held := len(g.clutch) > 0 && g.clutch[len(g.clutch)-1].held
	g.clutch = append(g.clutch[:0], clutchEvent{math.MinInt64, held})
}
