package script

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"strings"
	"sync"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/reports"
)

const (
	maxNote     = 4000 // bytes
	maxNotes    = 200  // in one check
	maxReadings = 1000
	maxKept     = 50
	maxKeep     = 100_000 // numbers of a table that is kept
)

// pictureName is what a picture beside a plan may be called.
var pictureName = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[A-Za-z0-9_-]{1,60}\.(svg|png|jpg)$`)
})

// inCheck refuses what has no meaning while the plan is being read.
func (t *task) inCheck(L *lua.LState, what string) {
	if t.run.current == "" {
		t.raisef(L, "put it into the function of a check", "%s: outside a check", what)
	}
}

// record makes a call of the Recorder, with the lock held: one at a time. Its
// time is not the script's.
func (t *task) record(L *lua.LState, what string, f func(r Recorder) error) {
	t.checkpoint(L, nil)
	m := &t.run.budget
	m.pause()
	err := f(t.run.host.Recorder)
	m.resume()
	if err != nil {
		t.stop(L, &Stop{Kind: StopRecord, Text: fmt.Sprintf("%s: %v", what, err), Hint: hintOf(err), Err: err})
	}
}

// reading is reading(name, value, unit [, { bound=, uncertainty= }]): the
// verdict.
func reading(t *task, L *lua.LState) int {
	t.inCheck(L, "reading")
	name := t.name(L, "reading", L.Get(1))
	what := "reading " + name
	r := Reading{Check: t.run.current, Name: name}
	switch v := L.Get(2).(type) {
	case *lua.LNilType:
	case lua.LNumber:
		r.Value = reports.Number(float64(v))
	case lua.LBool:
		r.Value = reports.Bool(bool(v))
	case lua.LString:
		r.Value = reports.Text(t.text(L, what, v))
	default:
		return t.raisef(L, "take one field of it", "%s: the value is %s; it must be a number, true or false, a text "+
			"or nil", what, describe(v))
	}
	if u := L.Get(3); u != lua.LNil {
		if _, ok := u.(*lua.LTable); ok {
			return t.raisef(L, `reading("`+name+`", value, "A", { ... })`, "%s: the unit is missing before the options",
				what)
		}
		r.Unit = t.text(L, what+": the unit", u)
	} else if _, isNumber := r.Value.Number(); isNumber {
		return t.raisef(L, `"1" for a plain number`, "%s: a number needs a unit", what)
	}
	o := t.options(L, what, L.Get(4), "bound", "uncertainty")
	if r.Bound = o.text("bound"); r.Bound != "" && r.Bound != "more" && r.Bound != "less" {
		return t.raisef(L, `"more" (than the value) or "less"`, "%s: bound is %q", what, r.Bound)
	}
	r.Uncertainty = o.number("uncertainty", 0, math.MaxFloat64, 0)
	r.File, r.Line = t.where(L)
	if t.run.taken[name] {
		// Not for a script to catch: one of two values would go unjudged.
		return t.stop(L, &Stop{Kind: StopMisuse, Text: what + ": taken twice in check " + r.Check,
			Hint:  "give the second one its own name",
			Check: r.Check, Readings: []string{name}})
	}
	if len(t.run.taken) >= maxReadings {
		return t.raisef(L, "", "%s: more than %d readings in a check", what, maxReadings)
	}
	t.run.taken[name] = true
	var verdict reports.Verdict
	t.record(L, what, func(rec Recorder) (err error) { verdict, err = rec.Reading(r); return })
	L.Push(lua.LString(verdict))
	return 1
}

// note is note(text).
func note(t *task, L *lua.LState) int {
	t.inCheck(L, "note")
	return t.note(L, t.text(L, "note", L.Get(1)))
}

func (t *task) note(L *lua.LState, text string) int {
	if t.run.notes >= maxNotes {
		return t.raisef(L, "", "note: more than %d notes in a check", maxNotes)
	}
	t.run.notes++
	t.record(L, "note", func(rec Recorder) error { return rec.Note(t.run.current, text) })
	return 0
}

// print notes its arguments.
func print(t *task, L *lua.LState) int {
	t.inCheck(L, "print")
	var b strings.Builder
	for i := 1; i <= L.GetTop(); i++ {
		if i > 1 {
			b.WriteByte(' ')
		}
		b.WriteString(L.ToStringMeta(L.Get(i)).String())
		t.fitsText(L, "print", b.Len())
	}
	return t.note(L, clip(strings.ToValidUTF8(b.String(), "\uFFFD"), maxNote))
}

// keep is keep(name, capture [, { reference= }]).
func keep(t *task, L *lua.LState) int {
	t.inCheck(L, "keep")
	name := t.name(L, "keep", L.Get(1))
	var c any
	switch v := L.Get(2).(type) {
	case *lua.LUserData:
		if v.Metatable != t.run.meta.capture {
			return t.raisef(L, "", "keep %s: %s is not a capture", name, describe(v))
		}
		c = t.compared(L, "keep "+name, v.Value, L.Get(3))
	case *lua.LTable:
		if v.Len() > maxKeep {
			return t.raisef(L, "", "keep %s: %d numbers: at most %d", name, v.Len(), maxKeep)
		}
		list := make([]float64, v.Len())
		for i := range list {
			n, ok := v.RawGetInt(i + 1).(lua.LNumber)
			if !ok {
				return t.raisef(L, "", "keep %s: item %d is %s, not a number", name, i+1, describe(v.RawGetInt(i+1)))
			}
			list[i] = float64(n)
		}
		c = list
	default:
		return t.raisef(L, "", "keep %s: %s is not a capture", name, describe(v))
	}
	if t.run.kept >= maxKept {
		return t.raisef(L, "", "keep %s: more than %d captures in a check", name, maxKept)
	}
	t.run.kept++
	t.record(L, "keep "+name, func(rec Recorder) error { return rec.Keep(t.run.current, name, c) })
	return 0
}

// ask is ask{ text=, kind=, choices=, unit=, picture= }: the operator's answer.
func ask(t *task, L *lua.LState) int {
	t.inCheck(L, "ask")
	o := t.options(L, "ask", L.Get(1), "text", "kind", "choices", "unit", "picture")
	p := reports.Prompt{Check: t.run.current, Text: o.text("text"), Kind: o.text("kind"), Unit: o.text("unit"),
		Picture: o.text("picture")}
	if strings.TrimSpace(p.Text) == "" {
		return t.raisef(L, "", "ask: text is missing")
	}
	if p.Kind == "" {
		p.Kind = "confirm"
	}
	if v := o.get("choices"); v != lua.LNil {
		list, ok := v.(*lua.LTable)
		if !ok {
			return t.raisef(L, "", "ask: choices must be a list of texts, not %s", describe(v))
		}
		for i := 1; i <= min(list.Len(), 20); i++ {
			p.Choices = append(p.Choices, t.text(L, "ask: each of choices", list.RawGetInt(i)))
		}
	}
	switch p.Kind {
	case "confirm", "number", "text":
		if len(p.Choices) > 0 {
			return t.raisef(L, `kind = "choose"`, "ask: choices with kind %q", p.Kind)
		}
	case "choose":
		if len(p.Choices) < 2 {
			return t.raisef(L, `choices = { "...", "..." }`, "ask: kind choose needs choices, at least two")
		}
	default:
		return t.raisef(L, "confirm, choose, number or text", "ask: kind %q", p.Kind)
	}
	if p.Picture != "" && !pictureName().MatchString(p.Picture) {
		return t.raisef(L, `the name of a file beside the plan, like "led.svg"`,
			"ask: picture %q is not an svg, png or jpg file's name", p.Picture)
	}
	if t.run.host.Ask == nil {
		return t.raisef(L, "this bench runs without an operator", "ask: there is nobody to ask")
	}
	var answer reports.Value
	t.device(L, func(ctx context.Context) (err error) { answer, err = t.run.host.Ask(ctx, p); return })
	v := t.answer(p, answer)
	if v == lua.LNil {
		return t.raisef(L, "", "ask: %s is no answer to a question of kind %s", answer, p.Kind)
	}
	L.Push(v)
	return 1
}

// answer makes the answer a Lua value, nil where it is not of the kind asked.
func (t *task) answer(p reports.Prompt, a reports.Value) lua.LValue {
	switch p.Kind {
	case "confirm":
		if b, ok := a.Bool(); ok {
			return lua.LBool(b)
		}
	case "number":
		if f, ok := a.Number(); ok && !math.IsNaN(f) && !math.IsInf(f, 0) {
			return lua.LNumber(f)
		}
	case "text":
		if s, ok := a.Text(); ok {
			return lua.LString(s)
		}
	case "choose":
		s, _ := a.Text()
		for _, c := range p.Choices {
			if s == c {
				return lua.LString(s)
			}
		}
	}
	return lua.LNil
}
