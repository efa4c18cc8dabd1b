package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
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

// unit is one device: an instrument, or a channel of one.
type unit struct {
	*link
	name    string
	cal     drivers.Calibration
	channel int // of an instrument with several; 1 first
}

// link holds the conversation with one instrument.
type link struct {
	port  drivers.Port
	clock drivers.Clock
	model Model
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
	// echoes are the lines sent of which no echo has come, where it echoes.
	echoes []string
	ranges map[string]float64 // that were chosen, by what for
	// start is the shortest that a capture took to begin, 0 before the first.
	start time.Duration
}

func newLink(name string, port drivers.Port, clock drivers.Clock, m Model, cal drivers.Calibration) *unit {
	l := &link{port: port, clock: clock, model: m, guard: drivers.NewGuard(clock),
		unchecked: port != nil && drivers.Unchecked(port), buf: make([]byte, 1<<16)}
	l.stale.Store(true)
	return &unit{link: l, name: name, cal: cal, channel: 1}
}

func (u *unit) String() string { return u.name }

// Close gives the port back.
func (u *unit) Close() error { return u.port.Close() }

// SafeTime is how long making safe takes at most.
func (u *unit) SafeTime() time.Duration {
	if u.model.Function == BoardFunction || u.model.Channels > 1 { // one after the other
		return u.model.safeTime() + u.model.safeTurn() + interruptTime
	}
	return u.model.safeTime() + interruptTime
}

// interruptTime is what [drivers.Guard.Interrupt] may take before.
const interruptTime = 200 * time.Millisecond

// word is a word of the row, said of this channel.
func (u *unit) word(w string, pairs ...string) string {
	return fill(w, append(pairs, "channel", strconv.Itoa(u.channel))...)
}

// Ready asks the instrument who it is. One without a word for it is asked for
// something else that changes nothing.
func (u *unit) Ready(ctx context.Context) (identity string, err error) {
	err = u.do(ctx, u.name, "identify", func(ctx context.Context) (err error) {
		m, w := &u.model, &u.model.Words
		ask := w.Identity
		switch {
		case ask != "":
			identity, err = u.query(ctx, ask, m.Timeout)
			if err == nil && !m.isIdentity(identity) {
				err = errorf(drivers.Garbled, "%.60q is not an identity", identity)
			}
			return err
		case w.Error != "":
			return nil // asked when the line was brought into step
		case w.OutputState != "":
			ask = u.word(w.OutputState)
		case w.RelayState != "":
			ask = u.word(w.RelayState, "line", m.relayName(1))
		case w.Level != "":
			ask = u.word(w.Level, "line", "1")
		default:
			r := m.Reads[0]
			ask = u.word(r.Ask, "value", formatNumber(r.Max))
		}
		line, err := u.query(ctx, ask, m.Timeout)
		if err == nil && line == "" {
			err = errorf(drivers.Garbled, "an empty answer to %s", ask)
		}
		return err
	})
	if err != nil {
		return "", err
	}
	return identity, nil
}

