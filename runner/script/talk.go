package script

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
)

const (
	maxAlternatives = 16
	maxLineSteps    = 5e6 // of a pattern on one line: less than 0.05 s
	maxTalkSteps    = 5e7 // of all patterns in one call
	usualLine       = 40  // bytes on which any pattern must be possible
	maxSaid         = 64 << 10
)

// lineMatch finds which of several patterns a line fits. It is called without the
// run's lock, and knows nothing of Lua's state.
type lineMatch struct {
	patterns []string
	list     bool // several were asked for: which one is told
	steps    float64
	which    int
	values   []lua.LValue
	lines    int // looked at
}

// slowPatterns is the error of patterns on which too much time would go.
type slowPatterns struct{ n int }

func (e slowPatterns) Error() string {
	return fmt.Sprintf("matching patterns took too long on the %d lines that were received", e.n)
}
func (e slowPatterns) Hint() string { return patternLimitsHint }

// newLineMatch takes the argument that says what is waited for: a pattern, a list
// of patterns, or nothing.
func (c call) newLineMatch(i int) *lineMatch {
	m := &lineMatch{}
	switch v := c.arg(i).(type) {
	case *lua.LNilType:
	case lua.LString:
		m.patterns = []string{string(v)}
	case *lua.LTable:
		m.list = true
		n := v.Len()
		entries := 0
		v.ForEach(func(lua.LValue, lua.LValue) { entries++ })
		if n == 0 || n != entries || n > maxAlternatives {
			c.t.raisef(c.L, `one pattern, or a list of them: { "ok (%d+)", "error (.*)" }; options come after it`,
				"%s: the alternatives are no list of 1 to %d patterns", c.what, maxAlternatives)
		}
		for k := 1; k <= n; k++ {
			s, ok := v.RawGetInt(k).(lua.LString)
			if !ok {
				c.t.raisef(c.L, "", "%s: alternative %d is %s, not a pattern", c.what, k, describe(v.RawGetInt(k)))
			}
			m.patterns = append(m.patterns, string(s))
		}
	default:
		c.t.raisef(c.L, `a Lua pattern like "version (%d+)"`, "%s: what to wait for is %s, not a pattern", c.what,
			describe(v))
	}
	for _, p := range m.patterns {
		switch {
		case len(p) > maxPattern:
			c.t.raisef(c.L, "", "%s: a pattern of %d bytes: at most %d", c.what, len(p), maxPattern)
		case patternSteps(p, usualLine) > maxLineSteps:
			c.t.raisef(c.L, patternLimitsHint, "%s: the pattern %q could take too long on a line of %d bytes", c.what,
				clip(p, 60), usualLine)
		}
		if _, err := find(p, "", 0, 1); err != nil {
			c.t.raisef(c.L, "", "%s: the pattern %q: %v", c.what, clip(p, 60), err)
		}
	}
	return m
}

func (m *lineMatch) String() string {
	q := make([]string, len(m.patterns))
	for i, p := range m.patterns {
		q[i] = `"` + p + `"`
	}
	return strings.Join(q, " or ")
}

// fits implements [drivers.Awaited].
func (m *lineMatch) fits(said []byte) (bool, error) {
	s := string(said)
	m.lines++
	for i, p := range m.patterns {
		steps := patternSteps(p, len(s))
		if steps > maxLineSteps {
			continue // it cannot be told within bounds: not the answer
		}
		if m.steps += steps; m.steps > maxTalkSteps {
			return false, slowPatterns{m.lines}
		}
		found, err := find(p, s, 0, 1)
		if err != nil {
			return false, err
		}
		if len(found) == 0 {
			continue
		}
		m.which, m.values = i+1, nil
		for k := range captures(found[0]) {
			m.values = append(m.values, capture(found[0], s, k))
		}
		return true, nil
	}
	return false, nil
}

// answer pushes what fitted: which of several, and its captures; the whole line
// where no pattern was given; nil for a silence that is a result.
func (c call) answer(a drivers.Answer, m *lineMatch) int {
	if !a.Heard {
		c.L.Push(lua.LNil)
		return 1
	}
	c.t.charge(2 * len(a.Said))
	if len(m.patterns) == 0 {
		c.L.Push(lua.LString(a.Said))
		return 1
	}
	n := len(m.values)
	if m.list {
		c.L.Push(lua.LNumber(m.which))
		n++
	}
	for _, v := range m.values {
		c.L.Push(v)
	}
	return n
}

// said is bytes to be sent, whatever they are.
func (c call) said(i int) string {
	s, ok := c.arg(i).(lua.LString)
	if !ok {
		c.t.raisef(c.L, `tostring(...) makes a number a text`, "%s: what to say is %s, not a text", c.what,
			describe(c.arg(i)))
	}
	if len(s) > maxSaid {
		c.t.raisef(c.L, "", "%s: %d bytes at once: at most %d", c.what, len(s), maxSaid)
	}
	return string(s)
}

