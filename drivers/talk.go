package drivers

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

// Talk is what was said on a wire since it was last forgotten: its beginning and
// its end, each in at most half of [MaxTalk] bytes as written by [Talk.Text]. It
// may be used by several goroutines. Its zero value has nothing.
type Talk struct {
	mu    sync.Mutex
	begun time.Time
	first []byte // lines, as written
	last  [][]byte
	size  int // of last
	left  int // lines that were left out
	open  *utterance
}

// utterance is one line of the talk that is being written.
type utterance struct {
	at   time.Time
	mark byte
	data []byte
}

const (
	// MaxTalk is how much of a talk is kept.
	MaxTalk = 64 << 10
	// heading is what is kept free of it for what says that something is left out.
	heading = 256
	// maxUtterance is how many bytes are in one line of it.
	maxUtterance = 256
	// pause is after how much silence what one side says is a line of its own.
	pause = 100 * time.Millisecond
)

// Talker is a device whose talk is kept with the report.
type Talker interface {
	Device
	// Talk is what was said since it was last forgotten.
	Talk() *Talk
}

// Sent and Heard take down bytes that went over the wire at a moment.
func (t *Talk) Sent(at time.Time, data []byte)  { t.add(at, '>', data) }
func (t *Talk) Heard(at time.Time, data []byte) { t.add(at, '<', data) }

func (t *Talk) add(at time.Time, mark byte, data []byte) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for len(data) > 0 {
		if t.begun.IsZero() {
			t.begun = at
		}
		if o := t.open; o != nil && (o.mark != mark || at.Sub(o.at) > pause) {
			t.close()
		}
		if t.open == nil {
			t.open = &utterance{at: at, mark: mark}
		}
		n := min(len(data), maxUtterance-len(t.open.data))
		if i := slices.Index(data[:n], '\n'); i >= 0 {
			n = i + 1
		}
		t.open.data = append(t.open.data, data[:n]...)
		if t.open.data[len(t.open.data)-1] == '\n' || len(t.open.data) == maxUtterance {
			t.close()
		}
		data = data[n:]
	}
}

// close writes the line under way into what is kept.
func (t *Talk) close() {
	line := t.written(t.open)
	t.open = nil
	const half = (MaxTalk - heading) / 2
	if t.last == nil && len(t.first)+len(line) <= half {
		t.first = append(t.first, line...)
		return
	}
	t.last = append(t.last, line)
	t.size += len(line)
	for t.size > half {
		t.size -= len(t.last[0])
		t.last = t.last[1:]
		t.left++
	}
}

func (t *Talk) written(o *utterance) []byte {
	return fmt.Appendf(nil, "%9.3f %c %s\n", o.at.Sub(t.begun).Seconds(), o.mark, Visible(o.data))
}

// Text is the talk, a line for each line said: seconds since the first, > for
// what was sent and < for what was heard, and the bytes as [Visible] writes them;
// "" if nothing was said.
func (t *Talk) Text() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	var b strings.Builder
	b.Write(t.first)
	if t.left > 0 {
		fmt.Fprintf(&b, "... %d lines are left out here: at most %d KiB are kept\n", t.left, MaxTalk>>10)
	}
	for _, line := range t.last {
		b.Write(line)
	}
	if t.open != nil {
		b.Write(t.written(t.open))
	}
	return b.String()
}

// Forget begins anew.
func (t *Talk) Forget() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.begun, t.first, t.last, t.size, t.left, t.open = time.Time{}, nil, nil, 0, 0, nil
}

// Visible writes bytes as text in which each of them can be seen: \r, \n, \t, \\
// and \xNN for what is no printable character of UTF-8.
func Visible(data []byte) string {
	var b strings.Builder
	for len(data) > 0 {
		r, n := utf8.DecodeRune(data)
		switch {
		case r == '\\':
			b.WriteString(`\\`)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\r':
			b.WriteString(`\r`)
		case r == '\t':
			b.WriteString(`\t`)
		case r == utf8.RuneError && n == 1 || !seen(r):
			for _, c := range data[:n] {
				fmt.Fprintf(&b, `\x%02X`, c)
			}
		default:
			b.WriteRune(r)
		}
		data = data[n:]
	}
	return b.String()
}

// seen says whether a character can be told when it stands in a line: neither
// control nor format characters, nor spaces other than the ordinary one.
func seen(r rune) bool { return r == ' ' || unicode.IsGraphic(r) && !unicode.IsSpace(r) }
