package sim

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// queueControl is a controller that takes lines into a queue and answers in text:
// "ok" when a line was carried out or, of a movement, taken over. Where a line
// takes long it says every 2 s that it is busy. What it does not know it says so,
// and acknowledges. M410 and M112 act at once only where it reads ahead.
type queueControl struct {
	queue
	modes
	*gantry
	h        SticksHabit
	rx       []byte
	deaf     time.Duration
	blocked  bool
	busy     time.Duration // when it says next that it is busy
	until    time.Duration
	done     func(t time.Duration)
	dead     bool // shut down until it is reset
	lines    int
	number   int // of the last numbered line
	restarts bool
}

const (
	queueBuffer  = 128 + 4*96 // characters: received, and in its queue
	queuePlanned = 16
	queueBusy    = 2 * time.Second
)

func newQueueControl(g *gantry, h SticksHabit, t time.Duration) *queueControl {
	c := &queueControl{gantry: g, h: h, restarts: h.RestartAt > 0}
	c.modes.motion = 1
	c.greet(t - time.Millisecond)
	return c
}

func (c *queueControl) opened(t time.Duration) {
	if c.h.Boot > 0 {
		c.restart(t, c.h.Boot)
	}
}

func (c *queueControl) restart(t, boot time.Duration) {
	c.gantry.cut(t)
	c.homed, c.dead, c.blocked, c.rx, c.number = false, false, false, nil, 0
	c.modes = modes{motion: 1}
	c.replies = slices.DeleteFunc(c.replies, func(r reply) bool { return r.due > t })
	c.deaf = t + boot
	c.greet(t + boot/2)
}

func (c *queueControl) greet(t time.Duration) {
	c.say(t, "start")
	for _, s := range []string{"External Reset", "Stick machine 2.1", " Last Updated: 2026-01-05 | Author: (none)",
		" Free Memory: 4711  PlannerBufferBytes: 1232", "No user settings stored", "  M92 X80.00 Y80.00 Z80.00 A80.00"} {
		c.say(t, "echo:"+s)
	}
}

func (c *queueControl) setStuck(stuck bool) { c.stuck = stuck }

func (c *queueControl) say(t time.Duration, s string) {
	c.add(reply{due: t + time.Millisecond + c.h.Slow, data: c.h.dress(s)})
}

func (c *queueControl) next() (time.Duration, bool) {
	at, ok := c.queue.next()
	sooner := func(t time.Duration) {
		if !ok || t < at {
			at, ok = t, true
		}
	}
	if c.blocked {
		sooner(min(c.until, c.busy))
	}
	if c.restarts {
		sooner(c.h.RestartAt)
	}
	return at, ok
}

func (c *queueControl) take(buf []byte, t time.Duration) []byte {
	c.advance(t)
	return c.queue.take(buf, t)
}

func (c *queueControl) drop(t time.Duration) {
	c.advance(t)
	c.queue.drop(t)
}

func (c *queueControl) advance(t time.Duration) {
	for {
		switch {
		case c.restarts && c.h.RestartAt <= t && (!c.blocked || c.h.RestartAt <= min(c.until, c.busy)):
			c.restarts = false
			c.restart(c.h.RestartAt, 0)
		case c.blocked && c.until <= min(t, c.busy):
			c.blocked = false
			at := c.until
			if c.done != nil {
				c.done(at)
			} else {
				c.say(at, "ok")
			}
			c.read(at)
		case c.blocked && c.busy <= t:
			c.say(c.busy, "echo:busy: processing")
			c.busy += queueBusy
		default:
			return
		}
	}
}

func (c *queueControl) receive(t time.Duration, p []byte) {
	c.advance(t)
	if t < c.deaf || c.dead {
		return
	}
	for _, b := range p {
		if len(c.rx) == queueBuffer {
			continue // lost
		}
		c.rx = append(c.rx, b)
		if b == '\n' && !c.h.NoReadAhead {
			lines := bytes.Split(bytes.TrimSuffix(c.rx, []byte("\n")), []byte("\n"))
			c.ahead(t, strings.TrimSpace(string(lines[len(lines)-1])))
		}
	}
	c.read(t)
}

// ahead does at once what may not wait; the line stays in the queue.
func (c *queueControl) ahead(t time.Duration, line string) {
	switch line {
	case "M410":
		c.quickStop(t)
	case "M112":
		c.kill(t)
	}
}

// quickStop drops what is planned; the motors stop where they are.
func (c *queueControl) quickStop(t time.Duration) {
	if c.stuck || c.h.NeverStops {
		return
	}
	if c.moving(t) {
		c.homed = false
	}
	c.gantry.cut(t)
	if c.blocked {
		c.until = min(c.until, t+time.Millisecond)
		c.busy = max(c.busy, c.until)
	}
}

func (c *queueControl) kill(t time.Duration) {
	c.gantry.cut(t)
	c.homed, c.dead, c.blocked, c.rx = false, true, false, nil
	c.say(t, "Error:Printer halted. kill() called!")
}

func (c *queueControl) read(t time.Duration) {
	for !c.blocked && !c.dead {
		i := bytes.IndexByte(c.rx, '\n')
		if i < 0 {
			return
		}
		line := strings.TrimSpace(string(c.rx[:i]))
		c.rx = c.rx[i+1:]
		if line == "" {
			continue // an empty line has no answer
		}
		if c.lines++; c.h.Loses > 0 && c.lines%c.h.Loses == 0 {
			continue
		}
		if c.h.Echo {
			c.say(t, line)
		}
		if line, ok := c.numbered(t, line); ok {
			c.line(t, line)
		}
	}
}

