package manager

import (
	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// fails answers: what fails?
func (m *Manager) fails(q *query) (*view, error) {
	a, err := q.review.Fails(q.ctx, q.asked)
	if err != nil {
		return nil, err
	}
	v, err := q.begin(a, a.About)
	if err != nil {
		return nil, err
	}
	p, kind := a.Pareto, string(a.By)
	if p.Units == 0 {
		return v, q.nothing(v)
	}
	var links []shell.Link
	for _, k := range []string{"cause", "check", "reading"} {
		links = append(links, shell.Link{Href: q.same("by", k), Text: q.t("manager.fails.by_" + k), Current: k == kind})
	}
	if p.CutShort > 0 {
		links = append(links, shell.Link{Href: q.units("first-runs", "1", "cut-short", "1"),
			Text: q.t("manager.list.first_cut_short")})
	}
	v.add(block{Links: links})
	if p.Failed == 0 {
		v.Answer = q.t("manager.fails.nothing", "count", p.Units)
		v.add(block{Empty: &shell.Empty{Title: q.t("manager.fails.none"), Text: q.t("manager.fails.none_text", "high",
			q.w.Share(*a.UnseenAtMost))}})
	} else {
		v.Answer = q.failsAnswer(p, kind)
		if p.CutShort > 0 {
			v.Answer += " " + wording.CutShort(q.w, p.CutShort)
		}
		v.add(q.pareto(v, p, kind))
	}
	if a.Checks != nil {
		v.add(q.rolled(v, *a.Checks))
	}
	return v, nil
}

// failureName is a bar in the reader's language.
func (q *query) failureName(kind string, b yield.Bar) string {
	if kind == "cause" {
		return q.cause(reports.Cause{Where: b.Where, Cause: b.Name})
	}
	return b.Name
}

func (q *query) failsAnswer(p yield.ParetoChart, kind string) string {
	text := q.t("manager.fails.answer", "count", p.Failed, "of", p.Units)
	if len(p.Bars) == 0 || p.Bars[0].Units == 0 {
		return text
	}
	first := p.Bars[0]
	text += " " + q.t("manager.fails.first", "name", q.failureName(kind, first), "share", q.share(first.OfFailed))
	if p.VitalFew > 1 && 2*p.VitalFew <= len(p.Bars) {
		text += " " + q.t("manager.fails.vital_"+kind, "count", p.VitalFew, "of", len(p.Bars))
	}
	return text
}

func (q *query) pareto(v *view, p yield.ParetoChart, kind string) block {
	s := sheet{name: "pareto", head: []string{"where", kind, "part", "rule", "units", "runs", "of_tested",
		"of_tested_low",
		"of_tested_high", "of_failed", "cumulative", "first_pass_without"}}
	t := shell.Table{Head: []shell.Cell{{Text: q.t("manager.kind." + kind)}}}
	if kind != "check" {
		t.Head = append(t.Head, shell.Cell{Text: q.t("manager.head.part")})
	}
	for _, h := range []string{"units", "of_tested", "interval", "of_failed", "cumulative", "would_be"} {
		t.Head = append(t.Head, shell.Cell{Text: q.t("manager.head." + h), Number: true})
	}
	var marks []draw.Mark
	for _, b := range p.Bars {
		name := reports.Cause{Where: b.Where, Cause: b.Name}.String() // of a check or reading as it is
		href := q.units(kind, name, "first-runs", "1")
		label := q.failureName(kind, b)
		if b.Units > 0 {
			marks = append(marks, draw.Mark{Label: label, Value: float64(b.Units),
				Low: b.OfTested.Low * float64(p.Units), High: b.OfTested.High * float64(p.Units), Href: href,
				Title: q.t("manager.fails.bar", "label", label, "count", b.Units, "share", q.share(b.OfTested),
					"interval", q.interval(b.OfTested))})
		} else {
			href = q.units(kind, name) // in retests only
		}
		row := []shell.Cell{{Text: label, Href: href}}
		if kind != "check" {
			row = append(row, shell.Cell{Text: q.part(b.Part)})
		}
		row = append(row, shell.Cell{Text: q.w.Number(float64(b.Units)), Number: true},
			shell.Cell{Text: q.column(b.OfTested.Value), Number: true},
			shell.Cell{Text: q.shareRange(b.OfTested), Number: true}, shell.Cell{Text: q.column(b.OfFailed.Value),
				Number: true},
			shell.Cell{Text: q.column(b.Cumulative), Number: true}, shell.Cell{Text: q.column(p.WouldBe(b)),
				Number: true})
		t.Rows = append(t.Rows, row)
		s.row(b.Where, b.Name, b.Part, b.Rule, b.Units, b.Runs, b.OfTested.Value, b.OfTested.Low, b.OfTested.High,
			b.OfFailed.Value, b.Cumulative, p.WouldBe(b))
	}
	d := draw.Pareto{Frame: draw.Frame{ID: "pareto", Title: q.t("manager.fails.chart_" + kind),
		Desc: q.t("manager.fails.caption"), Label: q.t("manager.head.units"), Of: q.t("manager.kind." + kind)},
		Bars: marks, Total: float64(p.Findings)}
	c := shell.NewChart(d.Title, d.Desc, d.Draw(q.w))
	if p.Unnamed > 0 {
		c.Notes = append(c.Notes, q.t("manager.fails.unnamed", "count", p.Unnamed))
	}
	b := q.chart(v, c, s)
	caption := b.Chart.Table.Caption
	b.Chart.Table, b.Chart.Open = t, true // more than is drawn
	b.Chart.Table.Caption = caption
	return b
}

// rolled shows each check's own yield, and what they make together.
func (q *query) rolled(v *view, r yield.RolledYield) block {
	s := sheet{name: "checks", head: []string{"check", "judged", "passed", "share", "low", "high"}}
	t := &table{Title: q.t("manager.fails.checks"), CSV: q.csvOf("checks")}
	t.Caption = t.Title
	if r.Yield.Known() {
		t.Intro = q.t("manager.fails.rolled", "yield", q.w.Share(r.Yield.Value), "interval",
			wording.Between(q.w, r.Yield.Low, r.Yield.High))
	}
	t.Head = []shell.Cell{{Text: q.t("manager.kind.check")}, {Text: q.t("manager.head.about")},
		{Text: q.t("manager.head.judged"), Number: true}, {Text: q.t("manager.head.failed"), Number: true},
		{Text: q.t("manager.head.passed"), Number: true}, {Text: q.t("manager.head.interval"), Number: true}}
	for _, c := range r.Checks {
		t.Rows = append(t.Rows, []shell.Cell{{Text: c.Check}, {Text: q.check(c.Check)},
			{Text: q.w.Number(float64(c.Share.Of)), Number: true},
			{Text: q.w.Number(float64(c.Share.Of - c.Share.Count)), Number: true, Href: q.units("check", c.Check,
				"first-runs", "1")}, {Text: q.column(c.Share.Value), Number: true}, {Text: q.shareRange(c.Share),
				Number: true}})
		s.row(c.Check, c.Share.Of, c.Share.Count, c.Share.Value, c.Share.Low, c.Share.High)
	}
	v.sheets = append(v.sheets, s)
	return block{Table: t}
}
