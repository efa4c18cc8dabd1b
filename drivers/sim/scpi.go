package sim

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// scpi is an instrument's command interpreter (IEEE 488.2, SCPI-1999): long
// and short forms, optional nodes, compound messages, an error queue.
type scpi struct {
	queue
	identity string
	delay    time.Duration // from a message to its answer
	commands []*command
	reset    func(t time.Duration)
	stuck    bool

	input  []byte
	over   bool // input was too long; skip to the end of the line
	errors []int
	events byte // standard event status register
	found  map[string]*command
}

// command is a row of an instrument's table. The pattern has the short form in
// capitals and optional nodes in brackets: "[SOURce:]VOLTage[:LEVel]".
type command struct {
	pattern string
	nodes   []node
	set     func(t time.Duration, args []string) int
	query   func(t time.Duration, args []string) (answer, int)
}

type node struct {
	short, long string
	optional    bool
}

// answer is the reply to a query: text at once, or make when it is read, at or
// after due.
type answer struct {
	text string
	due  time.Duration
	make func() []byte
}

func text(s string) (answer, int) { return answer{text: s}, 0 }

// maxErrors is the length of the error queue; maxLine that of a message.
const (
	maxErrors = 16
	maxLine   = 4096
)

// errorText are the texts of SCPI-1999 volume 2, 21.8, that are used here.
var errorText = map[int]string{
	0:    "No error",
	-101: "Invalid character",
	-102: "Syntax error",
	-103: "Invalid separator",
	-104: "Data type error",
	-108: "Parameter not allowed",
	-109: "Missing parameter",
	-110: "Command header error",
	-113: "Undefined header",
	-131: "Invalid suffix",
	-213: "Init ignored",
	-222: "Data out of range",
	-224: "Illegal parameter value",
	-230: "Data corrupt or stale",
	-350: "Queue overflow",
	-363: "Input buffer overrun",
}

// kindCapture marks replies that ABORt takes back.
const kindCapture = 1

func newSCPI(identity string, delay time.Duration, reset func(time.Duration), commands ...*command) *scpi {
	s := &scpi{identity: identity, delay: delay, reset: reset, found: map[string]*command{}}
	s.commands = append(commands,
		&command{pattern: "SYSTem:ERRor[:NEXT]", query: func(time.Duration, []string) (answer, int) {
			code := s.pop()
			if code == 0 { // asked after every message
				return text(`0,"No error"`)
			}
			return text(fmt.Sprintf("%d,%q", code, errorText[code]))
		}},
		&command{pattern: "SYSTem:ERRor:COUNt", query: func(time.Duration, []string) (answer, int) {
			return text(strconv.Itoa(len(s.errors)))
		}},
		&command{pattern: "SYSTem:VERSion", query: func(time.Duration, []string) (answer,
			int) {
			return text("1999.0")
		}},
		&command{pattern: "*IDN", query: func(time.Duration, []string) (answer, int) { return text(s.identity) }},
		&command{pattern: "*RST", set: func(t time.Duration, _ []string) int { s.reset(t); return 0 }},
		&command{pattern: "*CLS", set: func(time.Duration, []string) int {
			s.errors, s.events = s.errors[:0],
				0
			return 0
		}},
		&command{pattern: "*OPC", set: func(time.Duration, []string) int { s.events |= 1; return 0 },
			query: func(time.Duration, []string) (answer, int) { return text("1") }},
		&command{pattern: "*WAI", set: func(time.Duration, []string) int { return 0 }},
		&command{pattern: "*ESR", query: func(time.Duration, []string) (answer, int) {
			e := s.events
			s.events = 0
			return text(strconv.Itoa(int(e)))
		}},
		&command{pattern: "*STB", query: func(time.Duration, []string) (answer, int) {
			status := 0
			if len(s.errors) > 0 {
				status |= 1 << 2
			}
			return text(strconv.Itoa(status))
		}},
	)
	for _, c := range s.commands {
		c.nodes = compile(c.pattern)
	}
	return s
}

