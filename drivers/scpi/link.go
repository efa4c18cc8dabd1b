package scpi

import (
	"bytes"
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"time"

	"fullthrow/drivers"
)

const (
	maxEntries = 32  // of an error queue before it is left
	maxPassed  = 100 // lines passed over while looking for an answer
	syncRounds = 3
	drainFor   = 5 * time.Second // at most, of a line that does not fall quiet
	offHint    = "is it switched on, is the cable in, and is the port the right one?"
)

// link holds the conversation with one instrument.
type link struct {
	name  string
	port  drivers.Port
	clock drivers.Clock
	model Model
	cal   drivers.Calibration
	guard drivers.Guard
	// unchecked: what comes may be damaged, and nobody would know.
	unchecked bool
	// stale: the instrument may still owe answers, or was never spoken to.
	stale atomic.Bool

	// Under the guard:
	met  bool   // spoken to before
	none string // what it says of an empty error queue, word for word
	buf  []byte
	r, w int // received and not yet taken
	// start is the shortest that a capture took to begin, 0 before the first.
	start time.Duration
}

func newLink(name string, port drivers.Port, clock drivers.Clock, m Model, cal drivers.Calibration) *link {
	l := &link{name: name, port: port, clock: clock, model: m, cal: cal, guard: drivers.NewGuard(clock),
		unchecked: port != nil && drivers.Unchecked(port), buf: make([]byte, 1<<16)}
	l.stale.Store(true)
	return l
}

func (l *link) String() string { return l.name }

// Close gives the port back.
func (l *link) Close() error { return l.port.Close() }

// Ready asks the instrument who it is.
func (l *link) Ready(ctx context.Context) (string, error) {
	var identity string
	err := l.do(ctx, l.name, "identify", func(ctx context.Context) error {
		id, err := l.query(ctx, l.model.Words.Identity, l.model.Timeout)
		if err == nil && !isIdentity(id) {
			err = errorf(drivers.Garbled, "%.60q is not an identity", id)
		}
		identity = id
		return err
	})
	if err != nil {
		return "", err
	}
	return identity, nil
}

// Safe sends the row's safe word; see the package comment.
func (l *link) Safe(ctx context.Context) error {
	return l.safe(ctx, l.name, setting{say: l.model.Words.Safe})
}

// do holds one conversation: it waits for the guard, makes sure of the line,
// runs fn and gives its error the name and the verb.
func (l *link) do(ctx context.Context, name, op string, fn func(context.Context) error) error {
	held, leave, err := l.guard.Hold(ctx)
	if err != nil {
		return drivers.Wrap(name, op, drivers.Ended(ctx, err))
	}
	defer leave()
	ctx = held
	err = l.ready(ctx)
	if err == nil {
		err = fn(ctx)
	}
	err = drivers.Ended(ctx, err)
	switch drivers.KindOf(err) {
	case drivers.Refused, drivers.OutOfRange:
	default:
		if err != nil {
			l.stale.Store(true)
		}
	}
	return drivers.Wrap(name, op, err)
}

// ready brings question and answer into step if they may not be, and drops
// what nobody asked for.
func (l *link) ready(ctx context.Context) error {
	if l.stale.Load() {
		_, err := l.sync(ctx)
		return err
	}
	return l.discard()
}

// discard drops everything received.
func (l *link) discard() error {
	l.r, l.w = 0, 0
	return l.port.Discard()
}

// sync brings question and answer into step, and returns what was left in the
// error queue. See the package comment.
func (l *link) sync(ctx context.Context) (left []InstrumentError, err error) {
	met := l.met
	l.met = true
	for range syncRounds {
		if err := l.discard(); err != nil {
			return left, err
		}
		if met {
			if err := l.drain(ctx); err != nil {
				return left, err
			}
		}
		if err := l.send(ctx, l.model.Words.Identity); err != nil {
			return left, err
		}
		if _, err = l.find(ctx, isIdentity); err != nil {
			return left, err
		}
		more, err := l.queue(ctx, true)
		if err != nil {
			return left, err
		}
		left = append(left, more...)
		if met {
			if l.r < l.w {
				continue // something was owed after all: once more
			}
			switch _, err := l.read(ctx, l.buf, l.model.Settle); {
			case err == nil:
				continue
			case drivers.KindOf(err) != drivers.NoReply:
				return left, err
			}
		}
		l.stale.Store(false)
		return left, nil
	}
	return left, errorf(drivers.Garbled, "the answers do not fit the questions")
}

// drain drops what comes until the line is quiet.
func (l *link) drain(ctx context.Context) error {
	for end := drivers.Within(l.clock, drainFor); !end.Passed(); {
		if _, err := l.read(ctx, l.buf, l.model.Settle); err != nil {
			if drivers.KindOf(err) == drivers.NoReply {
				return nil
			}
			return err
		}
	}
	return errorf(drivers.Garbled, "it does not stop sending")
}