// awaited takes the options of a method that waits for an answer.
func (c call) awaited(i int, ofUnit bool, more ...string) (drivers.Awaited, options) {
	o := c.t.options(c.L, c.what, c.arg(i), append([]string{"within", "silence"}, more...)...)
	w := drivers.Awaited{Within: o.duration("within", 2*time.Second), Silence: ofUnit}
	if w.Within <= 0 {
		c.t.raisef(c.L, "", "%s: within is 0 s", c.what)
	}
	if o.has("silence") {
		s := o.text("silence")
		if s != "result" && s != "fault" {
			c.t.raisef(c.L, `"result": it says something about the unit; "fault": about the bench`,
				"%s: silence is %q", c.what, clip(s, 60))
		}
		w.Silence = s == "result"
	}
	return w, o
}

func consoleAsk(c call) int {
	d := c.dev.(drivers.Console)
	text, m := c.said(1), c.newLineMatch(2)
	w, o := c.awaited(3, d.OfUnit(), "unfinished", "twice")
	w.Unfinished, w.As = o.boolean("unfinished"), m.String()
	if len(m.patterns) > 0 {
		w.Fits = m.fits
	}
	var a drivers.Answer
	c.t.device(c.L, func(ctx context.Context) (err error) { a, err = d.Ask(ctx, text, w); return })
	if o.boolean("twice") {
		first := a
		c.t.device(c.L, func(ctx context.Context) (err error) { a, err = d.Ask(ctx, text, w); return })
		if first.Heard != a.Heard || !bytes.Equal(first.Said, a.Said) {
			c.t.raise(c.L, drivers.Errorf(c.role, c.verb, drivers.Garbled, "it answered %q first, and then %q",
				drivers.Visible(first.Said), drivers.Visible(a.Said)).
				WithHint("Without a check sum nobody knows which was damaged: look at the cable and the baud rate."), "")
		}
	}
	return c.answer(a, m)
}

func consoleSend(c call) int {
	text := c.said(1)
	c.t.device(c.L, func(ctx context.Context) error { return c.dev.(drivers.Console).Send(ctx, text) })
	return 0
}

func consoleExpect(c call) int {
	d := c.dev.(drivers.Console)
	m := c.newLineMatch(1)
	w, o := c.awaited(2, d.OfUnit(), "unfinished")
	w.Unfinished, w.As = o.boolean("unfinished"), m.String()
	if len(m.patterns) > 0 {
		w.Fits = m.fits
	}
	var a drivers.Answer
	c.t.device(c.L, func(ctx context.Context) (err error) { a, err = d.Expect(ctx, w); return })
	return c.answer(a, m)
}

// consoleOthers gives the lines that came and were no answers.
func consoleOthers(c call) int {
	var list []string
	c.t.device(c.L, func(ctx context.Context) (err error) { list, err = c.dev.(drivers.Console).Others(ctx); return })
	t := c.L.CreateTable(len(list), 0)
	for _, s := range list {
		c.t.charge(len(s))
		t.Append(lua.LString(s))
	}
	c.L.Push(t)
	return 1
}

// awaitedBytes are those of a device of bytes.
func (c call) awaitedBytes(i int) drivers.Awaited {
	d := c.dev.(drivers.ByteDevice)
	w, o := c.awaited(i, d.OfUnit(), "length", "starts")
	switch {
	case d.Framed() && o.has("length"):
		c.t.raisef(c.L, "frames have their own", "%s: length: the bench file gives this device frames", c.what)
	case !d.Framed() && !o.has("length"):
		c.t.raisef(c.L, "{ length = 4 }, or give the device frames in the bench file",
			"%s: how many bytes the answer has is not said", c.what)
	case !d.Framed():
		f := o.number("length", 1, maxSaid, 0)
		if f != math.Trunc(f) {
			c.t.raisef(c.L, "", "%s: a length of %g bytes", c.what, f)
		}
		w.Length = int(f)
	}
	if v := o.get("starts"); v != lua.LNil {
		s, ok := v.(lua.LString)
		if !ok {
			c.t.raisef(c.L, "", "%s: starts is %s, not a text", c.what, describe(v))
		}
		w.As = hexed([]byte(s)) + " ..."
		w.Fits = func(b []byte) (bool, error) { return bytes.HasPrefix(b, []byte(s)), nil }
	}
	return w
}

// heard pushes the bytes of an answer, nil for a silence that is a result.
func (c call) heard(a drivers.Answer) int {
	if !a.Heard {
		c.L.Push(lua.LNil)
		return 1
	}
	return c.t.push(c.L, c.what, string(a.Said))
}

func bytesAsk(c call) int {
	data, w := c.said(1), c.awaitedBytes(2)
	var a drivers.Answer
	c.t.device(c.L, func(ctx context.Context) (err error) {
		a, err = c.dev.(drivers.ByteDevice).Ask(ctx, []byte(data), w)
		return
	})
	return c.heard(a)
}

func bytesSend(c call) int {
	data := c.said(1)
	c.t.device(c.L, func(ctx context.Context) error { return c.dev.(drivers.ByteDevice).Send(ctx, []byte(data)) })
	return 0
}

func bytesExpect(c call) int {
	w := c.awaitedBytes(1)
	var a drivers.Answer
	c.t.device(c.L, func(ctx context.Context) (err error) {
		a, err = c.dev.(drivers.ByteDevice).Expect(ctx, w)
		return
	})
	return c.heard(a)
}
