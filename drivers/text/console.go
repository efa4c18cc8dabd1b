package text

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"fullthrow/drivers"
)

// Options are what a bench file says of a device that speaks lines.
type Options struct {
	LineEnd string // sent after each line: "\n" (if empty), "\r\n", "\r"
	Prompt  string // what it writes when it is ready for a line; "" none
	Echo    bool   // it sends back each line that it is sent
	Unit    bool   // it is the unit under test: see [drivers.Console]
	Hello   string // a line that it answers and that changes nothing; "" none
	// Safe are the lines that make it safe, Confirm a text that is in the answer to
	// each of them; "" they are not confirmed.
	Safe    []string
	Confirm string
}

const (
	maxOthers = 200
	// unfinished is how long nothing must come after a line without an end.
	unfinished = 200 * time.Millisecond
	// promptTime is how long the prompt may come after the answer, at least.
	promptTime = 500 * time.Millisecond
	maxSent    = 4096
)

// Console is one device that speaks lines.
type Console struct {
	*wire
	o      Options
	sent   string   // the last line sent whose echo was not seen
	others []string // lines that were no answers
}

var _ drivers.Console = (*Console)(nil)

// Open makes a device of a port. Nothing is sent.
func Open(name string, port drivers.Port, clock drivers.Clock, o Options) (*Console, error) {
	if o.LineEnd == "" {
		o.LineEnd = "\n"
	}
	bad := func(format string, args ...any) (*Console, error) {
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, format, args...)
	}
	if !slices.Contains([]string{"\n", "\r\n", "\r"}, o.LineEnd) {
		return bad("the line end %q is none of \\n, \\r\\n, \\r", o.LineEnd)
	}
	if strings.ContainsAny(o.Prompt, "\r\n") || o.Prompt != "" && strings.TrimSpace(o.Prompt) == "" {
		return bad("the prompt %q", o.Prompt)
	}
	if o.Unit && o.Hello != "" {
		return bad("a unit cannot be asked before it has been switched on: no hello")
	}
	for _, l := range append(slices.Clone(o.Safe), o.Hello) {
		if err := sendable(name, "open", l); err != nil {
			return nil, err
		}
	}
	return &Console{wire: newWire(name, port, clock, o.Unit), o: o}, nil
}

// sendable refuses what would be more than one line.
func sendable(name, op, line string) error {
	switch {
	case len(line) > maxSent:
		return drivers.Errorf(name, op, drivers.OutOfRange, "a line of %d bytes: at most %d", len(line), maxSent)
	case strings.ContainsAny(line, "\r\n"):
		return drivers.Errorf(name, op, drivers.OutOfRange, "%s holds a line end", quoted([]byte(line))).
			WithHint("The line end of the bench file is added. Send several lines one after the other.")
	}
	return nil
}

// Ready proves that the port is there, and that the device answers its hello.
func (c *Console) Ready(ctx context.Context) (identity string, err error) {
	const op = "ready"
	err = c.hold(ctx, op, func(ctx context.Context) error {
		if err := c.ready(ctx, op); err != nil {
			return err
		}
		c.others, c.sent = nil, ""
		if c.o.Hello == "" {
			return nil
		}
		a, err := c.ask(ctx, op, c.o.Hello, drivers.Awaited{})
		if err == nil {
			identity = drivers.Visible(a.Said)
		}
		return err
	})
	return identity, err
}

// Safe ends what is under way and sends the lines that make it safe.
func (c *Console) Safe(ctx context.Context) error {
	const op = "make safe"
	if c.closed.Load() {
		return nil
	}
	leave, entered := c.guard.Interrupt(ctx)
	defer leave()
	end := drivers.Within(c.clock, safeTime)
	for _, l := range c.o.Safe {
		if err := c.write(ctx, op, []byte(l+c.o.LineEnd)); err != nil {
			return err
		}
		if c.o.Confirm == "" {
			continue
		}
		if !entered {
			return drivers.Errorf(c.name, op, drivers.Busy, "%s was sent, but another call does not end", quoted([]byte(l)))
		}
		if err := c.confirmed(ctx, op, l, end); err != nil {
			return err
		}
	}
	if entered && len(c.o.Safe) > 0 {
		c.stale = true // answers to them may still come
	}
	return nil
}

