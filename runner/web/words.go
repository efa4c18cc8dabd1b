package web

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/wording"
)

// phrase is a message with its values, to be said in a language later.
type phrase struct {
	id   string
	args []any
}

// planText is a value of a phrase that the product's texts translate.
type planText string

func say(id string, args ...any) phrase { return phrase{id, args} }

// say is the phrase in a language; the zero phrase says nothing.
func (s *Server) say(t *wording.Translator, p phrase) string {
	if p.id == "" {
		return ""
	}
	args := slices.Clone(p.args)
	for i, a := range args {
		if text, ok := a.(planText); ok {
			args[i] = s.text(t, string(text))
		}
	}
	return t.T(p.id, args...)
}

// text is a sentence of the product in a language.
func (s *Server) text(t *wording.Translator, sentence string) string {
	return s.c.Texts[t.Lang].T(sentence)
}

// aboutUnit is what there is to say of the unit beside its serial number.
func (s *Server) aboutUnit(t *wording.Translator, start reports.Start) string {
	var parts []string
	if start.Unit.Golden {
		parts = append(parts, t.T("operator.unit.golden"))
	}
	if start.Attempt > 1 {
		parts = append(parts, t.T("operator.unit.retest", "number", start.Attempt-1))
	}
	if start.Unit.Lot != "" {
		parts = append(parts, t.T("operator.unit.lot", "lot", start.Unit.Lot))
	}
	return strings.Join(parts, " · ")
}

func (s *Server) checkJSON(t *wording.Translator, c checkView) checkJSON {
	about := s.text(t, c.about)
	if about == "" {
		about = c.name
	}
	return checkJSON{c.name, about, c.part, c.state, t.T("operator.check." + c.state)}
}

// part is what people call a part of the handset.
func (s *Server) part(t *wording.Translator, part string) string {
	if part == "" {
		return ""
	}
	if s.c.Drawing != nil {
		if p, ok := s.c.Drawing.Part(part); ok {
			return s.text(t, p.Title)
		}
	}
	return strings.ReplaceAll(part, "-", " ")
}

// holdJSON says what a hand has to do before the run can begin.
func (s *Server) holdJSON(t *wording.Translator, nest, why string, j job, before *runView) *holdJSON {
	serial := j.unit.SerialNumber
	h := &holdJSON{Why: why, Serial: serial, Text: t.T("operator.hold."+why, "nest", nest, "serial", serial),
		Detail: t.T("operator.hold.start")}
	if why == heldLoad && before != nil {
		h.Text = t.T("operator.hold.change", "nest", nest, "serial", serial, "before", before.start.Unit.SerialNumber)
	}
	return h
}

// promptJSON is an open question.
func (s *Server) promptJSON(t *wording.Translator, p promptView) *promptJSON {
	j := &promptJSON{ID: p.ID, Kind: p.Kind, Text: s.text(t, p.Text), Unit: p.Unit}
	switch p.Kind {
	case "confirm":
		j.How = t.T("operator.prompt.confirm")
		j.Choices = []choiceJSON{{true, t.T("operator.prompt.yes")}, {false, t.T("operator.prompt.no")}}
	case "choose":
		j.How = t.T("operator.prompt.choose")
		for _, c := range p.Choices {
			j.Choices = append(j.Choices, choiceJSON{c, s.text(t, c)})
		}
	case "number":
		j.How = t.T("operator.prompt.number")
	default:
		j.How = t.T("operator.prompt.text")
	}
	if p.Picture != "" && s.c.Pictures != nil {
		j.Picture = "/picture/" + url.PathEscape(p.Picture)
	}
	return j
}

// shownReadings is how many broken readings an end lists: more do not help
// whoever stands at the fixture, and the report has them all.
const shownReadings = 3