// compile reads a pattern.
func compile(pattern string) []node {
	var nodes []node
	optional := false
	for pattern != "" {
		end := strings.IndexAny(pattern[1:], ":[]")
		word := pattern
		if end >= 0 {
			word = pattern[:end+1]
		}
		pattern = pattern[len(word):]
		switch word[0] {
		case '[':
			optional = true
		case ']':
			optional = false
		}
		word = strings.Trim(word, ":[]")
		if word == "" {
			continue
		}
		short := strings.TrimRight(word, "abcdefghijklmnopqrstuvwxyz")
		nodes = append(nodes, node{short, strings.ToUpper(word), optional})
	}
	return nodes
}

// matches says whether the words of a header, in capitals, name the nodes.
func matches(nodes []node, words []string) bool {
	if len(nodes) == 0 {
		return len(words) == 0
	}
	if len(words) > 0 && (words[0] == nodes[0].short || words[0] == nodes[0].long) && matches(nodes[1:], words[1:]) {
		return true
	}
	return nodes[0].optional && matches(nodes[1:], words)
}

// fail puts an error into the queue; when it is full the last entry becomes a
// queue overflow and the oldest stay.
func (s *scpi) fail(code int) {
	switch {
	case code <= -400:
		s.events |= 1 << 2
	case code <= -300:
		s.events |= 1 << 3
	case code <= -200:
		s.events |= 1 << 4
	default:
		s.events |= 1 << 5
	}
	if len(s.errors) == maxErrors {
		s.errors[maxErrors-1] = -350
		return
	}
	s.errors = append(s.errors, code)
}

func (s *scpi) pop() int {
	if len(s.errors) == 0 {
		return 0
	}
	code := s.errors[0]
	s.errors = append(s.errors[:0], s.errors[1:]...)
	return code
}

func (s *scpi) setStuck(stuck bool) { s.stuck = stuck }

// receive collects a program message up to its newline and carries it out.
func (s *scpi) receive(t time.Duration, p []byte) {
	for _, c := range p {
		switch {
		case c == '\n':
			if s.over {
				s.fail(-363)
			} else {
				s.message(t, string(s.input))
			}
			s.input, s.over = s.input[:0], false
		case len(s.input) == maxLine:
			s.over = true
		default:
			s.input = append(s.input, c)
		}
	}
}

// message carries out the commands of one message. Their answers make one
// response, parted by semicolons.
func (s *scpi) message(t time.Duration, line string) {
	var parts []answer
	path := ""
	for _, unit := range split(line, ';') {
		unit = strings.TrimSpace(unit)
		if unit == "" {
			continue
		}
		a, ok, code := s.unit(t, unit, &path)
		if code != 0 {
			s.fail(code)
		} else if ok {
			parts = append(parts, a)
		}
	}
	if len(parts) == 0 {
		return
	}
	r := reply{due: t + s.delay}
	lazy := false
	for _, a := range parts {
		r.due = max(r.due, a.due)
		lazy = lazy || a.make != nil
	}
	build := func() []byte {
		var out []byte
		for i, a := range parts {
			if i > 0 {
				out = append(out, ';')
			}
			switch {
			case a.make != nil && out == nil:
				out = a.make() // a capture: not copied
			case a.make != nil:
				out = append(out, a.make()...)
			default:
				out = append(out, a.text...)
			}
		}
		return append(out, '\n')
	}
	if lazy {
		r.kind, r.make = kindCapture, build
	} else {
		r.data = build()
	}
	s.add(r)
}

// unit carries out one command; path is where a header without a leading colon
// begins.
func (s *scpi) unit(t time.Duration, unit string, path *string) (a answer, ok bool, code int) {
	header, rest := unit, ""
	if i := strings.IndexAny(unit, " \t\r"); i >= 0 {
		header, rest = unit[:i], strings.TrimSpace(unit[i:])
	}
	query := strings.HasSuffix(header, "?")
	header = strings.ToUpper(strings.TrimSuffix(header, "?"))
	for i := range len(header) {
		c := header[i]
		if !(c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == ':' || c == '_' || c == '*' && i == 0) {
			return a, false, -101
		}
	}
	if !strings.HasPrefix(header, "*") {
		if strings.HasPrefix(header, ":") {
			header = header[1:]
		} else {
			header = *path + header
		}
		if header == "" || strings.Contains(header, "::") || strings.HasSuffix(header, ":") {
			return a, false, -110
		}
		*path = header[:strings.LastIndexByte(header, ':')+1]
	}
	c := s.find(header)
	if c == nil || query && c.query == nil || !query && c.set == nil {
		return a, false, -113
	}
	var args []string
	if rest != "" {
		args = split(rest, ',')
		for i := range args {
			if args[i] = strings.TrimSpace(args[i]); args[i] == "" {
				return a, false, -109
			}
		}
	}
	if query {
		a, code = c.query(t, args)
		return a, true, code
	}
	if s.stuck && !strings.HasPrefix(header, "*") {
		return a, false, 0
	}
	return a, false, c.set(t, args)
}