func (c *Console) confirmed(ctx context.Context, op, sent string, end drivers.TimeOut) error {
	c.heard = 0
	var seen []string
	for {
		for l, ok := c.next(); ok; l, ok = c.next() {
			if bytes.Contains(l.text, []byte(c.o.Confirm)) && !c.isEcho(l.text, sent) {
				return nil
			}
			seen = append(seen, quoted(l.text))
		}
		more, err := c.read(ctx, op, end.Left())
		if err != nil {
			return err
		}
		if !more && end.Passed() {
			return drivers.Errorf(c.name, op, drivers.NoReply, "%s was not confirmed by %s in %v%s", quoted([]byte(sent)),
				quoted([]byte(c.o.Confirm)), end, received(seen, c.got))
		}
	}
}

// Send implements [drivers.Console].
func (c *Console) Send(ctx context.Context, text string) error {
	return c.hold(ctx, "send", func(ctx context.Context) error { return c.send(ctx, "send", text) })
}

func (c *Console) send(ctx context.Context, op, text string) error {
	if err := sendable(c.name, op, text); err != nil {
		return err
	}
	c.sent = text
	return c.write(ctx, op, []byte(text+c.o.LineEnd))
}

// Ask implements [drivers.Console].
func (c *Console) Ask(ctx context.Context, text string, want drivers.Awaited) (a drivers.Answer, err error) {
	began := c.clock.Now()
	err = c.hold(ctx, "ask", func(ctx context.Context) (err error) {
		a, err = c.ask(ctx, "ask", text, want)
		return err
	})
	if c.missing(err, want) {
		return c.silent("ask", want, began, "")
	}
	return a, err
}

func (c *Console) ask(ctx context.Context, op, text string, want drivers.Awaited) (drivers.Answer, error) {
	if err := sendable(c.name, op, text); err != nil {
		return drivers.Answer{}, err
	}
	if c.stale {
		if err := c.quiet(ctx, op, c.setAside); err != nil {
			return drivers.Answer{}, err
		}
		if rest := plain(c.got); len(rest.text) > 0 && !c.prompted() { // what broke off is no beginning of an answer
			c.other(rest)
		}
		c.got = nil
	}
	if err := c.present(ctx, op, c.setAside); err != nil {
		return drivers.Answer{}, err
	}
	c.setAside()
	if c.prompted() {
		c.got = nil
	}
	if err := c.send(ctx, op, text); err != nil {
		return drivers.Answer{}, err
	}
	return c.await(ctx, op, text, want, true)
}

// Expect implements [drivers.Console].
func (c *Console) Expect(ctx context.Context, want drivers.Awaited) (a drivers.Answer, err error) {
	began := c.clock.Now()
	err = c.hold(ctx, "expect", func(ctx context.Context) (err error) {
		a, err = c.await(ctx, "expect", c.sent, want, false)
		return err
	})
	if c.missing(err, want) {
		return c.silent("expect", want, began, "")
	}
	return a, err
}

// Others implements [drivers.Console].
func (c *Console) Others(ctx context.Context) (list []string, err error) {
	err = c.hold(ctx, "read", func(ctx context.Context) error {
		if err := c.present(ctx, "read", c.setAside); err != nil {
			return err
		}
		list, c.others = c.others, nil
		return nil
	})
	return list, err
}

// next takes a line off what was received, without a prompt before it.
func (c *Console) next() (l line, ok bool) {
	for {
		if l, c.got, ok = cutLine(c.got); !ok {
			c.got = shorten(c.got)
			return l, false
		}
		for c.o.Prompt != "" && bytes.HasPrefix(l.text, []byte(c.o.Prompt)) {
			l.text = l.text[len(c.o.Prompt):]
		}
		if len(l.text) > 0 {
			return l, true
		}
	}
}

// setAside puts the lines that have come beside the answers.
func (c *Console) setAside() {
	for l, ok := c.next(); ok; l, ok = c.next() {
		c.other(l)
	}
}

func (c *Console) other(l line) {
	c.others = append(c.others, string(l.text))
	c.others = c.others[max(0, len(c.others)-maxOthers):]
}

// prompted says whether what has come of the last line is the prompt alone.
func (c *Console) prompted() bool {
	if c.o.Prompt == "" {
		return false
	}
	rest, ok := bytes.CutPrefix(plain(c.got).text, []byte(c.o.Prompt))
	return ok && len(bytes.TrimSpace(rest)) == 0
}

// isEcho says whether a line is what was sent: alone, or after a prompt that the
// bench file does not name.
func (c *Console) isEcho(text []byte, sent string) bool {
	before, ok := bytes.CutSuffix(text, []byte(sent))
	return ok && sent != "" && (len(before) == 0 || bytes.ContainsAny(before[len(before)-1:], " >$#:"))
}