// endJSON says how a run ended and what to do now. A fault of the bench and a
// stop are never said in the words of a failed unit.
func (s *Server) endJSON(t *wording.Translator, v *runView) endJSON {
	serial := v.start.Unit.SerialNumber
	e := endJSON{Step: v.next, Next: t.T("operator.next."+string(v.next), "nest", v.start.Nest)}
	e.Unsafe, e.NotSafe = s.notSafe(t, v.unsafe)
	switch v.outcome {
	case reports.Passed:
		e.Kind, e.Title, e.Text = "passed", t.T("operator.end.passed"), t.T("operator.end.passed_text")
	case reports.Failed:
		e.Kind, e.Title = "failed", t.T("operator.end.failed")
		s.failure(t, v, &e)
	case reports.Aborted:
		e.Kind, e.Title = "aborted", t.T("operator.end.aborted")
		var code reports.Code
		if v.reason != nil {
			code = v.reason.Code
		}
		switch {
		case v.reason.CutShort():
			e.Kind, e.Text = "cut", t.T("operator.end.cut", "serial", serial)
		case code == reports.GuardOpen, code == reports.GuardOpened:
			e.Kind, e.Title, e.Text = "guard", t.T("operator.end.guard"), t.T("operator.end.guard_text")
		case code == reports.StoppedByHand:
			e.Text = t.T("operator.end.stopped")
		case code == reports.StoppedByStation, code == reports.StoppedBySignal:
			e.Text = t.T("operator.end.station")
		default:
			e.Text, e.Detail = t.T("operator.end.stopped_else"), t.Reason(v.reason)
		}
	default:
		e.Kind, e.Title = "bench", t.T("operator.end.bench")
		e.Text, e.Detail = s.benchFault(t, v)
		if v.planFault() {
			e.Title = t.T("operator.end.plan")
		}
	}
	if v.outcome != reports.Errored && len(v.faults) > 0 {
		text, detail := s.benchFault(t, v)
		if e.Unsafe == "" { // which says all that a hand can do
			e.Bench = t.T("operator.end.needs", "text", text)
		}
		if e.Detail != "" {
			detail = e.Detail + "; " + detail
		}
		e.Detail = detail
	}
	e.Short = t.T("operator.short." + e.Kind)
	if v.planFault() {
		e.Short = t.T("operator.short.plan")
	}
	if v.outcome != reports.Passed && v.outcome != reports.Failed {
		e.Unknown = t.T("operator.end.unknown")
		if len(v.broken) > 0 && v.cutShort {
			e.Unknown = t.T("operator.end.cut_short")
		}
	}
	if e.Bench == "" && len(v.clock) > 0 && e.Unsafe == "" {
		e.Bench = t.T("operator.end.needs", "text", t.T("operator.end.clock", "text",
			wording.Capital(t.Reason(&v.clock[len(v.clock)-1]))))
	}
	if v.outcome == reports.Aborted && v.next == stepAgain {
		e.Next = t.T("operator.next.scan")
		if e.Kind == "guard" {
			e.Next = t.T("operator.next.close")
		}
	}
	return e
}

// shownDevices is how many devices that are not safe are named.
const shownDevices = 4

// notSafe says what devices that are not safe may still do and what to do now,
// by what they drive, and which they are; nothing where all are safe.
func (s *Server) notSafe(t *wording.Translator, list []reports.Unsafe) (warning, who string) {
	if len(list) == 0 {
		return "", ""
	}
	var names []string
	for _, g := range reports.GroupUnsafe(list) {
		for _, role := range g.Devices {
			names = append(names, s.device(t, role))
		}
	}
	if more := len(names) - shownDevices; more > 0 {
		names = append(names[:shownDevices], t.T("operator.end.more", "count", more))
	}
	return t.UnsafeWarning(list), t.T("operator.unsafe.who", "devices",
		strings.Join(names, t.T("operator.unsafe.comma")))
}

// planFault tells whether the plan is what ended the run: it will end the next
// one in the same way.
func (v *runView) planFault() bool {
	return v.outcome == reports.Errored && len(v.faults) > 0 && v.faults[0].Reason.OfPlan()
}

// benchFault says what is wrong with the bench: in plain words first, and as
// the bench itself said it for the engineer.
func (s *Server) benchFault(t *wording.Translator, v *runView) (text, detail string) {
	if v.failure != "" {
		return t.T("operator.fault.record"), v.failure
	}
	if len(v.faults) > 0 {
		r := v.faults[0].Reason // the others mostly follow from it
		if detail = t.Reason(&r); t.Hint(&r) != "" {
			detail += " (" + t.Hint(&r) + ")"
		}
		for r.Device == "" && len(r.Because) > 0 {
			r = r.Because[0]
		}
		id := "operator.fault." + strings.ReplaceAll(r.Kind, " ", "_")
		switch {
		case r.Code == reports.ClockBehind, r.Code == reports.ClockBeyond:
			id = "operator.fault.clock"
		case r.Code == reports.Unrecorded:
			id = "operator.fault.record"
		case r.OfPlan():
			id = "operator.fault.plan"
		case r.Device == "" || !t.Has(id):
			id = "operator.fault.unknown"
		}
		return t.T(id, "device", s.device(t, r.Device)), detail
	}
	for _, c := range v.checks {
		if c.state == checkFault && c.problem != nil {
			return t.T("operator.fault.check", "about", s.checkJSON(t, c).About), t.Reason(c.problem)
		}
	}
	return t.T("operator.fault.unknown"), t.Reason(v.reason)
}

// device is what people call a device; roles are the bench file's own words.
func (s *Server) device(t *wording.Translator, role string) string {
	id := "operator.device." + strings.ReplaceAll(role, " ", "_")
	if simple(role) && t.Has(id) {
		return t.T(id)
	}
	return role
}

