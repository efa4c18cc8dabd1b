package drivertest

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Instrument is an instrument at the far end of a wire that reads program messages
// by the rules of IEEE 488.2 (chapter 7: message units, terminators, queries) and
// SCPI-99 volume 1 (chapter 6: short and long forms, optional nodes, the path that a
// header without ':' begins from; chapter 21.8: error numbers), and has the habits
// of those that do not keep to them. It knows no driver.
type Instrument struct {
	Habits Habits
	// Headers are what it knows, by SCPI's notation: "MEASure:VOLTage[:DC]?". A
	// function gets the parameters and returns the answer, of a command "".
	Headers map[string]func(args []string) (string, error)
	// Before is called before each message; optional.
	Before func()

	mu      sync.Mutex
	fault   string
	heard   []string
	queue   []string
	path    []string // nodes that a header without ':' is below
	answers []string // of the message under way
}

// Habits are what instruments differ in that are otherwise alike.
type Habits struct {
	ReplyEnd  string        // "" is "\n"
	Apart     bool          // answers of one message a line each, and not joined by ';'
	Single    bool          // only the first unit of a message is understood
	ErrorText string        // "quoted" (also ""), "plus" for +0,"...", "bare", "number", "none": no queue
	Echo      bool          // of what it hears, as it stands
	Prompt    string        // after each message
	Greeting  string        // to whoever connects
	OnOff     bool          // booleans as ON and OFF
	Units     bool          // behind numbers
	Form      string        // "NR1", "NR2" (also ""), "NR3" of numbers
	Delay     time.Duration // before an answer
	Busy      time.Duration // after a command, in which it answers nothing
}

// SCPIError is an entry of an error queue.
type SCPIError struct {
	Number int
	Text   string
}

func (e SCPIError) Error() string { return fmt.Sprint(e.Number, " ", e.Text) }

// The errors of SCPI-99 that a peer makes of what it cannot do.
var (
	ErrHeader = SCPIError{-113, "Undefined header"}
	ErrRange  = SCPIError{-222, "Data out of range"}
	ErrParam  = SCPIError{-224, "Illegal parameter value"}
)

// The faults that an instrument can be given while it is used.
const (
	FaultNone        = ""
	FaultSilent      = "silent"
	FaultGarbled     = "garbled"
	FaultPartial     = "partial"
	FaultGone        = "gone"
	FaultSlow        = "slow"
	FaultStuck       = "stuck" // takes commands and does not carry them out
	FaultEchoing     = "echoing"
	FaultPrompting   = "prompting"
	FaultUnsolicited = "unsolicited"
)

// InstrumentFaults lists them.
func InstrumentFaults() []string {
	return []string{FaultSilent, FaultGarbled, FaultPartial, FaultGone, FaultSlow, FaultStuck, FaultEchoing,
		FaultPrompting, FaultUnsolicited}
}

// SetFault breaks it from now on; [FaultNone] mends it.
func (i *Instrument) SetFault(f string) { i.mu.Lock(); i.fault = f; i.mu.Unlock() }

// Heard lists the message units so far.
func (i *Instrument) Heard() []string { i.mu.Lock(); defer i.mu.Unlock(); return slices.Clone(i.heard) }

// Bool writes a boolean as the instrument does.
func (i *Instrument) Bool(on bool) string {
	words := []string{"0", "1"}
	if i.Habits.OnOff {
		words = []string{"OFF", "ON"}
	}
	if on {
		return words[1]
	}
	return words[0]
}

// Number writes a number as the instrument does.
func (i *Instrument) Number(v float64, unit string) string {
	text := ""
	switch i.Habits.Form {
	case "NR1":
		text = strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	case "NR3":
		text = fmt.Sprintf("%+.6E", v)
	default:
		text = strconv.FormatFloat(v, 'f', 6, 64)
	}
	if i.Habits.Units {
		text += unit
	}
	return text
}