// await waits for the line that is wanted. After a question its echo must have come
// where there is one, and the prompt after it.
func (c *Console) await(ctx context.Context, op, sent string, want drivers.Awaited, asked bool) (drivers.Answer,
	error) {
	if want.Within <= 0 {
		want.Within = usualTime
	}
	began, end := c.clock.Now(), drivers.Within(c.clock, want.Within)
	to := ""
	if asked {
		to = " to " + quoted([]byte(sent))
	}
	var seen []string // for a message
	echoed := false
	for last := false; ; {
		for l, ok := c.next(); ok; l, ok = c.next() {
			if !echoed && c.isEcho(l.text, sent) {
				if echoed = true; c.o.Echo {
					continue
				}
				if asked {
					c.stale = true
					return drivers.Answer{}, drivers.Errorf(c.name, op, drivers.Garbled, "it sent back what it was sent: %s",
						quoted(l.text)).WithHint("Where that is an echo, write echo = true in the bench file. Where it is " +
						"the answer, use send and expect in the plan.")
				}
			}
			fits := !l.long && (echoed || !asked || !c.o.Echo)
			if fits && want.Fits != nil {
				var err error
				if fits, err = want.Fits(l.text); err != nil {
					c.stale = true
					return drivers.Answer{}, err
				}
			}
			if !fits {
				c.other(l)
				seen = append(seen, quoted(l.text))
				continue
			}
			c.sent = ""
			return drivers.Answer{Said: l.text, Heard: true}, c.prompt(ctx, op, l.text, end, asked)
		}
		if last {
			break
		}
		wait := end.Left()
		open := want.Unfinished && len(plain(c.got).text) > 0
		if open {
			wait = min(wait, unfinished)
		}
		more, err := c.read(ctx, op, wait)
		if err != nil {
			return drivers.Answer{}, err
		}
		if open && !more {
			text := plain(c.got)
			fits := !text.long
			if fits && want.Fits != nil {
				if fits, err = want.Fits(text.text); err != nil {
					return drivers.Answer{}, err
				}
			}
			if fits {
				c.got, c.sent = nil, ""
				return drivers.Answer{Said: text.text, Heard: true}, nil
			}
		}
		last = !more && wait == 0 // what had come while the computer stood still was taken
	}
	c.stale = true
	if len(seen) == 0 && len(plain(c.got).text) == 0 {
		return c.silent(op, want, began, to)
	}
	return drivers.Answer{}, c.unfit(op, want, to, echoed, asked, seen)
}

// unfit is the error of a conversation in which something came, and not what was
// waited for.
func (c *Console) unfit(op string, want drivers.Awaited, to string, echoed, asked bool, seen []string) error {
	what := "no answer" + to
	if want.As != "" {
		what += " that fits " + want.As
	}
	if asked && c.o.Echo && !echoed {
		what = "no echo of" + strings.TrimPrefix(to, " to")
	}
	hint := "Compare what was received with what the plan waits for; all that was said goes with the report."
	if len(seen) == 0 {
		hint = "A line without an end is no answer: is the line end in the bench file its own? For a question without " +
			"one the plan says unfinished = true."
	}
	return drivers.Errorf(c.name, op, drivers.Garbled, "%s in %v%s", what, want.Within, received(seen, c.got)).
		WithHint(hint)
}

// received says what came.
func received(seen []string, open []byte) string {
	const most = 4
	text := "; nothing was received"
	if n := len(seen); n > 0 {
		text = "; received " + strings.Join(seen[max(0, n-most):], ", ")
		if n > most {
			text += fmt.Sprintf(" and %d lines before", n-most)
		}
		if len(open) > 0 {
			text += ","
		}
	} else if len(open) > 0 {
		text = "; received"
	}
	if len(open) > 0 {
		text += " " + quoted(open) + " without a line end"
	}
	return text
}

// prompt waits for the prompt after an answer.
func (c *Console) prompt(ctx context.Context, op string, said []byte, end drivers.TimeOut, asked bool) error {
	if c.o.Prompt == "" || !asked {
		return nil
	}
	if least := drivers.Within(c.clock, promptTime); end.Left() < promptTime {
		end = least
	}
	for {
		c.setAside()
		if c.prompted() {
			c.got = nil
			return nil
		}
		more, err := c.read(ctx, op, end.Left())
		if err != nil {
			return err
		}
		if !more && end.Passed() {
			c.stale = true
			return drivers.Errorf(c.name, op, drivers.Garbled, "the prompt %s did not come in %v after %s%s",
				quoted([]byte(c.o.Prompt)), end, quoted(said), received(nil, c.got)).
				WithHint("Is that its prompt in every state? Leave prompt out of the bench file where it has none.")
		}
	}
}