// find reads lines until one is of the kind wanted.
func (l *link) find(ctx context.Context, wanted func(string) bool) (string, error) {
	end := drivers.Within(l.clock, l.model.Timeout)
	for passed := 0; ; passed++ {
		line, err := l.line(ctx, end)
		if drivers.KindOf(err) == drivers.NoReply && passed > 0 {
			return "", errorf(drivers.Garbled, "%d lines, and none is the answer", passed)
		}
		if err != nil || line != "" && wanted(line) {
			return line, err
		}
		if passed == maxPassed {
			return "", errorf(drivers.Garbled, "%d lines, and none is the answer", passed)
		}
	}
}

// queue reads the error queue until it is empty: nil if it was. With passing,
// lines that are no entries are passed over.
func (l *link) queue(ctx context.Context, passing bool) (entries []InstrumentError, err error) {
	for range maxEntries {
		if err := l.send(ctx, l.model.Words.Error); err != nil {
			return entries, err
		}
		var e InstrumentError
		if passing {
			var line string
			if line, err = l.find(ctx, func(s string) bool { _, ok := parseEntry(s); return ok }); err == nil {
				e, _ = parseEntry(line)
				err = l.usual(e)
			}
		} else {
			e, err = l.entry(ctx)
		}
		if err != nil {
			return entries, err
		}
		if e.Number == 0 {
			return entries, nil
		}
		entries = append(entries, e)
	}
	return entries, refused(&QueueError{entries, true})
}

// entry reads one answer to SYST:ERR?.
func (l *link) entry(ctx context.Context) (InstrumentError, error) {
	line, err := l.line(ctx, drivers.Within(l.clock, l.model.Timeout))
	if err != nil {
		return InstrumentError{}, err
	}
	e, ok := parseEntry(line)
	if !ok {
		return e, errorf(drivers.Garbled, "%.60q is not an entry of an error queue", line)
	}
	return e, l.usual(e)
}

// usual is the error of an empty error queue that says so in other words than
// the first time: over a wire without a check sum those show most of what is
// damaged.
func (l *link) usual(e InstrumentError) error {
	switch {
	case e.Number != 0 || !l.unchecked:
		return nil
	case l.none == "":
		l.none = e.Text
	case l.none != e.Text:
		return errorf(drivers.Garbled, "an empty error queue says %.60q, and before %.60q", e.Text, l.none).
			WithHint(wireHint)
	}
	return nil
}

// rest empties the queue behind its first entry and makes one error of all.
func (l *link) rest(ctx context.Context, first InstrumentError) error {
	more, err := l.queue(ctx, false)
	var endless *QueueError
	if err != nil && !errors.As(err, &endless) {
		return err
	}
	return refused(&QueueError{append([]InstrumentError{first}, more...), endless != nil})
}

// command sends a command that has no answer, in one round trip.
func (l *link) command(ctx context.Context, text string) error {
	if err := l.send(ctx, text+";:"+l.model.Words.Error); err != nil {
		return err
	}
	e, err := l.entry(ctx)
	if err != nil || e.Number == 0 {
		return err
	}
	return l.rest(ctx, e)
}

// commands sends one after the other, up to the first failure.
func (l *link) commands(ctx context.Context, texts ...string) error {
	for _, t := range texts {
		if err := l.command(ctx, t); err != nil {
			return err
		}
	}
	return nil
}

// query sends a question and returns its answer, once the queue has been seen
// to be empty.
func (l *link) query(ctx context.Context, text string, timeout time.Duration) (string, error) {
	if err := l.send(ctx, text); err != nil {
		return "", err
	}
	line, err := l.line(ctx, drivers.Within(l.clock, timeout))
	if err != nil {
		return "", l.why(ctx, err)
	}
	return line, l.empty(ctx)
}

// ask sends what to do ("" for nothing) and a question, and returns its answer
// once the queue is known to be empty: in one round trip where answers come
// joined, else in two.
func (l *link) ask(ctx context.Context, do, question string, timeout time.Duration) (string, error) {
	if do != "" {
		do += ";:"
	}
	if !l.model.Joined {
		return l.query(ctx, do+question, timeout)
	}
	if err := l.send(ctx, do+question+";:"+l.model.Words.Error); err != nil {
		return "", err
	}
	line, err := l.line(ctx, drivers.Within(l.clock, timeout))
	if err != nil {
		return "", l.why(ctx, err)
	}
	answer, e, ok := splitReply(line)
	switch {
	case !ok:
		return "", errorf(drivers.Garbled, "%.60q is not an answer and an entry of the error queue", line)
	case e.Number != 0:
		return "", l.rest(ctx, e)
	case answer == "":
		return "", errorf(drivers.Garbled, "no answer to %s, and no error", question)
	}
	return answer, l.usual(e)
}

