package scpi

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"fullthrow/drivers"
)

// InstrumentError is one entry of an instrument's error queue.
type InstrumentError struct {
	Number int // negative: SCPI-1999; positive: the instrument's own
	Text   string
}

func (e InstrumentError) Error() string { return fmt.Sprintf("%d %q", e.Number, e.Text) }

// QueueError is everything that was in the queue, the oldest first: at least
// one entry.
type QueueError struct {
	Entries []InstrumentError
	Endless bool // the queue did not empty and was left
}

func (e *QueueError) Error() string {
	var b strings.Builder
	for i, x := range e.Entries {
		if i == 3 {
			fmt.Fprintf(&b, " and %d more", len(e.Entries)-i)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(x.Error())
	}
	if e.Endless {
		b.WriteString("; the error queue does not empty")
	}
	return b.String()
}

func (e *QueueError) Unwrap() []error {
	errs := make([]error, len(e.Entries))
	for i, x := range e.Entries {
		errs[i] = x
	}
	return errs
}

// refused makes the driver's error of a queue.
func refused(e *QueueError) error {
	return (&drivers.Error{Kind: drivers.Refused, Err: e}).WithHint(hint(e.Entries[0].Number))
}

// hint says what to do about an error number, by the classes of SCPI-1999
// volume 2, chapter 21.8.
func hint(n int) string {
	switch {
	case n == -350:
		return "the instrument lost older errors: its queue was full"
	case n <= -360 && n >= -365:
		return "the instrument could not read what was sent: check baud rate, parity and cable"
	case n == -213 || n == -221:
		return "the instrument is still busy, or another setting stands in the way"
	case n <= -100 && n >= -199:
		return "the instrument does not know this command: check the model in the bench file"
	case n <= -200 && n >= -299:
		return "the instrument knows the command but will not carry it out: check value and range"
	case n <= -300 && n >= -399:
		return "the instrument reports a failure of its own: see its manual, or switch it off and on"
	case n <= -400 && n >= -499:
		return "question and answer are out of step: is another program talking to this instrument?"
	case n > 0:
		return "the number is the instrument's own: see its manual"
	}
	return ""
}

// entry reads one answer to SYST:ERR? as the row says that it is written, for
// example -113,"Undefined header".
func (m *Model) entry(line string) (InstrumentError, bool) {
	line = strings.TrimSpace(line)
	number, text, ok := strings.Cut(line, ",")
	n, err := strconv.Atoi(number)
	text = strings.TrimSpace(text)
	if err != nil || ok == (m.ErrorText == Number) {
		return InstrumentError{}, false
	}
	quoted := len(text) >= 2 && text[0] == '"' && text[len(text)-1] == '"'
	switch {
	case quoted:
		text = strings.ReplaceAll(text[1:len(text)-1], `""`, `"`)
	case m.ErrorText == Bare: // and no list of numbers
		if strings.ContainsAny(text, `";`) || strings.IndexFunc(text, unicode.IsLetter) < 0 {
			return InstrumentError{}, false
		}
	case m.ErrorText != Number:
		return InstrumentError{}, false
	}
	return InstrumentError{n, text}, true
}

// splitReply parts the answer to a question from the entry of the error queue
// joined to it, as in 3.7;0,"No error". The answer is "" where the question was
// refused and only the entry came. ok is false where the line does not end in
// an entry. The first ';' parts them: an answer has none, an entry's text may.
func (m *Model) splitReply(line string) (answer string, e InstrumentError, ok bool) {
	if e, ok = m.entry(line); ok {
		return "", e, true
	}
	answer, entry, _ := strings.Cut(line, ";")
	e, ok = m.entry(entry)
	return answer, e, ok
}

// splitTwo is splitReply for two questions: 1;1;0,"No error".
func (m *Model) splitTwo(line string) (a, b string, e InstrumentError, ok bool) {
	if e, ok = m.entry(line); ok {
		return "", "", e, true
	}
	a, rest, _ := strings.Cut(line, ";")
	b, e, ok = m.splitReply(rest)
	return a, b, e, ok
}

// isIdentity tells an answer to *IDN? from every other kind of answer.
func (m *Model) isIdentity(line string) bool {
	if !strings.Contains(line, ",") || strings.HasSuffix(line, "?") || line[0] == '#' {
		return false
	}
	for i := range len(line) {
		if line[i] < ' ' || line[i] > '~' {
			return false
		}
	}
	if _, _, reply := m.splitReply(line); reply {
		return false
	}
	if _, entry := m.entry(line[strings.LastIndexByte(line, ';')+1:]); entry {
		return false
	}
	_, err := ParseNumber(strings.SplitN(line, ",", 2)[0])
	return err != nil
}
