package script

import (
	"errors"
	"math"
	"strconv"
	"strings"

	lua "github.com/yuin/gopher-lua"
	"github.com/yuin/gopher-lua/pm"
)

// The interpreter's matcher tries every way in which a pattern can be laid
// over a text and does not stop when told to. So the worst case is worked out
// beforehand and refused where it is too long.
const (
	maxPattern        = 256     // bytes of a pattern
	maxSubject        = 1 << 16 // bytes of text: the matcher calls itself once per byte
	maxPatternSteps   = 2e8     // at most 9 ns each, so less than two seconds
	patternLimitsHint = "match a shorter piece of the text, use fewer of * + - in the pattern, begin it with ^, or " +
		"use plain find"
)

// patternSteps bounds from above the steps of matching pattern against n bytes
// of text. Each repetition (* + -) ends somewhere at or after the end of the
// one before: k of them, and the start where it is free, can lie in
// C(n+k, k) ways. Each ? doubles that; %b and back references may look at all
// of the text each time; and between two of them the pattern is gone through at
// most once.
func patternSteps(pattern string, n int) float64 {
	repeats, doubles, scans := 0, 0, 0
	p := pattern
	if strings.HasPrefix(p, "^") {
		p = p[1:]
	} else {
		repeats++
	}
	for i := 0; i < len(p); i++ {
		switch p[i] {
		case '%':
			i++
			switch {
			case i < len(p) && p[i] == 'b':
				scans++
				i += 2 // the two brackets, whatever they are
			case i < len(p) && p[i] >= '1' && p[i] <= '9':
				scans++
			}
		case '[':
			i++
			if i < len(p) && p[i] == '^' {
				i++
			}
			for first := true; i < len(p) && (first || p[i] != ']'); i++ {
				if p[i] == '%' {
					i++
				}
				first = false
			}
		case '*', '+', '-':
			repeats++
		case '?':
			doubles++
		}
	}
	ways := 1.0
	for j := 1; j <= repeats; j++ {
		ways *= float64(n+j) / float64(j)
	}
	return ways * math.Pow(2, float64(doubles)) * (1 + float64(scans)*float64(n)) * float64(len(pattern)+1)
}

// matches finds up to limit matches (-1: all) from byte init.
func (t *task) matches(L *lua.LState, what, s, pattern string, init, limit int) []*pm.MatchData {
	n := len(s) - init
	switch {
	case len(pattern) > maxPattern:
		t.raisef(L, "", "%s: a pattern of %d bytes: at most %d", what, len(pattern), maxPattern)
	case n > maxSubject:
		t.raisef(L, patternLimitsHint, "%s: a text of %d bytes: at most %d for a pattern", what, n, maxSubject)
	case patternSteps(pattern, n) > maxPatternSteps:
		t.raisef(L, patternLimitsHint, "%s: the pattern %q could take too long on a text of %d bytes", what,
			clip(pattern, 60), n)
	}
	found, err := find(pattern, s, init, limit)
	if err != nil {
		t.raisef(L, "", "%s: the pattern %q: %v", what, clip(pattern, 60), err)
	}
	t.charge(n)
	if len(found) > 0 {
		t.charge(len(found) * (96 + 16*found[0].CaptureLength()))
	}
	return found
}

// find keeps the matcher's panics at malformed patterns from looking like a
// defect of the program.
func find(pattern, s string, init, limit int) (found []*pm.MatchData, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = errors.New("it is malformed")
		}
	}()
	return pm.Find(pattern, []byte(s), init, limit)
}

// from reads the optional argument that says where to begin, counted from 1,
// or from the end where negative.
func from(L *lua.LState, i int, s string) int {
	f := float64(L.OptNumber(i, 1))
	switch {
	case f > 0:
		f--
	case f < 0:
		f += float64(len(s))
	}
	if !(f > 0) {
		return 0
	}
	return int(math.Min(f, float64(len(s))))
}

// capture is capture i of m (0 first), the whole match where there is none.
func capture(m *pm.MatchData, s string, i int) lua.LValue {
	at := 2 * (i + 1)
	if at >= m.CaptureLength() {
		at = 0
	}
	if m.IsPosCapture(at) {
		return lua.LNumber(m.Capture(at))
	}
	return lua.LString(s[m.Capture(at):m.Capture(at+1)])
}

func captures(m *pm.MatchData) int { return max(m.CaptureLength()/2-1, 1) }