// agreed asks a question whose answer decides, over a wire without a check sum
// until two answers are alike: the first two come in one round trip where answers
// come joined.
func (l *link) agreed(ctx context.Context, question string, timeout time.Duration) (string, error) {
	if !l.unchecked {
		return l.ask(ctx, "", question, timeout)
	}
	var a, b string
	for range 2 { // what is asked for may have changed between two answers
		var err error
		if a, b, err = l.twice(ctx, question, timeout); err != nil || a == b {
			return a, err
		}
	}
	return "", errorf(drivers.Garbled, "one question is answered by %.30q and by %.30q", a, b).WithHint(wireHint)
}

// twice asks one question two times.
func (l *link) twice(ctx context.Context, question string, timeout time.Duration) (a, b string, err error) {
	if !l.model.Joined {
		if a, err = l.query(ctx, question, timeout); err == nil {
			b, err = l.query(ctx, question, timeout)
		}
		return a, b, err
	}
	if err := l.send(ctx, question+";:"+question+";:"+l.model.Words.Error); err != nil {
		return "", "", err
	}
	line, err := l.line(ctx, drivers.Within(l.clock, timeout))
	if err != nil {
		return "", "", l.why(ctx, err)
	}
	a, b, e, ok := splitTwo(line)
	switch {
	case !ok:
		return "", "", errorf(drivers.Garbled, "%.60q is not two answers and an entry of the error queue", line)
	case e.Number != 0:
		return "", "", l.rest(ctx, e)
	case a == "" || b == "":
		return "", "", errorf(drivers.Garbled, "no answer to %s, and no error", question)
	}
	return a, b, l.usual(e)
}

// empty is the error of a queue that should be empty and is not.
func (l *link) empty(ctx context.Context) error {
	entries, err := l.queue(ctx, false)
	if err == nil && len(entries) > 0 {
		err = refused(&QueueError{Entries: entries})
	}
	return err
}

// why asks the queue why a question was not answered: instruments stay silent
// when they refuse one.
func (l *link) why(ctx context.Context, err error) error {
	if drivers.KindOf(err) != drivers.NoReply {
		return err
	}
	if left, _ := l.sync(ctx); len(left) > 0 {
		return refused(&QueueError{Entries: left})
	}
	return err
}

// number asks for a number.
func (l *link) number(ctx context.Context, text string, timeout time.Duration) (float64, error) {
	line, err := l.ask(ctx, "", text, timeout)
	if err != nil {
		return 0, err
	}
	v, err := ParseNumber(line)
	if err != nil {
		return 0, errorf(drivers.Garbled, "%w", err)
	}
	return v, nil
}

func (l *link) send(ctx context.Context, text string) error {
	return drivers.Ended(ctx, l.port.Write(ctx, []byte(text+l.model.LineEnd)))
}

// line reads up to the next NL, and takes it off.
func (l *link) line(ctx context.Context, end drivers.TimeOut) (string, error) {
	for from := l.r; ; {
		if i := bytes.IndexByte(l.buf[from:l.w], '\n'); i >= 0 {
			s := strings.TrimRight(string(l.buf[l.r:from+i]), "\r")
			l.r = from + i + 1
			return s, nil
		}
		from = l.w
		moved, err := l.fill(ctx, end)
		from -= moved
		if drivers.KindOf(err) == drivers.NoReply {
			if l.w > l.r {
				return "", errorf(drivers.Garbled, "only part of a reply: %.60q", l.buf[l.r:l.w])
			}
			return "", errorf(drivers.NoReply, "no reply in %v", end).WithHint(offHint)
		}
		if err != nil {
			return "", err
		}
	}
}

// fill waits for more bytes, at most until end. It may move what is in the
// buffer to its front, by moved bytes.
func (l *link) fill(ctx context.Context, end drivers.TimeOut) (moved int, err error) {
	if l.r > 0 && (l.r == l.w || l.w == len(l.buf)) {
		moved = l.r
		copy(l.buf, l.buf[l.r:l.w])
		l.r, l.w = 0, l.w-l.r
	}
	if l.w == len(l.buf) {
		return moved, errorf(drivers.Garbled, "%d bytes without an end of line", l.w)
	}
	n, err := l.read(ctx, l.buf[l.w:], end.Left())
	l.w += n
	return moved, err
}

func (l *link) read(ctx context.Context, b []byte, timeout time.Duration) (int, error) {
	n, err := l.port.Read(ctx, b, timeout)
	return n, drivers.Ended(ctx, err)
}

// errorf makes an error that do will give its name and verb.
func errorf(kind drivers.Kind, format string, args ...any) *drivers.Error {
	return drivers.Errorf("", "", kind, format, args...)
}
