package manager

import (
	"context"
	"errors"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"

	"fullthrow/reports"
	"fullthrow/reports/page"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/runner/web/shell"
)

// unitView is what became of one unit.
type unitView struct {
	Asked   string // the serial number that was asked for
	Serial  string
	Product string
	State   shell.Notice
	Facts   []fact
	CSV     string

	Title, Shape, Word string // of the run that is told
	Links              []shell.Link
	Run                *page.View    // nil where its report cannot be read
	Unreadable         *shell.Notice // and that it cannot
	Past               *page.View    // what happened to the unit
}

type fact struct{ Name, Value, Href string }

// history answers: what happened to this unit?
func (m *Manager) history(q *query) (*view, error) {
	q.page.Title = q.t("manager.title.unit")
	u := &unitView{Asked: q.values["serial"]}
	v := &view{Unit: u}
	if q.asked.Serial == "" && q.asked.Run == "" {
		v.Answer = q.t("manager.unit.ask")
		return v, nil
	}
	a, err := q.review.Unit(q.ctx, q.asked)
	if err != nil {
		return nil, err
	}
	v.answer, u.Asked, u.Serial, u.Product = a, a.SerialNumber, a.SerialNumber, a.Product
	q.page.Title = a.SerialNumber
	q.unitFacts(v, a)
	q.historySheet(v, a)
	opts := page.Options{Words: q.w, Texts: q.texts(), ProductTitle: q.m.product(u.Product),
		History: historyOf(a.Runs, a.Repairs, func(run string) string { return unitOf(u.Product, u.Serial, run) })}
	if u.Past, err = page.NewHistory(opts); err != nil {
		return nil, err
	}
	if run := a.Of(); run != nil {
		err = q.runDetail(v, *run, opts)
	}
	return v, err
}

func (q *query) unitFacts(v *view, a review.Unit) {
	u, runs := v.Unit, a.Runs
	if len(runs) == 0 {
		return
	}
	last := runs[len(runs)-1]
	v.Simulated = last.Simulated
	u.Facts = append(u.Facts, fact{q.field("product"), strings.TrimSpace(q.m.product(last.Unit.Product) + " " +
		last.Unit.Revision), ""})
	if last.Unit.Lot != "" {
		u.Facts = append(u.Facts, fact{q.field("lot"), last.Unit.Lot, encode("/today", url.Values{},
			[]string{"lot", last.Unit.Lot, "period", "all"})})
	}
	u.Facts = append(u.Facts, fact{q.t("manager.unit.runs"), q.t("manager.unit.runs_repairs", "runs", len(runs),
		"repairs", len(a.Repairs)), ""})
	for _, p := range a.Also {
		u.Facts = append(u.Facts, fact{q.t("manager.unit.also"), q.m.product(p), unitOf(p, u.Serial, "")})
	}
	if a.Aborted > 0 {
		u.Facts = append(u.Facts, fact{q.t("manager.unit.aborted"), q.t("manager.unit.aborted_of", "count", a.Aborted,
			"broken", a.AbortedCutShort), ""})
	}
	state := last
	if newest := a.Newest(); newest != nil {
		state = *newest
	}
	shape, _ := q.outcome(state.Outcome)
	id := "manager.unit.state_" + string(state.Outcome)
	if state.CutShort {
		id = "manager.unit.state_cut_short"
	}
	if state.Unit.Golden {
		id, shape = "manager.unit.state_golden", "none"
	}
	v.Answer = q.t(id, "when", q.w.When(state.Started), "station", state.Station)
	u.State = shell.Notice{Shape: shape}
}

// historySheet lists runs and repairs, the newest first.
func (q *query) historySheet(v *view, a review.Unit) {
	s := sheet{name: "history", head: []string{"time", "kind", "run", "outcome", "found", "done", "by", "station",
		"nest", "text", "cut_short", "clock"}}
	for _, h := range slices.Backward(a.Happened()) {
		if r := h.Run; r != nil {
			s.row(r.Started, "run", r.Run, string(r.Outcome), q.found(*r), "", r.Operator, r.Station, r.Nest,
				codeOf(r.Reason), r.CutShort, codesOf(r.Clock))
		} else {
			r := h.Repair
			s.row(r.At, "repair", r.Run, "", r.Found, r.Done, r.By, "", "", r.Text, "", "")
		}
	}
	v.sheets = append(v.sheets, s)
	v.Unit.CSV = q.csvOf("history")
}

// runDetail tells one run.
func (q *query) runDetail(v *view, r store.Run, opts page.Options) error {
	u := v.Unit
	u.Shape, u.Word = q.outcome(r.Outcome)
	u.Title = q.t("manager.unit.run", "when", q.w.When(r.Started), "station", r.Station, "nest", r.Nest)
	sealed, err := q.m.c.Store.Report(q.ctx, r.Run)
	if err != nil {
		if errors.Is(err, context.DeadlineExceeded) || q.ctx.Err() != nil {
			return err
		}
		q.m.c.Log.Warn("a report cannot be read", "run", r.Run, "error", err)
		u.Unreadable = &shell.Notice{Shape: "error", Title: q.t("manager.unit.unreadable"),
			Text: []string{q.t("manager.unit.unreadable_hint")}}
		if why := q.w.Reason(r.Reason); why != "" {
			u.Unreadable.Text = append(u.Unreadable.Text, why)
		}
		return nil
	}
	opts.Flagged = r.Flag != ""
	if q.m.c.Around != nil {
		check := q.m.c.Around(q.ctx, sealed)
		opts.Check = &check
	}
	if opts.Handset = q.m.c.Drawing; q.m.c.Files != nil {
		opts.Attachments = "/attachment/"
	}
	opts.Reading = func(name string) string {
		return encode("/hold", url.Values{}, []string{"reading", name, "product", r.Unit.Product})
	}
	if u.Run, err = page.New(sealed, opts); err != nil {
		return err
	}
	u.Past = u.Run
	v.readingSheet(sealed.Report)
	link := func(href, id string, args ...any) {
		u.Links = append(u.Links, shell.Link{Href: href, Text: q.t(id, args...)})
	}
	link("/report/"+r.Run, "manager.unit.report")
	if r.Outcome == reports.Passed && !r.Unit.Golden {
		link("/certificate/"+r.Run, "manager.unit.certificate")
	}
	if r.Outcome == reports.Failed && q.m.c.Repair != "" {
		link(q.m.c.Repair+"?run="+r.Run, "manager.unit.to_repair")
	}
	if r.Unit.Lot != "" && !r.Unit.Golden {
		sides := []string{"a", "lot:" + r.Unit.Lot, "b", "run:" + r.Run, "period", "all"}
		link(encode("/differs", url.Values{}, sides), "manager.unit.to_differs", "lot", r.Unit.Lot)
	}
	return nil
}

// readingSheet lists all that was measured.
func (v *view) readingSheet(p reports.Report) {
	s := sheet{name: "readings", head: []string{"check", "reading", "value", "unit", "lower", "upper", "verdict",
		"uncertainty"}}
	for _, c := range p.Checks {
		for _, r := range c.Readings {
			var lower, upper *float64
			if r.Limit != nil {
				lower, upper = r.Limit.Lower, r.Limit.Upper
			}
			var value any = r.Value.String()
			if x, ok := r.Value.Number(); ok {
				value = x
			}
			s.row(c.Name, r.Name, value, r.Unit, lower, upper, string(r.Verdict), r.Uncertainty)
		}
	}
	v.sheets = append(v.sheets, s)
}

// attachmentName is that of raw data beside the reports.
var attachmentName = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[0-9a-f]{64}\.[a-z0-9]{1,8}$`)
})
