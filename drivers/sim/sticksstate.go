package sim

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"
)

// stateControl is a controller with states. A line is acknowledged when it was
// read, "ok" or "error:N"; single bytes act at once and are no lines: ? asks for
// the state, ! holds, ~ goes on, 0x18 resets, 0x84 is the door. It begins in
// alarm where it has a homing cycle, and then takes no G-code before $H or $X.
// After a limit it takes nothing but a reset.
type stateControl struct {
	queue
	modes
	*gantry
	h        SticksHabit
	rx       []byte        // characters that wait to be read
	deaf     time.Duration // it starts up until then
	blocked  bool          // a line is under way
	until    time.Duration // when that line is done
	done     func(t time.Duration)
	alarm    bool
	critical bool
	hold     bool
	door     bool
	stands   time.Duration // when the hold is complete
	left     []leg         // of what a hold broke off
	reports  int
	lines    int
	restarts bool // still to come: h.RestartAt
}

const (
	stateBuffer  = 128 // characters
	statePlanned = 15  // movements
	stateReport  = 5 * time.Millisecond
	stateLine    = 80 // characters
	stateBanner  = "Stick machine 1.1 ['$' for help]"
)

func newStateControl(g *gantry, h SticksHabit, t time.Duration) *stateControl {
	c := &stateControl{gantry: g, h: h, alarm: !h.NoHoming, restarts: h.RestartAt > 0}
	c.greet(t - time.Millisecond)
	return c
}

// opened restarts it, where its port does that.
func (c *stateControl) opened(t time.Duration) {
	if c.h.Boot > 0 {
		c.restart(t, c.h.Boot)
	}
}

func (c *stateControl) restart(t, boot time.Duration) {
	c.gantry.cut(t)
	c.homed, c.alarm, c.critical = false, !c.h.NoHoming, false
	c.clear()
	c.replies = slices.DeleteFunc(c.replies, func(r reply) bool { return r.due > t })
	c.deaf = t + boot
	c.greet(c.deaf)
}

// clear forgets what is under way.
func (c *stateControl) clear() {
	c.rx, c.blocked, c.hold, c.door, c.left = nil, false, false, false, nil
	c.modes = modes{}
}

func (c *stateControl) greet(t time.Duration) {
	c.say(t, stateBanner)
	if c.alarm {
		c.say(t, "[MSG:'$H'|'$X' to unlock]")
	}
}

func (c *stateControl) setStuck(stuck bool) { c.stuck = stuck }

func (c *stateControl) say(t time.Duration, s string) {
	c.add(reply{due: t + time.Millisecond + c.h.Slow, data: c.h.dress(s)})
}

// dress gives an answer the habits of its sender.
func (h SticksHabit) dress(s string) []byte {
	if h.Upper {
		s = strings.ToUpper(s)
	}
	if h.Prompt {
		s = "> " + s
	}
	if h.Chatty {
		s = "temperature of the driver: 41\r\n" + s
	}
	return []byte(s + "\r\n")
}

func (c *stateControl) next() (time.Duration, bool) {
	at, ok := c.queue.next()
	sooner := func(t time.Duration) {
		if !ok || t < at {
			at, ok = t, true
		}
	}
	if c.blocked && !c.hold {
		sooner(c.until)
	}
	if c.restarts {
		sooner(c.h.RestartAt)
	}
	return at, ok
}

func (c *stateControl) take(buf []byte, t time.Duration) []byte {
	c.advance(t)
	return c.queue.take(buf, t)
}

func (c *stateControl) drop(t time.Duration) {
	c.advance(t)
	c.queue.drop(t)
}

// advance does what has become due.
func (c *stateControl) advance(t time.Duration) {
	for {
		switch {
		case c.restarts && c.h.RestartAt <= t && (!c.blocked || c.hold || c.h.RestartAt <= c.until):
			c.restarts = false
			c.restart(c.h.RestartAt, 0)
		case c.blocked && !c.hold && c.until <= t:
			c.blocked = false
			at := c.until
			if c.done != nil {
				c.done(at)
			} else {
				c.say(at, "ok")
			}
			c.read(at)
		default:
			return
		}
	}
}

