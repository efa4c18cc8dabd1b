package drivertest

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// Transcript is a conversation with a device, as text that explains itself:
//
//	what: supply set to 3.7 V, output on
//	recorded: 2026-11-25, generic-supply on /dev/ttyUSB0, 115200 baud
//	expect: no error
//
//	# The driver sends, the device answers.
//	> "VOLT 3.7;:SYST:ERR?\n"
//	< "0,\"No error\"\n"
//	~ 20ms
//	> 01 05 00 00 FF 00 8C 3A
//	! gone
//
// The head is lines "name: text", of which what, recorded and expect must be
// there, up to the first empty line. Then one step per line; # begins a
// comment line. Bytes are a Go string in quotes or pairs of hexadecimal digits.
//
//	>  bytes the driver must send, in one write or several
//	<  bytes the device sends once all before it has been sent
//	~  how much later the device sends what follows
//	!  a [Fault]
type Transcript struct {
	Name  string // of the file, for messages
	Head  []Field
	Steps []Step
}

// Field is one line of the head.
type Field struct{ Name, Text string }

// Step is one line of the conversation.
type Step struct {
	Line  int    // in the file, 1 first; 0 if not from a file
	Mark  byte   // '>', '<', '~' or '!'
	Bytes []byte // of '>' and '<'
	Fault Fault  // of '!'
	// Wait is the time of '~', and of '! slow' the time between two bytes.
	Wait time.Duration
}

// Fault is what can go wrong with a device, as written in a transcript.
type Fault string

// The faults. Silent, Partial, Gone and Stuck last to the end: nothing may
// follow them.
const (
	Silent  Fault = "silent"  // the device takes what it is sent and never answers again
	Garbled Fault = "garbled" // the next reply has every byte damaged but a "\n" at its end
	Partial Fault = "partial" // the first half of the next reply arrives, then the device is silent
	Gone    Fault = "gone"    // the plug is pulled
	Slow    Fault = "slow"    // the replies that follow arrive one byte at a time, 5 ms apart or the time given
	Stuck   Fault = "stuck"   // the device takes no more bytes: a write fails after a second; it never answers
)

// faults is the list for messages.
var faults = []Fault{Silent, Garbled, Partial, Gone, Slow, Stuck}

// Load reads a transcript file.
func Load(path string) (*Transcript, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Parse(path, data)
}

// Parse reads a transcript; errors begin "name:line:".
func Parse(name string, data []byte) (*Transcript, error) {
	tr := &Transcript{Name: name}
	fail := func(line int, format string, args ...any) (*Transcript, error) {
		return nil, fmt.Errorf("%s:%d: %s", name, line, fmt.Sprintf(format, args...))
	}
	if !utf8.Valid(data) {
		return fail(1, "not UTF-8 text; write bytes as a quoted string or in hexadecimal")
	}
	head, last, ended := true, 0, Fault("")
	for i, text := range strings.Split(strings.TrimSuffix(string(data), "\n"), "\n") {
		line := i + 1
		last = line
		text = strings.TrimSpace(text)
		if strings.HasPrefix(text, "#") {
			continue
		}
		if head {
			if text == "" {
				if len(tr.Head) > 0 {
					head = false
				}
				continue
			}
			key, value, ok := strings.Cut(text, ":")
			key, value = strings.TrimSpace(key), strings.TrimSpace(value)
			switch {
			case !ok || strings.ContainsAny(key, "\"<>~! \t"):
				return fail(line, "the head wants lines \"name: text\" and an empty line after it, not %q", text)
			case value == "":
				return fail(line, "%s: nothing is said", key)
			}
			tr.Head = append(tr.Head, Field{key, value})
			continue
		}
		if text == "" {
			continue
		}
		if ended != "" {
			return fail(line, "nothing can follow \"! %s\"", ended)
		}
		step, err := parseStep(text)
		if err != nil {
			return fail(line, "%v", err)
		}
		step.Line = line
		switch step.Fault {
		case Silent, Gone, Stuck:
			ended = step.Fault
		}
		if n := len(tr.Steps); n > 0 && step.Mark != '<' && tr.Steps[n-1].Mark == '!' &&
			(tr.Steps[n-1].Fault == Garbled || tr.Steps[n-1].Fault == Partial) {
			return fail(line, "\"! %s\" wants a reply (<) on the next line", tr.Steps[n-1].Fault)
		}
		if n := len(tr.Steps); n > 0 && tr.Steps[n-1].Fault == Partial {
			ended = Partial
		}
		tr.Steps = append(tr.Steps, step)
	}
	for _, want := range []string{"what", "recorded", "expect"} {
		if tr.Field(want) == "" {
			return fail(last, "the head lacks \"%s: ...\"", want)
		}
	}
	if n := len(tr.Steps); n > 0 && (tr.Steps[n-1].Fault == Garbled || tr.Steps[n-1].Fault == Partial) {
		return fail(last, "\"! %s\" wants a reply (<) on the next line", tr.Steps[n-1].Fault)
	}
	return tr, nil
}