// ParseBool reads the parameter of a switch.
func ParseBool(args []string) (bool, error) {
	if len(args) == 1 {
		switch strings.ToUpper(args[0]) {
		case "ON", "1":
			return true, nil
		case "OFF", "0":
			return false, nil
		}
	}
	return false, ErrParam
}

// ParseValue reads a number between lo and hi.
func ParseValue(args []string, lo, hi float64) (float64, error) {
	if len(args) != 1 {
		return 0, SCPIError{-109, "Missing parameter"}
	}
	v, err := strconv.ParseFloat(args[0], 64)
	switch {
	case err != nil:
		return 0, SCPIError{-104, "Data type error"}
	case !(v >= lo && v <= hi):
		return 0, ErrRange
	}
	return v, nil
}

// ParseList reads a channel list: (@1,3:5).
func ParseList(args []string) (list []int, err error) {
	text, begun := strings.CutPrefix(strings.Join(args, ","), "(@")
	text, ended := strings.CutSuffix(text, ")")
	if !begun || !ended {
		return nil, ErrParam
	}
	for part := range strings.SplitSeq(text, ",") {
		from, to, ranged := strings.Cut(part, ":")
		a, err := strconv.Atoi(from)
		b := a
		if ranged && err == nil {
			b, err = strconv.Atoi(to)
		}
		if err != nil || b-a > 1000 {
			return nil, ErrParam
		}
		for ; a <= b; a++ {
			list = append(list, a)
		}
	}
	return list, nil
}

var errGone = errors.New("gone")

// Serve is the instrument's side of a connection, until that ends.
func (i *Instrument) Serve(c io.ReadWriteCloser) {
	defer c.Close()
	if i.Habits.Greeting != "" {
		_, _ = io.WriteString(c, i.Habits.Greeting+"\r\n")
	}
	var line []byte
	buf := make([]byte, 4096)
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		for _, b := range buf[:n] {
			if b != '\n' && b != '\r' {
				line = append(line, b)
				continue
			}
			if len(line) == 0 { // the second byte of an end
				continue
			}
			reply, err := i.message(string(line))
			line = line[:0]
			if err != nil {
				return
			}
			if len(reply) > 0 {
				if _, err := c.Write(reply); err != nil {
					return
				}
			}
		}
	}
}

// message carries out one program message and returns what goes back.
func (i *Instrument) message(text string) ([]byte, error) {
	if i.Before != nil {
		i.Before()
	}
	i.mu.Lock()
	h, fault := i.Habits, i.fault
	i.path, i.answers = nil, nil
	switch fault {
	case FaultGone:
		i.mu.Unlock()
		return nil, errGone
	case FaultSilent:
		i.mu.Unlock()
		return nil, nil
	}
	commands := false
	for n, unit := range units(text) {
		if n > 0 && h.Single {
			i.push(ErrHeader)
			break
		}
		commands = commands || !strings.Contains(unit, "?")
		i.unit(unit)
	}
	answers := i.answers
	i.mu.Unlock()

	end := h.ReplyEnd
	if end == "" {
		end = "\n"
	}
	var out string
	if h.Echo || fault == FaultEchoing {
		out += text + end
	}
	if commands && h.Busy > 0 {
		time.Sleep(h.Busy)
	}
	if len(answers) > 0 {
		time.Sleep(h.Delay)
		if fault == FaultSlow {
			time.Sleep(6 * time.Second)
		}
		joint := ";"
		if h.Apart {
			joint = end
		}
		reply := strings.Join(answers, joint) + end
		switch fault {
		case FaultGarbled:
			bad := []byte(reply)
			for k := range bad {
				bad[k] ^= 0x15 << (k % 2)
			}
			reply = string(bad)
		case FaultPartial:
			reply = reply[:(len(reply)+1)/2]
			reply = strings.TrimRight(reply, "\r\n")
		case FaultUnsolicited:
			reply = "DISPLAY 0.00" + end + reply
		}
		out += reply
	}
	if h.Prompt != "" {
		out += h.Prompt
	} else if fault == FaultPrompting {
		out += "> "
	}
	return []byte(out), nil
}