func stringFind(t *task, L *lua.LState) int {
	s, pattern := L.CheckString(1), L.CheckString(2)
	init := from(L, 3, s)
	if lua.LVAsBool(L.Get(4)) || !strings.ContainsAny(pattern, "^$*+?.([%-") {
		at := strings.Index(s[init:], pattern)
		if at < 0 {
			L.Push(lua.LNil)
			return 1
		}
		L.Push(lua.LNumber(init + at + 1))
		L.Push(lua.LNumber(init + at + len(pattern)))
		return 2
	}
	found := t.matches(L, "string.find", s, pattern, init, 1)
	if len(found) == 0 {
		L.Push(lua.LNil)
		return 1
	}
	m := found[0]
	L.Push(lua.LNumber(m.Capture(0) + 1))
	L.Push(lua.LNumber(m.Capture(1)))
	n := m.CaptureLength()/2 - 1
	for i := range n {
		L.Push(capture(m, s, i))
	}
	return 2 + n
}

func stringMatch(t *task, L *lua.LState) int {
	s, pattern := L.CheckString(1), L.CheckString(2)
	found := t.matches(L, "string.match", s, pattern, from(L, 3, s), 1)
	if len(found) == 0 {
		L.Push(lua.LNil)
		return 1
	}
	for i := range captures(found[0]) {
		L.Push(capture(found[0], s, i))
	}
	return captures(found[0])
}

func stringGmatch(t *task, L *lua.LState) int {
	s := L.CheckString(1)
	found := t.matches(L, "string.gmatch", s, L.CheckString(2), 0, -1)
	L.Push(L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		if len(found) == 0 {
			L.Push(lua.LNil)
			return 1
		}
		m := found[0]
		found = found[1:]
		for i := range captures(m) {
			L.Push(capture(m, s, i))
		}
		return captures(m)
	})))
	return 1
}

func stringGsub(t *task, L *lua.LState) int {
	s, pattern, with := L.CheckString(1), L.CheckString(2), L.Get(3)
	limit := -1
	if L.GetTop() >= 4 && L.Get(4) != lua.LNil {
		if limit = L.CheckInt(4); limit <= 0 {
			L.Push(lua.LString(s))
			L.Push(lua.LNumber(0))
			return 2
		}
	}
	found := t.matches(L, "string.gsub", s, pattern, 0, limit)
	var b strings.Builder
	last := 0
	for _, m := range found {
		b.WriteString(s[last:m.Capture(0)])
		last = m.Capture(1)
		whole := s[m.Capture(0):last]
		var v lua.LValue
		switch x := with.(type) {
		case lua.LString:
			v = lua.LString(t.expand(L, string(x), s, whole, m))
		case lua.LNumber:
			v = lua.LString(x.String())
		case *lua.LTable:
			v = L.GetTable(x, capture(m, s, 0))
		case *lua.LFunction:
			L.Push(x)
			for i := range captures(m) {
				L.Push(capture(m, s, i))
			}
			L.Call(captures(m), 1)
			v = L.Get(-1)
			L.Pop(1)
		default:
			return t.raisef(L, "", "string.gsub: the replacement is %s: it must be a text, a table or a function",
				describe(with))
		}
		switch {
		case lua.LVIsFalse(v):
			b.WriteString(whole)
		case lua.LVCanConvToString(v):
			b.WriteString(v.String())
		default:
			return t.raisef(L, "", "string.gsub: replacement by %s", describe(v))
		}
		t.fitsText(L, "string.gsub", b.Len())
	}
	b.WriteString(s[last:])
	t.push(L, "string.gsub", b.String())
	L.Push(lua.LNumber(len(found)))
	return 2
}

// expand puts captures into a replacement: %1 to %9, %0 the whole match.
func (t *task) expand(L *lua.LState, with, s, whole string, m *pm.MatchData) string {
	if !strings.Contains(with, "%") {
		return with
	}
	var b strings.Builder
	for i := 0; i < len(with); i++ {
		if with[i] != '%' || i+1 == len(with) {
			b.WriteByte(with[i])
			continue
		}
		i++
		switch c := with[i]; {
		case c == '0':
			b.WriteString(whole)
		case c >= '1' && c <= '9':
			n, _ := strconv.Atoi(string(c))
			if n > captures(m) {
				t.raisef(L, "", "string.gsub: there is no capture %%%d", n)
			}
			b.WriteString(capture(m, s, n-1).String())
		default:
			b.WriteByte(c)
		}
		t.fitsText(L, "string.gsub", b.Len())
	}
	return b.String()
}
