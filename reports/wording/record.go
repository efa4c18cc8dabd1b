package wording

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"fullthrow/reports"
)

// English speaks English to a terminal or a log: with plain blanks and hyphens,
// which every terminal shows and every search finds.
var English = sync.OnceValue(func() *Translator {
	b, err := builtIn()
	if err != nil {
		panic(err) // the words are built in, and a test reads them
	}
	t := *b.Translator("en")
	t.space, t.minus, t.percent, t.group = " ", "-", " ", ""
	return &t
})

// Reason says why something is as it is; nil says nothing. It begins with a
// small letter and has no full stop, to stand behind what it explains.
func (t *Translator) Reason(r *reports.Reason) string {
	if r == nil {
		return ""
	}
	s := t.reason(r)
	if len(r.Because) > 0 {
		s = t.T("record.because", "what", s, "why", t.reasons(r.Because))
	}
	if r.File != "" {
		place := r.File
		if r.Line > 0 {
			place += ":" + strconv.Itoa(r.Line)
		}
		s = t.T("record.at", "place", place, "what", s)
	}
	return s
}

func (t *Translator) reason(r *reports.Reason) string {
	id := "record.reason." + string(r.Code)
	switch r.Code {
	case reports.DeviceFailed:
		return t.device(r.Device, r.Verb, r.Kind, r.Text)
	case reports.Missed:
		if e := r.Evidence; e != nil {
			rd := reports.Reading{Bound: e.Bound, Unit: e.Unit, Limit: e.Limit, Verdict: reports.Fail}
			if e.Value != nil {
				rd.Value = *e.Value
			}
			return e.Reading + " " + t.Miss(rd)
		}
	case reports.StoppedByHand:
		if r.Text != "" {
			id = "record.reason.stopped_by_named"
		}
	case reports.UnknownUnit:
		if r.Text != "" {
			id = "record.reason.unknown_unit_near"
		}
	}
	if !t.Has(id) {
		return string(r.Code) // of a version to come: better than nothing
	}
	kind := r.Kind
	if sort := "record.sort." + word(kind); r.Code == reports.OtherKind && t.Has(sort) {
		kind = t.T(sort)
	}
	return t.T(id, "nest", r.Nest, "check", r.Check, "readings", t.list(r.Readings), "text", r.Text, "unit", r.Unit,
		"limit_unit", r.LimitUnit, "kind", kind, "time", t.Quantity(r.Seconds, "s"), "size", t.mebibytes(r.Size),
		"count", r.Count, "by", t.Span(r.Seconds), "clock", t.When(r.Time), "newest", t.When(r.Newest))
}

// reasons joins reasons; devices that failed alike are told together.
func (t *Translator) reasons(list []reports.Reason) string {
	var parts []string
	told := make([]bool, len(list))
	for i, r := range list {
		if told[i] {
			continue
		}
		if r.Code == reports.DeviceFailed {
			who := []string{r.Device}
			for j := i + 1; j < len(list); j++ {
				o := list[j]
				if o.Code == r.Code && o.Verb == r.Verb && o.Kind == r.Kind && o.Text == r.Text {
					who, told[j] = append(who, o.Device), true
				}
			}
			r.Device = strings.Join(who, ", ")
		}
		parts = append(parts, t.Reason(&r))
	}
	return strings.Join(parts, t.T("record.and"))
}

// device says what a device did not do. Its name, what it was asked for and its
// driver's words are the bench's own.
func (t *Translator) device(name, verb, kind, text string) string {
	id := word(kind)
	if !t.Has("record.device." + id) {
		id = "fault"
	}
	if text == "" {
		if text = t.T("record.kind." + id); verb == "" {
			return strings.TrimPrefix(t.T("record.at", "place", name, "what", text), ": ")
		}
	}
	if verb != "" {
		text = verb + ": " + text
	}
	return strings.TrimPrefix(t.T("record.device."+id, "device", name, "detail", text), ": ")
}

// Hint says what to do about a reason, "" where nobody knows.
func (t *Translator) Hint(r *reports.Reason) string {
	if r == nil {
		return ""
	}
	id := "record.hint." + string(r.Code)
	if r.Code == reports.DeviceFailed {
		id = "record.hint_kind." + word(r.Kind)
	}
	switch ours := t.Has(id); {
	case r.Hint != "" && (!ours || t.Lang == "en"): // drivers and scripts speak English, and know more
		return r.Hint
	case r.Hint != "":
		return t.T("record.hint_own", "hint", t.T(id), "own", r.Hint)
	case ours:
		return t.T(id)
	case len(r.Because) > 0:
		return t.Hint(&r.Because[0])
	}
	return ""
}

// Fault says what was wrong with the bench.
func (t *Translator) Fault(f reports.Fault) string { return t.Reason(&f.Reason) }

