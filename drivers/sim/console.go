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

// The console of the handset, as console.md describes it.
const (
	consoleBoot   = 150 * time.Millisecond
	consoleAnswer = 5 * time.Millisecond
	consoleSave   = 80 * time.Millisecond
	consoleLine   = 60
	consolePrompt = "k8> "
	consoleCentre = 2048
	consoleCounts = 1638 // converter counts from the centre to one end
)

// stored is what the handset keeps without power.
type stored struct {
	serial string
	offset [4]int
	gain   [4]float64
}

func blank() stored { return stored{gain: [4]float64{1, 1, 1, 1}} }

// console is the handset's own: it lives while the handset runs.
type console struct {
	queue
	bench *Bench
	stuck bool

	runs  bool
	line  []byte
	over  bool
	cr    bool // the last character was CR: a LF after it is none
	saved stored
	now   stored
}

func newConsole(b *Bench) *console { return &console{bench: b, saved: blank(), now: blank()} }

func (c *console) setStuck(stuck bool) { c.stuck = stuck }

// bind begins anew with another handset.
func (c *console) bind() {
	c.replies, c.runs = nil, false
	c.saved, c.now = blank(), blank()
}

// power tells it whether the handset runs from t on.
func (c *console) power(t time.Duration, runs bool) {
	if runs == c.runs {
		return
	}
	c.runs, c.replies, c.line, c.over, c.cr, c.now = runs, nil, nil, false, false, c.saved
	if runs {
		text := "\r\nLantern Quay K8\r\nboot " + c.firmware() + " (418)\r\n# radio up\r\n" + consolePrompt
		c.add(reply{due: t + consoleBoot, data: []byte(text)})
	}
	c.bench.wake()
}

func (c *console) firmware() string { return cmp.Or(c.bench.handset.Firmware, "2.7.1") }

func (c *console) receive(t time.Duration, p []byte) {
	for _, b := range p {
		if !c.runs {
			return
		}
		lf := c.cr && b == '\n'
		c.cr = b == '\r'
		switch {
		case lf:
		case b == '\r' || b == '\n':
			line, over := string(c.line), c.over
			c.line, c.over = nil, false
			c.add(reply{due: t, data: []byte("\r\n")})
			if over {
				c.say(t, "? too long")
			} else if line = strings.TrimSpace(line); line == "" {
				c.add(reply{due: t, data: []byte(consolePrompt)})
			} else {
				c.answer(t, line)
			}
		case b < ' ' || b > '~':
		default:
			c.add(reply{due: t, data: []byte{b}})
			if len(c.line) == consoleLine {
				c.over = true
			} else {
				c.line = append(c.line, b)
			}
		}
	}
}

func (c *console) say(t time.Duration, s string) {
	c.add(reply{due: t + consoleAnswer, data: []byte(s + "\r\n" + consolePrompt)})
}

// answer answers one line. A stuck one says what it would and keeps nothing.
func (c *console) answer(t time.Duration, line string) {
	before := c.now
	defer func() {
		if c.stuck {
			c.now = before
		}
	}()
	words := strings.Fields(line)
	axis := -1
	if len(words) > 1 {
		axis = slices.Index(axisNames[:], words[len(words)-1])
	}
	switch {
	case line == "version":
		c.say(t, "version "+c.firmware()+" build 418")
	case line == "serial":
		c.say(t, "serial "+cmp.Or(c.now.serial, "-"))
	case len(words) == 3 && words[0] == "serial" && words[1] == "set":
		s := words[2]
		if len(s) > 20 || strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-") != "" {
			c.say(t, "? range")
			return
		}
		c.now.serial = s
		c.say(t, "ok")
	case len(words) == 2 && words[0] == "stick" && axis >= 0:
		n := consoleCentre + int(math.Round(consoleCounts*c.bench.handset.Gimbals[axis].Offset))
		c.say(t, fmt.Sprintf("# adc settled\r\nstick %s %d", words[1], n))
	case len(words) == 2 && words[0] == "cal" && axis >= 0:
		c.say(t, fmt.Sprintf("cal %s %d %.4f", words[1], c.now.offset[axis], c.now.gain[axis]))
	case len(words) == 5 && words[0] == "cal" && words[1] == "set" && slices.Contains(axisNames[:], words[2]):
		axis = slices.Index(axisNames[:], words[2])
		offset, err := strconv.Atoi(words[3])
		gain, err2 := strconv.ParseFloat(words[4], 64)
		if err != nil || err2 != nil || offset < -400 || offset > 400 || !(gain >= 0.8 && gain <= 1.2) {
			c.say(t, "? range")
			return
		}
		c.now.offset[axis], c.now.gain[axis] = offset, gain
		c.say(t, "ok")
	case line == "save":
		if !c.stuck {
			c.saved = c.now
		}
		c.say(t+consoleSave-consoleAnswer, "saved")
	default:
		c.say(t, "? unknown: "+line)
	}
}