// simple reports whether a name may be looked up among the messages.
func simple(name string) bool {
	for _, r := range name {
		if !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '_' || r == '-' || r == ' ') {
			return false
		}
	}
	return name != "" && len(name) <= 40
}

// failure says where a unit failed, why that may be, and what was measured.
func (s *Server) failure(t *wording.Translator, v *runView, e *endJSON) {
	var failed []checkView
	for _, c := range v.checks {
		if c.state == checkBroken || c.state == checkDoubt {
			failed = append(failed, c)
		}
	}
	if len(failed) > 0 {
		e.Part, e.Text = failed[0].part, s.checkJSON(t, failed[0]).About
	}
	for i, c := range v.causes {
		if i == 3 {
			break
		}
		if i == 0 && c.Part != "" {
			e.Part = c.Part
			for _, f := range failed {
				if cause := v.explained(f.name); cause != nil && cause.Rule == c.Rule {
					e.Text = s.checkJSON(t, f).About
					break
				}
			}
		}
		e.Causes = append(e.Causes, causeJSON{Text: s.text(t, c.Cause), Where: s.text(t, c.Where),
			Likely: t.Likelihood(c), Inspect: s.text(t, c.Inspect)})
	}
	if len(e.Causes) == 0 {
		for _, r := range v.broken {
			if r.Cause != "" || r.Inspect != "" {
				e.Causes = append(e.Causes, causeJSON{Text: s.text(t, r.Cause), Inspect: s.text(t, r.Inspect)})
				break
			}
		}
	}
	e.Where = s.part(t, e.Part)
	if len(v.causes) > 0 && v.causes[0].Where != "" {
		e.Where = s.text(t, v.causes[0].Where)
	}
	for i, r := range v.broken {
		if i < shownReadings {
			e.Readings = append(e.Readings, *s.readingJSON(t, &r))
		}
		e.Broken = append(e.Broken, r.Check+"."+r.Name)
	}
	if n := len(v.broken) - shownReadings; n > 0 {
		e.More = t.T("operator.end.more", "count", n)
	}
}

// readingJSON is a reading with the limit that it missed.
func (s *Server) readingJSON(t *wording.Translator, r *reports.Reading) *readingJSON {
	if r == nil {
		return nil
	}
	j := &readingJSON{Name: r.Check + "." + r.Name, Value: t.Value(*r), Verdict: r.Verdict}
	l := r.Limit
	if l == nil || !breaks(r.Verdict) {
		return j
	}
	x, number := r.Value.Number()
	switch {
	case r.Verdict == reports.Error:
		j.Limit = t.T("operator.reading.missing")
	case number && l.Upper != nil && x > *l.Upper:
		j.Limit = t.T("operator.reading.above", "limit", t.Quantity(*l.Upper, r.Unit))
	case number && l.Lower != nil && x < *l.Lower:
		j.Limit = t.T("operator.reading.below", "limit", t.Quantity(*l.Lower, r.Unit))
	case number && (l.Lower != nil || l.Upper != nil):
		j.Limit = t.T("operator.reading.near")
	case l.Equal != nil:
		j.Limit = t.T("operator.reading.must", "value", t.One(*l.Equal, r.Unit))
	case len(l.OneOf) > 0:
		var list []string
		for _, v := range l.OneOf {
			list = append(list, t.One(v, r.Unit))
		}
		j.Limit = t.T("operator.reading.must", "value", strings.Join(list, ", "))
	}
	return j
}

// readingLine is a reading in one line.
func (s *Server) readingLine(t *wording.Translator, r reports.Reading) string {
	j := s.readingJSON(t, &r)
	return strings.TrimSpace(j.Name + " " + j.Value + " " + j.Limit)
}

// notice is an immediate word to whoever scanned; it goes away by itself.
type notice struct {
	id           int64
	level, code  string
	text, detail phrase
}

// noticeTime is how long a notice stays; good news needs less.
const noticeTime, doneTime = 20 * time.Second, 6 * time.Second

// setNotice puts a notice on every page; nil takes it away. s.mu is held.
func (s *Server) setNotice(n *notice) {
	if s.timer != nil {
		s.timer.Stop()
		s.timer = nil
	}
	if n == nil && s.notice == nil {
		return
	}
	if s.notice = n; n != nil {
		s.number++
		n.id = s.number
		stays := noticeTime
		if n.level == "done" {
			stays = doneTime
		}
		if s.stays > 0 {
			stays = s.stays
		}
		s.timer = time.AfterFunc(stays, func() {
			s.mu.Lock()
			defer s.mu.Unlock()
			if s.notice == n {
				s.notice = nil
				s.tellStation()
			}
		})
	}
	s.tellStation()
}