func parseStep(text string) (Step, error) {
	s := Step{Mark: text[0]}
	rest := strings.TrimSpace(text[1:])
	switch s.Mark {
	case '>', '<':
		b, err := parseBytes(rest)
		s.Bytes = b
		return s, err
	case '~':
		d, err := parseWait(rest)
		s.Wait = d
		return s, err
	case '!':
		word, arg, _ := strings.Cut(rest, " ")
		for _, f := range faults {
			if string(f) == word {
				s.Fault = f
			}
		}
		switch {
		case s.Fault == "":
			return s, fmt.Errorf("unknown fault %q; there are %v", word, faults)
		case s.Fault == Slow && arg != "":
			d, err := parseWait(strings.TrimSpace(arg))
			s.Wait = d
			return s, err
		case arg != "":
			return s, fmt.Errorf("%q after \"! %s\": only slow takes a time", arg, s.Fault)
		}
		return s, nil
	}
	return s, fmt.Errorf("a step begins with >, <, ~ or !, not %q", text[:1])
}

func parseWait(s string) (time.Duration, error) {
	d, err := time.ParseDuration(s)
	if err != nil || d <= 0 || d > time.Hour {
		return 0, fmt.Errorf("%q is no time between 0 and 1h, such as 20ms", s)
	}
	return d, nil
}

func parseBytes(s string) ([]byte, error) {
	if strings.HasPrefix(s, `"`) {
		t, err := strconv.Unquote(s)
		if err != nil {
			return nil, fmt.Errorf("%s is no quoted string", s)
		}
		s = t
	} else {
		b, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
		if err != nil {
			return nil, fmt.Errorf("%q is neither a quoted string nor pairs of hexadecimal digits", s)
		}
		s = string(b)
	}
	if s == "" {
		return nil, fmt.Errorf("no bytes")
	}
	return []byte(s), nil
}

// Field is the text of a line of the head, "" if there is none.
func (tr *Transcript) Field(name string) string {
	for _, f := range tr.Head {
		if f.Name == name {
			return f.Text
		}
	}
	return ""
}

// Format writes the transcript as a file that Parse reads.
func (tr *Transcript) Format() []byte {
	var b bytes.Buffer
	for _, f := range tr.Head {
		fmt.Fprintf(&b, "%s: %s\n", f.Name, f.Text)
	}
	b.WriteByte('\n')
	for _, s := range tr.Steps {
		b.WriteByte(s.Mark)
		b.WriteByte(' ')
		switch s.Mark {
		case '~':
			b.WriteString(s.Wait.String())
		case '!':
			b.WriteString(string(s.Fault))
			if s.Wait > 0 {
				b.WriteString(" " + s.Wait.String())
			}
		default:
			b.WriteString(formatBytes(s.Bytes))
		}
		b.WriteByte('\n')
	}
	return b.Bytes()
}

// formatBytes is a quoted string for text, hexadecimal for anything else.
func formatBytes(p []byte) string {
	for _, c := range p {
		if (c < ' ' || c > '~') && c != '\n' && c != '\r' && c != '\t' {
			return fmt.Sprintf("% X", p)
		}
	}
	return strconv.Quote(string(p))
}

// Replies counts the replies (<) of the transcript.
func (tr *Transcript) Replies() (n int) {
	for _, s := range tr.Steps {
		if s.Mark == '<' {
			n++
		}
	}
	return n
}

// WithFault returns a copy with fault f at reply number i (0 first): before it,
// except Stuck, which stands before what the driver sends to get that reply.
// What can no longer happen after the fault is left out.
func (tr *Transcript) WithFault(i int, f Fault) *Transcript {
	c := &Transcript{Name: fmt.Sprintf("%s with reply %d %s", tr.Name, i+1, f), Head: tr.Head}
	at, sent := -1, 0 // index of the reply, and of the first '>' that leads to it
	for k, n := 0, 0; k < len(tr.Steps); k++ {
		s := tr.Steps[k]
		if s.Mark == '>' && (k == 0 || tr.Steps[k-1].Mark != '>') {
			sent = k
		}
		if s.Mark != '<' {
			continue
		}
		if n == i {
			at = k
			break
		}
		n++
	}
	if at < 0 {
		panic(fmt.Sprintf("drivertest: %s has no reply number %d", tr.Name, i+1))
	}
	step := Step{Line: tr.Steps[at].Line, Mark: '!', Fault: f}
	switch f {
	case Stuck:
		c.Steps = append(append(c.Steps, tr.Steps[:sent]...), step)
	case Partial:
		c.Steps = append(append(c.Steps, tr.Steps[:at]...), step, tr.Steps[at])
	case Silent, Gone:
		c.Steps = append(append(c.Steps, tr.Steps[:at]...), step)
	default:
		c.Steps = append(append(c.Steps, tr.Steps[:at]...), step)
		c.Steps = append(c.Steps, tr.Steps[at:]...)
	}
	return c
}