// Evidence tells one thing that speaks for a cause; that it speaks against it,
// whoever lists it says.
func (t *Translator) Evidence(e reports.Evidence) string {
	id := "record.evidence." + string(e.Relation)
	if !t.Has(id) {
		return e.Reading
	}
	rd := reports.Reading{Bound: e.Bound, Unit: e.Unit, Limit: e.Limit, Verdict: reports.Pass}
	if e.Value != nil {
		rd.Value = *e.Value
	}
	if e.Relation == reports.Outside {
		rd.Verdict = reports.Fail
	}
	args := []any{"reading", strings.ReplaceAll(e.Reading, "*", "…"), "value", t.Value(rd), "right", e.Right, "count",
		e.Count}
	if l := e.Limit; l != nil {
		args = append(args, "limit", t.Limit(l, e.Unit))
		if l.Lower != nil {
			args = append(args, "low", t.Quantity(*l.Lower, e.Unit))
		}
		if l.Upper != nil {
			args = append(args, "high", t.Quantity(*l.Upper, e.Unit))
		}
	}
	s := t.T(id, args...)
	if e.More > 0 {
		s = t.T("record.evidence.more", "evidence", s, "count", e.More)
	}
	return s
}

// Likelihood says how sure a cause is: "likely, some 70 %".
func (t *Translator) Likelihood(c reports.Cause) string {
	p := c.Percent()
	switch {
	case p >= 85:
		return t.T("record.likely.very", "percent", p)
	case p >= 60:
		return t.T("record.likely.likely", "percent", p)
	case p >= 30:
		return t.T("record.likely.possible", "percent", p)
	}
	return t.T("record.likely.less", "percent", p)
}

// Cause is a cause with where it is, in the product's words.
func (t *Translator) Cause(texts Texts, c reports.Cause) string {
	if c.Where == "" {
		return texts.T(c.Cause)
	}
	return t.T("record.where", "where", texts.T(c.Where), "cause", texts.T(c.Cause))
}

// Finding says what was found at a repair: one of [reports.Findings], or the
// rule whose cause is given; one that nobody knows is given by its name.
func (t *Translator) Finding(texts Texts, found string, cause *reports.Cause) string {
	switch {
	case found == "other":
		return t.T("record.finding.something") // "other" is a plural form's name
	case slices.Contains(reports.Findings(), found):
		return t.T("record.finding." + found)
	case cause != nil:
		return t.Cause(texts, *cause)
	}
	return strings.ReplaceAll(found, "-", " ")
}

// Remedy says what was done at a repair.
func (t *Translator) Remedy(done string) string {
	if slices.Contains(reports.Remedies(), done) {
		return t.T("record.remedy." + done)
	}
	return done
}

// History says what came of a run or a repair of a unit's history, "" of a run
// of which there is nothing to say.
func (t *Translator) History(texts Texts, row reports.HistoryRow) string {
	if row.Repair == nil {
		return t.Reason(row.Reason)
	}
	found := t.Finding(texts, row.Repair.Found, row.Cause)
	if row.Repair.Part != "" {
		found = t.T("record.part", "found", found, "part", strings.ReplaceAll(row.Repair.Part, "-", " "))
	}
	return t.T("record.repair", "found", found, "done", t.Remedy(row.Repair.Done))
}

// Unsafe says which devices are not safe and why, those with one cause on one
// line.
func (t *Translator) Unsafe(list []reports.Unsafe) (lines []string) {
	for _, g := range reports.GroupUnsafe(list) {
		lines = append(lines, t.device(g.Who(), "", g.Kind, g.Text))
	}
	return lines
}

// Stood says how a machine came to stand: "sticks: standstill after 0.12 s".
func (t *Translator) Stood(m reports.Stood) string {
	key := "record.stood.unknown"
	switch {
	case m.Known && m.Cut != "":
		key = "record.stood.cut"
	case m.Known:
		key = "record.stood.after"
	}
	return t.T(key, "device", m.Device, "time", t.Number(math.Round(m.Seconds*1000)/1000)+" s", "output", m.Cut)
}

// UnsafeWarning says, to whoever stands at the fixture, what may happen and
// what to do now; "" for none.
func (t *Translator) UnsafeWarning(list []reports.Unsafe) (warning string) {
	drives := reports.UnsafeDrives(list)
	if len(drives) == 0 {
		return ""
	}
	for _, h := range drives {
		if h == "" {
			h = "unnamed"
		}
		warning = t.both(warning, t.T("record.unsafe."+h))
	}
	todo := "reach"
	switch {
	case drives[0] == "motion":
		todo = "hands"
	case drives[0] == "radio" && len(drives) == 1:
		todo = "off"
	}
	return t.both(warning, t.T("record.unsafe."+todo))
}

// both is two sentences, one behind the other.
func (t *Translator) both(first, second string) string {
	if first == "" {
		return second
	}
	return t.T("record.unsafe.both", "first", first, "second", second)
}

// Skipped says which readings did not come after a check had failed.
func (t *Translator) Skipped(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return t.T("record.skipped", "readings", t.list(names))
}