// Safe sends the row's safe word; see the package comment.
func (u *unit) Safe(ctx context.Context) error {
	return u.safe(ctx, u.name, setting{say: u.word(u.model.Words.Safe)})
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
	if err == nil {
		err = l.over()
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

// over is the error of what came behind the last answer and is not the row's habit:
// question and answer may not belong together.
func (l *link) over() error {
	if l.skip(); l.r == l.w {
		return nil
	}
	return errorf(drivers.Garbled, "%s, behind the answer", got(string(l.buf[l.r:l.w]))).
		WithHint("a prompt, an echo, a NUL or answers that come apart are said by its row: see fullthrow help models")
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
	l.r, l.w, l.echoes = 0, 0, nil
	return l.port.Discard()
}

// sync brings question and answer into step, and returns what was left in the
// error queue. See the package comment.
func (l *link) sync(ctx context.Context) (left []InstrumentError, err error) {
	m := &l.model
	met := l.met || m.Greeting > 0
	l.met = true
	l.ranges = nil
	quiet := m.Settle
	if m.Words.Identity == "" { // an answer still owed can be told from a new one by nothing but time
		met, quiet = true, max(quiet, m.Timeout)
	}
	for range syncRounds {
		if err := l.discard(); err != nil {
			return left, err
		}
		if met {
			if err := l.drain(ctx, max(quiet, m.Greeting), quiet); err != nil {
				return left, err
			}
		}
		if m.Words.Identity != "" {
			if err := l.send(ctx, m.Words.Identity); err != nil {
				return left, err
			}
			if _, err = l.find(ctx, m.isIdentity); err != nil {
				return left, err
			}
		}
		more, err := l.queue(ctx, true)
		if err != nil {
			return left, err
		}
		left = append(left, more...)
		if met && m.Words.Identity != "" {
			if owed, err := l.owed(ctx); err != nil {
				return left, err
			} else if owed {
				continue // something was owed after all: once more
			}
		}
		l.stale.Store(false)
		return left, nil
	}
	return left, errorf(drivers.Garbled, "the answers do not fit the questions")
}

// owed waits for the line to be quiet, and says whether something came that is no
// prompt.
func (l *link) owed(ctx context.Context) (bool, error) {
	for {
		l.skip()
		if l.r < l.w {
			return true, nil
		}
		switch _, err := l.fill(ctx, drivers.Within(l.clock, l.model.Settle)); {
		case drivers.KindOf(err) == drivers.NoReply:
			return false, nil
		case err != nil:
			return false, err
		}
	}
}

// skip drops what is no beginning of an answer from the front of what was
// received: a prompt, a NUL behind the last line, the rest of its end.
func (l *link) skip() {
	m := &l.model
	for l.r < l.w {
		b := l.buf[l.r:l.w]
		prompt := strings.TrimSpace(m.Prompt)
		switch {
		case m.Nulls && b[0] == 0, m.ReplyEnd == "\r" && b[0] == '\n', prompt != "" && b[0] == ' ':
			l.r++
		case prompt != "" && bytes.HasPrefix(b, []byte(prompt)):
			l.r += len(prompt)
		default:
			return
		}
	}
}

// drain drops what comes until the line is quiet; first is how long it may take to
// begin.
func (l *link) drain(ctx context.Context, first, quiet time.Duration) error {
	wait := first
	for end := drivers.Within(l.clock, first+drainFor); !end.Passed(); wait = quiet {
		if _, err := l.read(ctx, l.buf, wait); err != nil {
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
	last := ""
	for passed := 0; ; passed++ {
		line, err := l.line(ctx, end)
		if drivers.KindOf(err) == drivers.NoReply && passed > 0 {
			return "", errorf(drivers.Garbled, "%d lines, and none is the answer: %s", passed, got(last))
		}
		last = line
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
	if l.model.Words.Error == "" {
		return nil, nil
	}
	for range maxEntries {
		if err := l.send(ctx, l.model.Words.Error); err != nil {
			return entries, err
		}
		var e InstrumentError
		if passing {
			var line string
			if line, err = l.find(ctx, func(s string) bool { _, ok := l.model.entry(s); return ok }); err == nil {
				e, _ = l.model.entry(line)
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
	e, ok := l.model.entry(line)
	if !ok {
		return e, errorf(drivers.Garbled, "%s, which is no entry of an error queue", got(line))
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

// got names what was received, for people who look for a cable.
func got(line string) string {
	if line == "" {
		return "got an empty line"
	}
	return fmt.Sprintf("got %d bytes: %.60q", len(line), line)
}

// command sends a command that has no answer: in one round trip with the question
// for errors, where it takes both in one message. What has no error queue is
// believed.
func (l *link) command(ctx context.Context, text string) error {
	w := &l.model.Words
	switch {
	case w.Error == "":
		if err := l.sendAll(ctx, text); err != nil {
			return err
		}
		return l.passEchoes(ctx)
	case l.model.Compound == Single:
		if err := l.sendAll(ctx, text); err != nil {
			return err
		}
		text = w.Error
	default:
		text += ";:" + w.Error
	}
	if err := l.send(ctx, text); err != nil {
		return err
	}
	e, err := l.entry(ctx)
	if err != nil || e.Number == 0 {
		return err
	}
	return l.rest(ctx, e)
}

// sendAll sends a message, a line for each of its commands where the instrument
// takes no more.
func (l *link) sendAll(ctx context.Context, text string) error {
	if l.model.Compound != Single {
		return l.send(ctx, text)
	}
	for part := range strings.SplitSeq(text, ";:") {
		if err := l.send(ctx, part); err != nil {
			return err
		}
	}
	return nil
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
	switch {
	case do != "" && l.model.Compound == Single:
		if err := l.command(ctx, do); err != nil {
			return "", err
		}
		do = ""
	case do != "":
		do += ";:"
	}
	if !l.model.joined() || l.model.Words.Error == "" {
		return l.query(ctx, do+question, timeout)
	}
	if err := l.send(ctx, do+question+";:"+l.model.Words.Error); err != nil {
		return "", err
	}
	line, err := l.line(ctx, drivers.Within(l.clock, timeout))
	if err != nil {
		return "", l.why(ctx, err)
	}
	answer, e, ok := l.model.splitReply(line)
	switch {
	case !ok:
		return "", errorf(drivers.Garbled, "%s, which is no answer with an entry of the error queue", got(line))
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
	if !l.model.joined() || l.model.Words.Error == "" {
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
	a, b, e, ok := l.model.splitTwo(line)
	switch {
	case !ok:
		return "", "", errorf(drivers.Garbled, "%s, which is not two answers and an entry of the error queue", got(line))
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
	if p := l.model.Pause; p > 0 {
		if err := l.clock.Sleep(ctx, p); err != nil {
			return err
		}
	}
	if err := drivers.Ended(ctx, l.port.Write(ctx, []byte(text+l.model.LineEnd))); err != nil {
		return err
	}
	if l.model.Echo {
		l.echoes = append(l.echoes, text)
	}
	return nil
}

// line returns the next line of an answer: no echo, and no prompt before it.
func (l *link) line(ctx context.Context, end drivers.TimeOut) (string, error) {
	for passed := 0; ; passed++ {
		s, err := l.bare(ctx, end)
		if err != nil {
			return "", err
		}
		switch {
		case passed > maxPassed:
			return "", errorf(drivers.Garbled, "it does not stop sending")
		case l.echoed(s), s == "" && (l.model.Echo || l.model.Prompt != ""):
			continue
		case len(l.echoes) > 0 && !l.stale.Load():
			return "", errorf(drivers.Garbled, "%s, and it was to echo %.60q first", got(s), l.echoes[0])
		}
		return s, nil
	}
}

// echoed says that a line is what was sent, come back.
func (l *link) echoed(s string) bool {
	if !l.model.Echo {
		return false
	}
	i := slices.Index(l.echoes, s)
	if i >= 0 {
		l.echoes = l.echoes[i+1:]
	}
	return i >= 0
}

// passEchoes waits for the echoes of what was sent.
func (l *link) passEchoes(ctx context.Context) error {
	end := drivers.Within(l.clock, l.model.Timeout)
	for len(l.echoes) > 0 {
		s, err := l.bare(ctx, end)
		if err != nil {
			return err
		}
		if !l.echoed(s) && s != "" {
			return errorf(drivers.Garbled, "%s, and it was to echo %.60q", got(s), l.echoes[0])
		}
	}
	return nil
}

// bare reads up to the end of a line, and takes it off.
func (l *link) bare(ctx context.Context, end drivers.TimeOut) (string, error) {
	stop, cut := byte('\n'), "\r"
	if l.model.ReplyEnd == "\r" {
		stop, cut = '\r', ""
	}
	l.skip()
	for from := l.r; ; {
		if i := bytes.IndexByte(l.buf[from:l.w], stop); i >= 0 {
			s := strings.TrimRight(string(l.buf[l.r:from+i]), cut)
			l.r = from + i + 1
			return s, nil
		}
		from = l.w
		moved, err := l.fill(ctx, end)
		from -= moved
		if err == nil {
			l.skip()
			from = max(from, l.r)
		}
		if drivers.KindOf(err) == drivers.NoReply {
			if l.w > l.r {
				return "", errorf(drivers.Garbled, "only part of a reply in %v: %s", end, got(string(l.buf[l.r:l.w])))
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