func (c *stateControl) receive(t time.Duration, p []byte) {
	c.advance(t)
	if t < c.deaf {
		return
	}
	for _, b := range p {
		switch {
		case b == '?':
			c.report(t)
		case b == '!':
			c.feedHold(t)
		case b == '~':
			c.resume(t)
		case b == 0x18:
			c.reset(t)
		case b == 0x84:
			c.door = true
			c.say(t, "[MSG:Check Door]")
			c.feedHold(t)
		case b >= 0x80:
			// Other real-time bytes do nothing here.
		case len(c.rx) < stateBuffer:
			c.rx = append(c.rx, b) // what does not fit is lost
		}
	}
	c.read(t)
}

// state is its name, and the part behind the colon.
func (c *stateControl) state(t time.Duration) string {
	slowing := t < c.stands
	switch {
	case c.alarm:
		return "Alarm"
	case c.door && slowing:
		return "Door:2"
	case c.door:
		return "Door:1"
	case c.hold && slowing:
		return "Hold:1"
	case c.hold:
		return "Hold:0"
	case c.moving(t):
		return "Run"
	}
	return "Idle"
}

func (c *stateControl) report(t time.Duration) {
	if c.critical || t < c.homing {
		return
	}
	c.reports++
	n := c.reports
	due := t + stateReport + c.h.Slow
	c.add(reply{due: due, make: func() []byte {
		at := max(t, due-c.h.Slow)
		s := "<" + c.state(at) + "|MPos:"
		for i, p := range c.position(at) {
			if i > 0 {
				s += ","
			}
			s += fmt.Sprintf("%.3f", p*throw+0)
		}
		s += "|FS:0,0"
		if n%10 == 1 {
			s += "|WCO:0.000,0.000,0.000,0.000"
		}
		return c.h.dress(s + ">")
	}})
}

func (c *stateControl) feedHold(t time.Duration) {
	if c.alarm || t < c.homing || c.hold {
		return
	}
	c.hold, c.stands, c.left = true, t, nil
	switch {
	case c.h.NeverStops || c.stuck:
		c.stands = max(t, c.ends())
		return
	case c.h.HoldsForever:
		c.left, _ = c.brake(t)
		c.stands = never
		return
	}
	c.left, c.stands = c.brake(t)
}

// resume goes on with what a hold broke off.
func (c *stateControl) resume(t time.Duration) {
	if !c.hold || t < c.stands {
		return
	}
	c.hold, c.door = false, false
	was := c.ends()
	for _, l := range c.left {
		took := seconds(l.lasts - l.ramp)
		if took <= 0 || l.way() == 0 {
			continue
		}
		c.run(t, l.goal, l.way()/took)
	}
	if len(c.left) > 0 && c.blocked && c.ends() > was {
		c.until = c.ends() + time.Millisecond
	}
	c.left = nil
	c.read(t)
}

func (c *stateControl) reset(t time.Duration) {
	if c.still() {
		c.clear()
		c.greet(t + 3*time.Millisecond)
		return
	}
	moving, homing := c.moving(t), t < c.homing
	c.gantry.cut(t)
	c.clear()
	c.critical = false
	switch {
	case homing:
		c.alarm = true
		c.say(t, "ALARM:6")
	case moving:
		c.alarm, c.homed = true, false
		c.say(t, "ALARM:3")
	}
	c.greet(t + 3*time.Millisecond)
}

// read takes the lines that are there, as long as none is under way.
func (c *stateControl) read(t time.Duration) {
	for !c.blocked && !c.hold && !c.critical {
		i := bytes.IndexAny(c.rx, "\r\n")
		if i < 0 {
			return
		}
		line := string(c.rx[:i])
		c.rx = c.rx[i+1:]
		if c.lines++; c.h.Loses > 0 && c.lines%c.h.Loses == 0 {
			continue
		}
		if c.h.Echo {
			c.say(t, line)
		}
		if len(line) > stateLine {
			c.say(t, "error:11")
			continue
		}
		c.line(t, strings.ToUpper(strings.ReplaceAll(line, " ", "")))
	}
}