// Retaken says what a check that had failed gave when it was taken once more:
// those readings that failed at either time.
func (t *Translator) Retaken(c reports.Check) string {
	if len(c.Retaken) == 0 {
		return ""
	}
	failed := map[string]bool{}
	for _, rd := range slices.Concat(c.Readings, c.Retaken) {
		if rd.Verdict != reports.Pass && rd.Verdict != reports.Unlimited {
			failed[rd.Name] = true
		}
	}
	var list []string
	for _, rd := range c.Retaken {
		if failed[rd.Name] {
			list = append(list, t.T("record.retaken_one", "reading", rd.Name, "value", t.Value(rd)))
		}
	}
	return t.T("record.retaken", "readings", t.list(list))
}

// Value is a reading's value, with as many digits as tell it from the limit
// that it missed, and with what is known of it from one side.
func (t *Translator) Value(rd reports.Reading) string {
	s := t.One(rd.Value, rd.Unit)
	x, number := rd.Value.Number()
	if l := rd.Limit; number && l != nil && (rd.Verdict == reports.Fail || rd.Verdict == reports.Inconclusive) {
		for _, edge := range []*float64{l.Lower, l.Upper} {
			if edge == nil || x == *edge {
				continue
			}
			if more := reports.FormatQuantityBeside(x, *edge, rd.Unit); more != reports.FormatQuantity(x, rd.Unit) {
				s = t.Localise(more)
			}
		}
	}
	switch rd.Bound {
	case "more":
		return t.T("record.value.more", "value", s)
	case "less":
		return t.T("record.value.less", "value", s)
	}
	return s
}

// One is a value by itself: "9.1 µA", "yes", a text as it is.
func (t *Translator) One(v reports.Value, unit string) string {
	if x, ok := v.Number(); ok {
		return t.Quantity(x, unit)
	}
	if yes, ok := v.Bool(); ok {
		if yes {
			return t.T("record.value.yes")
		}
		return t.T("record.value.no")
	}
	if s, ok := v.Text(); ok && s != "" {
		return s
	} else if ok {
		return t.T("record.value.empty")
	}
	return t.T("record.value.none")
}

// Limit is what a limit allows: "1 µA to 12 µA", "at most 8 ms".
func (t *Translator) Limit(l *reports.Limit, unit string) string {
	switch {
	case l == nil:
		return t.T("record.limit.none")
	case l.Lower != nil && l.Upper != nil:
		return t.T("record.limit.range", "low", t.Quantity(*l.Lower, unit), "high", t.Quantity(*l.Upper, unit))
	case l.Upper != nil:
		return t.T("record.limit.most", "high", t.Quantity(*l.Upper, unit))
	case l.Lower != nil:
		return t.T("record.limit.least", "low", t.Quantity(*l.Lower, unit))
	case l.Equal != nil:
		return t.T("record.limit.exactly", "value", t.One(*l.Equal, unit))
	case len(l.OneOf) > 0:
		var list []string
		for _, v := range l.OneOf {
			list = append(list, t.One(v, unit))
		}
		return t.T("record.limit.one_of", "values", t.list(list))
	}
	return t.T("record.limit.none")
}

// Miss says how a reading missed its limit: "15.3 µA, above 12 µA". For one that
// passed or was not judged it is the value alone.
func (t *Translator) Miss(rd reports.Reading) string {
	value, l := t.Value(rd), rd.Limit
	if l == nil || rd.Verdict != reports.Fail && rd.Verdict != reports.Inconclusive {
		return value
	}
	x, number := rd.Value.Number()
	number = number && (l.Upper != nil || l.Lower != nil)
	switch {
	case number && l.Upper != nil && x > *l.Upper:
		return t.T("record.miss.above", "value", value, "edge", t.Quantity(*l.Upper, rd.Unit))
	case number && l.Lower != nil && x < *l.Lower:
		return t.T("record.miss.below", "value", value, "edge", t.Quantity(*l.Lower, rd.Unit))
	case number && l.Guard > 0:
		return t.T("record.miss.guard", "value", value)
	case number:
		return t.T("record.miss.open", "value", value, "limit", t.Limit(l, rd.Unit))
	case l.Equal != nil:
		return t.T("record.miss.unlike", "value", value, "limit", t.One(*l.Equal, rd.Unit))
	case len(l.OneOf) > 0:
		return t.T("record.miss.unlike", "value", value, "limit", t.Limit(l, rd.Unit))
	}
	return value
}

func (t *Translator) list(names []string) string { return strings.Join(names, t.T("record.comma")) }

// mebibytes writes an amount of memory: "128 MiB".
func (t *Translator) mebibytes(n int64) string { return t.Number(float64(n>>20)) + t.space + "MiB" }

// word is a kind as part of a message's id.
func word(kind string) string { return strings.ReplaceAll(kind, " ", "_") }