// units parts a program message at ';' outside strings.
func units(text string) (list []string) {
	quoted := false
	from := 0
	for k, c := range text {
		switch {
		case c == '"':
			quoted = !quoted
		case c == ';' && !quoted:
			list, from = append(list, text[from:k]), k+1
		}
	}
	return append(list, text[from:])
}

// push enters an error into the queue.
func (i *Instrument) push(e SCPIError) {
	switch {
	case len(i.queue) == 20:
		i.queue[19] = i.entry(SCPIError{-350, "Queue overflow"})
	default:
		i.queue = append(i.queue, i.entry(e))
	}
}

// entry writes an entry of the queue.
func (i *Instrument) entry(e SCPIError) string {
	switch i.Habits.ErrorText {
	case "bare":
		return fmt.Sprintf("%d,%s", e.Number, e.Text)
	case "number":
		return strconv.Itoa(e.Number)
	case "plus":
		return fmt.Sprintf("%+d,%q", e.Number, e.Text)
	}
	return fmt.Sprintf("%d,%q", e.Number, e.Text)
}

// unit carries out one program message unit.
func (i *Instrument) unit(text string) {
	text = strings.TrimSpace(text)
	if text == "" {
		return
	}
	i.heard = append(i.heard, text)
	header, rest, _ := strings.Cut(text, " ")
	var args []string
	if rest = strings.TrimSpace(rest); rest != "" {
		for a := range strings.SplitSeq(rest, ",") {
			args = append(args, strings.TrimSpace(a))
		}
	}
	nodes := strings.Split(strings.TrimPrefix(header, ":"), ":")
	if !strings.HasPrefix(header, ":") && !strings.HasPrefix(header, "*") {
		nodes = append(slices.Clone(i.path), nodes...)
	}
	if !strings.HasPrefix(header, "*") {
		i.path = nodes[:len(nodes)-1]
	}
	full := strings.Join(nodes, ":")
	if matches("SYSTem:ERRor[:NEXT]?", full) && i.Habits.ErrorText != "none" {
		entry := i.entry(SCPIError{0, "No error"})
		if len(i.queue) > 0 {
			entry, i.queue = i.queue[0], i.queue[1:]
		}
		i.answers = append(i.answers, entry)
		return
	}
	if i.fault == FaultStuck && !strings.HasSuffix(header, "?") {
		return
	}
	for pattern, do := range i.Headers {
		if !matches(pattern, full) {
			continue
		}
		answer, err := do(args)
		var e SCPIError
		switch {
		case errors.As(err, &e):
			i.push(e)
		case err != nil:
			i.push(SCPIError{-300, err.Error()})
		case answer != "":
			i.answers = append(i.answers, answer)
		}
		return
	}
	i.push(ErrHeader)
}

// matches says whether a header is one of those that a pattern stands for.
func matches(pattern, header string) bool {
	header, ask := strings.CutSuffix(strings.ToUpper(header), "?")
	pattern, asks := strings.CutSuffix(pattern, "?")
	if ask != asks {
		return false
	}
	type node struct {
		long, short string
		optional    bool
	}
	var nodes []node
	for part := range strings.SplitSeq(strings.ReplaceAll(pattern, "[:", ":["), ":") {
		name := strings.Trim(part, "[]")
		short := strings.Map(func(c rune) rune {
			if c >= 'a' && c <= 'z' {
				return -1
			}
			return c
		}, name)
		nodes = append(nodes, node{strings.ToUpper(name), short, strings.HasPrefix(part, "[")})
	}
	var fits func(have []string, want []node) bool
	fits = func(have []string, want []node) bool {
		if len(want) == 0 {
			return len(have) == 0
		}
		if len(have) > 0 && (have[0] == want[0].long || have[0] == want[0].short) && fits(have[1:], want[1:]) {
			return true
		}
		return want[0].optional && fits(have, want[1:])
	}
	return fits(strings.Split(header, ":"), nodes)
}