// wait is for a line that is done later.
func (c *stateControl) wait(until time.Duration, done func(t time.Duration)) {
	c.blocked, c.until, c.done = true, until, done
}

func (c *stateControl) line(t time.Duration, line string) {
	if strings.HasPrefix(line, "$") {
		c.system(t, line)
		return
	}
	if line == "" {
		c.say(t, "ok")
		return
	}
	if c.alarm {
		c.say(t, "error:9")
		return
	}
	b, unknown, err := c.modes.read(line)
	if err != nil {
		c.say(t, "error:2")
		return
	}
	if unknown != "" {
		c.say(t, "error:20")
		return
	}
	stored, pause := false, false
	for _, w := range b.codes {
		switch w {
		case word{'G', 0}, word{'G', 1}, word{'G', 4}, word{'G', 20}, word{'G', 21}, word{'G', 53}, word{'G', 54},
			word{'G', 90}, word{'G', 91}, word{'G', 94}:
		case word{'G', 28}:
			stored = true
		case word{'M', 0}:
			pause = true
		default:
			c.say(t, "error:20")
			return
		}
	}
	switch {
	case pause: // waits for ~; what runs runs on
		c.wait(max(t, c.ends()), func(at time.Duration) {
			c.hold, c.stands = true, at
			c.say(at, "ok")
		})
	case b.has('G', 4):
		if _, ok := b.value['P']; !ok {
			c.say(t, "error:28")
			return
		}
		c.wait(max(t, c.ends())+duration(b.value['P'])+time.Millisecond, nil)
	case stored:
		c.move(t, [4]float64{}, rapid) // to a stored place, whether it was ever homed or not
	case b.named != [4]bool{}:
		if b.has('G', 53) && c.relative {
			c.relative = false
			defer func() { c.relative = true }()
		}
		to, beyond := c.modes.to(b, c.last())
		if beyond != "" && c.homed {
			c.gantry.brake(t)
			c.alarm, c.critical = true, true
			c.say(t, "ALARM:2")
			c.say(t, "[MSG:Reset to continue]")
			return
		}
		if c.speed() <= 0 {
			c.say(t, "error:22")
			return
		}
		c.move(t, to, c.speed())
	default:
		c.say(t, "ok")
	}
}

// move is acknowledged when there is room for it.
func (c *stateControl) move(t time.Duration, to [4]float64, speed float64) {
	if c.still() {
		c.say(t, "ok")
		return
	}
	if room := c.roomAt(t, statePlanned); room > t {
		c.wait(room, func(at time.Duration) {
			c.run(at, to, speed)
			c.say(at, "ok")
		})
		return
	}
	c.run(t, to, speed)
	c.say(t, "ok")
}

// system carries out a line that begins with $.
func (c *stateControl) system(t time.Duration, line string) {
	idle := !c.moving(t)
	switch {
	case line == "$H" && c.h.NoHoming:
		c.say(t, "error:5")
	case line == "$H" && !idle:
		c.say(t, "error:8")
	case line == "$H":
		c.alarm = false
		c.wait(c.home(t)+time.Millisecond, nil)
	case line == "$X":
		if c.alarm {
			c.alarm = false
			c.say(t, "[MSG:Caution: Unlocked]")
		}
		c.say(t, "ok")
	case line == "$G":
		c.say(t, "[GC:G0 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]")
		c.say(t, "ok")
	case line == "$I" && idle:
		c.say(t, "[VER:1.1h.20190830:stick machine]")
		c.say(t, "[OPT:V,15,128]")
		c.say(t, "ok")
	case line == "$I":
		c.say(t, "error:8")
	case line == "$":
		c.say(t, "[HLP:$$ $# $G $I $N $x=val $Nx=line $J=line $SLP $C $X $H ~ ! ? ctrl-x]")
		c.say(t, "ok")
	default:
		c.say(t, "error:3")
	}
}
