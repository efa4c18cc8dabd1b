package manager

import (
	"strconv"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/runner/web/shell"
)

// perPage is how many runs a list shows at once; as CSV it goes on to
// mostListed.
const (
	perPage    = 50
	mostListed = 5000
)

// exact writes a number so that it is read back the same.
func exact(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// units lists the runs behind a mark.
func (m *Manager) units(q *query) (*view, error) {
	limit := perPage
	if q.format == "csv" {
		limit = mostListed
	}
	a, err := q.review.Units(q.ctx, q.asked, limit)
	if err != nil {
		return nil, err
	}
	v, err := q.begin(a, a.About)
	if err != nil {
		return nil, err
	}
	if a.Values != nil {
		q.valued(v, a)
		return v, nil
	}
	runs, f := a.Runs, q.asked.Filter
	v.Answer = q.listed(f, runs)
	if len(runs) == 0 {
		if q.values["after"] != "" {
			v.add(block{Empty: &shell.Empty{Title: q.t("manager.list.end"), Link: shell.Link{Href: q.same("after", ""),
				Text: q.t("manager.list.first")}}})
			return v, nil
		}
		if q.narrowed() {
			v.add(block{Empty: &shell.Empty{Title: q.t("manager.list.none"), Text: q.t("manager.list.none_hint"),
				Link: shell.Link{Href: q.link("/units"), Text: q.t("manager.list.all")}}})
			return v, nil
		}
		return v, q.nothing(v)
	}
	t := &table{CSV: q.csvOf("runs")}
	t.Caption = q.t("manager.list.caption")
	t.Head = []shell.Cell{{Text: q.t("manager.head.unit")}, {Text: q.t("manager.head.when")},
		{Text: q.t("manager.head.outcome")}, {Text: q.t("manager.head.found")}, {Text: q.t("manager.head.lot")},
		{Text: q.t("manager.head.nest")}, {Text: q.t("manager.head.attempt"), Number: true}}
	s := sheet{name: "runs", head: []string{"serial_number", "product", "revision", "lot", "golden", "started", "ended",
		"station", "nest", "operator", "attempt", "first", "outcome", "cut_short", "failed", "where",
		"cause", "rule", "part", "reason", "clock",
		"simulated", "flag", "number", "run", "sha256"}}
	for _, r := range runs {
		shape, word := q.ended(r)
		t.Rows = append(t.Rows, []shell.Cell{{Text: r.Unit.SerialNumber, Href: unitOf(r.Unit.Product,
			r.Unit.SerialNumber, r.Run)}, {Text: q.when(r.Started)}, {Text: word, Shape: shape},
			{Text: q.found(r)}, {Text: r.Unit.Lot}, {Text: unbroken(r.Station + " " + r.Nest)},
			{Text: q.w.Number(float64(r.Attempt)), Number: true}})
		s.row(r.Unit.SerialNumber, r.Unit.Product, r.Unit.Revision, r.Unit.Lot, r.Unit.Golden, r.Started, r.Ended,
			r.Station, r.Nest, r.Operator, r.Attempt, r.First, string(r.Outcome), r.CutShort,
			strings.Join(r.Failed, " "), r.Where, r.Cause, r.Rule, r.Part, r.Reason.CodeText(),
			reports.CodeTexts(r.Clock), r.Simulated, r.Flag, r.Number, r.Run, r.SHA256)
	}
	if a.After != "" {
		t.Next = q.same("after", a.After)
	}
	if q.values["after"] != "" {
		t.First = q.same("after", "")
	}
	v.sheets = append(v.sheets, s)
	v.add(block{Table: t})
	return v, nil
}

// narrowed reports whether more than the filter narrows the list.
func (q *query) narrowed() bool {
	for _, name := range []string{"outcome", "check", "reading", "cause", "first-runs", "flagged", "cut-short",
		"serial"} {
		if q.values[name] != "" {
			return true
		}
	}
	return false
}

// found is what a run found, in a few words.
func (q *query) found(r store.Run) string {
	var parts []string
	if r.Unit.Golden {
		parts = append(parts, q.t("manager.list.golden"))
	}
	switch {
	case r.Likeliest() != nil:
		parts = append(parts, q.cause(*r.Likeliest()))
	case r.Outcome == reports.Failed, r.CutShort:
		const most = 3
		list := strings.Join(r.Failed[:min(len(r.Failed), most)], ", ")
		if len(r.Failed) > most {
			list += ", …"
		}
		parts = append(parts, list)
		if r.CutShort {
			parts = append(parts, q.t("manager.list.then_cut_short"))
		}
	case r.Reason != nil:
		parts = append(parts, q.w.Reason(r.Reason))
	}
	return strings.Join(parts, " · ")
}

// listed says which runs a list holds.
func (q *query) listed(f store.RunFilter, runs []store.Run) string {
	id := "manager.list.runs"
	switch {
	case f.Flagged:
		id = "manager.list.flagged"
	case f.CutShort && f.First:
		id = "manager.list.first_cut_short"
	case f.CutShort && f.Outcome == reports.Aborted:
		id = "manager.list.aborted_cut_short"
	case f.CutShort:
		id = "manager.list.cut_short"
	case f.Outcome == reports.Failed && f.First:
		id = "manager.list.first_failed"
	case f.Outcome == reports.Failed, f.Outcome == "" && f.First && (f.Check != "" || f.Reading != "" || f.Cause != ""):
		id = "manager.list.failed"
	case f.Outcome == reports.Passed:
		id = "manager.list.passed"
	case f.Outcome == reports.Errored:
		id = "manager.list.errors"
	case f.Outcome == reports.Aborted:
		id = "manager.list.aborted"
	case f.First:
		id = "manager.list.firsts"
	}
	text := q.t(id)
	for _, x := range []struct{ id, value string }{{"manager.list.of_check", f.Check}, {"manager.list.of_reading",
		f.Reading}, {"manager.list.of_cause", f.Cause}, {"manager.list.of_serial", f.SerialNumber}} {
		if x.value != "" {
			value := x.value
			if x.id == "manager.list.of_cause" {
				value = q.ruleName(value, runs)
			}
			text += " " + q.t(x.id, "value", value)
		}
	}
	return text
}

// ruleName is the cause of runs that a list is of, by its words, in the reader's
// language; of a rule its name with blanks.
func (q *query) ruleName(s string, runs []store.Run) string {
	for i := range runs {
		if c := runs[i].Likeliest(); c != nil && c.String() == s {
			return q.cause(*c)
		}
	}
	if !strings.Contains(s, " ") {
		return strings.ReplaceAll(s, "-", " ")
	}
	return s
}

// valued lists the units whose reading lies from low to below high, of the
// newest that a study takes.
func (q *query) valued(v *view, a review.Units) {
	reading, series, low, high := q.asked.Reading, *a.Values, q.asked.Low, q.asked.High
	v.Answer = q.t("manager.list.valued", "name", reading, "low", q.quantity(low, series.Unit), "high",
		q.quantity(high, series.Unit))
	t := &table{CSV: q.csvOf("values")}
	t.Caption = q.t("manager.list.caption")
	t.Head = []shell.Cell{{Text: q.t("manager.head.unit")}, {Text: q.t("manager.head.when")},
		{Text: reading, Number: true}, {Text: q.t("manager.head.verdict")}, {Text: q.t("manager.head.lot")},
		{Text: q.t("manager.head.nest")}}
	s := sheet{name: "values", head: []string{"serial_number", "time", "value", "unit", "verdict", "lot", "station",
		"nest", "run"}}
	hidden := 0
	for i := len(series.Points) - 1; i >= 0; i-- {
		p := series.Points[i]
		s.row(p.SerialNumber, p.Time, p.Value, series.Unit, p.Verdict, p.Lot, p.Station, p.Nest, p.Run)
		if len(t.Rows) == 4*perPage {
			hidden++
			continue
		}
		shape, word := q.verdict(reports.Verdict(p.Verdict))
		t.Rows = append(t.Rows, []shell.Cell{{Text: p.SerialNumber, Href: unitOf("", p.SerialNumber, p.Run)},
			{Text: q.when(p.Time)}, {Text: q.quantity(p.Value, series.Unit), Number: true},
			{Text: word, Shape: shape}, {Text: p.Lot}, {Text: unbroken(p.Station + " " + p.Nest)}})
	}
	if len(t.Rows) == 0 {
		v.add(block{Empty: &shell.Empty{Title: q.t("manager.list.none"), Text: q.t("manager.list.none_hint"),
			Link: shell.Link{Href: q.link("/hold", "reading", reading), Text: q.t("manager.drift.to_hold")}}})
		return
	}
	if hidden > 0 {
		t.Notes = append(t.Notes, q.t("manager.list.hidden", "count", hidden))
	}
	if series.Total > int64(a.Of) {
		t.Notes = append(t.Notes, q.t("figures.remark.newest", "shown", a.Of, "count", series.Total))
	}
	v.sheets = append(v.sheets, s)
	v.add(block{Table: t})
}

// verdict is the shape and the word of a verdict.
func (q *query) verdict(x reports.Verdict) (shape, word string) {
	switch x {
	case reports.Pass:
		return "pass", q.t("manager.verdict.pass")
	case reports.Fail:
		return "fail", q.t("manager.verdict.fail")
	case reports.Inconclusive:
		return "doubt", q.t("manager.verdict.inconclusive")
	case reports.Unlimited:
		return "none", q.t("manager.verdict.unlimited")
	}
	return "error", q.t("manager.verdict.error")
}