func (s *scpi) find(header string) *command {
	if c := s.found[header]; c != nil {
		return c
	}
	words := strings.Split(header, ":")
	for _, c := range s.commands {
		if matches(c.nodes, words) {
			s.found[header] = c // at most the spellings of the table
			return c
		}
	}
	return nil
}

// split cuts at sep outside quotes and brackets.
func split(s string, sep byte) []string {
	var parts []string
	start, depth, quote := 0, 0, byte(0)
	for i := range len(s) {
		c := s[i]
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '(':
			depth++
		case c == ')':
			depth--
		case c == sep && depth <= 0:
			parts = append(parts, s[start:i])
			start = i + 1
		}
	}
	return append(parts, s[start:])
}

// number reads the one parameter of a setting: a decimal number with the unit
// or without, or MINimum or MAXimum, between lo and hi.
func number(args []string, unit string, lo, hi float64) (float64, int) {
	if code := count(args, 1); code != 0 {
		return 0, code
	}
	word := strings.ToUpper(args[0])
	switch word {
	case "MIN", "MINIMUM":
		return lo, 0
	case "MAX", "MAXIMUM":
		return hi, 0
	}
	end := len(strings.TrimRight(word, "ABCDEFGHIJKLMNOPQRSTUVWXYZ%"))
	v, err := strconv.ParseFloat(strings.TrimSpace(word[:end]), 64)
	if math.IsInf(v, 0) {
		return 0, -222
	}
	if err != nil || strings.ContainsAny(word[:end], "_X") {
		return 0, -104
	}
	if suffix := word[end:]; suffix != "" {
		scale, ok := map[string]float64{"": 1, "M": 1e-3, "U": 1e-6, "N": 1e-9, "K": 1e3}[strings.TrimSuffix(suffix,
			unit)]
		if !ok || !strings.HasSuffix(suffix, unit) || unit == "" {
			return 0, -131
		}
		v *= scale
	}
	if !(v >= lo && v <= hi) {
		return 0, -222
	}
	return v, 0
}

// count checks the number of parameters.
func count(args []string, want int) int {
	switch {
	case len(args) < want:
		return -109
	case len(args) > want:
		return -108
	}
	return 0
}

// boolean reads ON, OFF, or a number.
func boolean(args []string) (bool, int) {
	if code := count(args, 1); code != 0 {
		return false, code
	}
	switch strings.ToUpper(args[0]) {
	case "ON", "1":
		return true, 0
	case "OFF", "0":
		return false, 0
	}
	return false, -224
}

// list reads a channel list, "(@1,3:5)", of channels 1 to highest.
func list(args []string, highest int) ([]int, int) {
	if code := count(args, 1); code != 0 {
		return nil, code
	}
	inner, ok := strings.CutPrefix(args[0], "(@")
	if !ok || !strings.HasSuffix(inner, ")") {
		return nil, -104
	}
	var chans []int
	for part := range strings.SplitSeq(strings.TrimSuffix(inner, ")"), ",") {
		first, last, span := strings.Cut(strings.TrimSpace(part), ":")
		a, err := strconv.Atoi(first)
		b := a
		if err == nil && span {
			b, err = strconv.Atoi(last)
		}
		if err != nil {
			return nil, -104
		}
		if a < 1 || a > highest || b < 1 || b > highest {
			return nil, -222
		}
		for ; a < b; a++ {
			chans = append(chans, a)
		}
		for ; a > b; a-- {
			chans = append(chans, a)
		}
		chans = append(chans, b)
	}
	return chans, 0
}

// flag is "1" or "0".
func flag(on bool) string {
	if on {
		return "1"
	}
	return "0"
}

// decimal is a number as instruments print it.
func decimal(v float64) (answer, int) { return text(strconv.FormatFloat(v, 'E', 6, 64)) }