// numbered checks the number and the check sum of a line that has them.
func (c *queueControl) numbered(t time.Duration, line string) (string, bool) {
	again := func(why string) (string, bool) {
		c.say(t, fmt.Sprintf("Error:%s, Last Line: %d", why, c.number))
		c.say(t, fmt.Sprintf("Resend: %d", c.number+1))
		c.say(t, "ok")
		return "", false
	}
	text, sum, summed := strings.Cut(line, "*")
	if !strings.HasPrefix(line, "N") {
		if summed {
			return again("No Line Number with checksum")
		}
		return line, true
	}
	var x byte
	for i := range len(text) {
		x ^= text[i]
	}
	if got, err := strconv.Atoi(sum); !summed || err != nil || got != int(x) {
		return again("checksum mismatch")
	}
	n, rest, _ := strings.Cut(text[1:], " ")
	k, err := strconv.Atoi(n)
	// M110 is how a host begins to count: its own number counts, whatever it is.
	if begins, _, _ := strings.Cut(rest, " "); err != nil || k != c.number+1 && begins != "M110" {
		return again("Line Number is not Last Line Number+1")
	}
	c.number = k
	return rest, true
}

func (c *queueControl) wait(t, until time.Duration, done func(t time.Duration)) {
	c.blocked, c.busy, c.until, c.done = true, t+queueBusy, until, done
}

func (c *queueControl) line(t time.Duration, line string) {
	unknown := func() {
		c.say(t, fmt.Sprintf("echo:Unknown command: %q", line))
		c.say(t, "ok")
	}
	b, odd, err := c.modes.read(line)
	if err != nil || odd != "" || len(b.codes) == 0 {
		unknown()
		return
	}
	switch b.codes[0] {
	case word{'G', 0}, word{'G', 1}:
		c.move(t, b)
	case word{'G', 4}: // P in ms here, S in s
		pause := duration(b.value['S']) + duration(b.value['P']/1000)
		c.wait(t, max(t, c.ends())+pause+time.Millisecond, nil)
	case word{'M', 400}:
		c.wait(t, max(t, c.ends())+time.Millisecond, nil)
	case word{'G', 20}, word{'G', 21}, word{'G', 90}, word{'G', 91}:
		c.say(t, "ok")
	case word{'M', 110}: // the number of the last line, also where the line itself has another
		if n, ok := b.value['N']; ok {
			c.number = int(n)
		}
		c.say(t, "ok")
	case word{'G', 28}:
		c.seek(t)
	case word{'M', 114}: // where it was told to go, not where it is
		c.where(t)
	case word{'M', 115}:
		c.say(t, "FIRMWARE_NAME:Stick machine 2.1 (simulated) PROTOCOL_VERSION:1.0 MACHINE_TYPE:Sticks EXTRUDER_COUNT:0")
		ahead := 1
		if c.h.NoReadAhead {
			ahead = 0
		}
		for _, s := range []string{"EEPROM:0", "AUTOREPORT_POS:0", fmt.Sprintf("EMERGENCY_PARSER:%d", ahead)} {
			c.say(t, "Cap:"+s)
		}
		c.say(t, "ok")
	case word{'M', 119}:
		c.say(t, "Reporting endstop status")
		for i, p := range c.position(t) {
			state := "open"
			if math.Abs(p)*throw < 0.01 && !c.h.NoHoming && !(c.h.LeavesSwitches && i < len(axisLetters)-1) {
				state = "TRIGGERED"
			}
			c.say(t, fmt.Sprintf("%c_min: %s", axisLetters[i]+'a'-'A', state))
		}
		c.say(t, "ok")
	case word{'M', 410}:
		if c.h.NoReadAhead { // in its turn, behind the movements
			c.wait(t, max(t, c.ends())+time.Millisecond, nil)
			return
		}
		c.say(t, "ok")
	case word{'M', 112}:
		c.kill(t)
	default:
		unknown()
	}
}

func (c *queueControl) move(t time.Duration, b gcodeBlock) {
	to, beyond := c.modes.to(b, c.last())
	if beyond != "" { // clamped to the end of its travel, without a word
		for i := range to {
			to[i] = min(max(to[i], -softLimit), softLimit)
		}
	}
	speed := c.speed()
	if speed <= 0 {
		speed = seek
	}
	if c.still() {
		c.say(t, "ok")
		return
	}
	if room := c.roomAt(t, queuePlanned); room > t {
		c.wait(t, room, func(at time.Duration) {
			c.run(at, to, speed)
			c.say(at, "ok")
		})
		return
	}
	c.run(t, to, speed)
	c.say(t, "ok")
}

// seek homes.
func (c *queueControl) seek(t time.Duration) {
	if c.h.NoHoming { // it seeks switches that never close
		c.wait(t, max(t, c.ends())+5*time.Second, func(at time.Duration) {
			c.say(at, "echo:Homing Failed")
			c.kill(at)
		})
		return
	}
	c.wait(t, max(t, c.home(t))+time.Millisecond, func(at time.Duration) { c.where(at) })
}

func (c *queueControl) where(t time.Duration) {
	var b strings.Builder
	for i, at := range c.last() {
		fmt.Fprintf(&b, "%c:%.2f ", axisLetters[i], at*throw+0)
	}
	b.WriteString("E:0.00 Count")
	for i, at := range c.position(t) {
		fmt.Fprintf(&b, " %c:%.0f", axisLetters[i], at*throw*80+0)
	}
	c.say(t, b.String())
	c.say(t, "ok")
}
