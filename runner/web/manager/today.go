package manager

import (
	"slices"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// today answers: how good is today?
func (m *Manager) today(q *query) (*view, error) {
	a, err := q.review.Today(q.ctx, q.asked)
	if err != nil {
		return nil, err
	}
	v, err := q.begin(a, a.About)
	if err != nil {
		return nil, err
	}
	if q.asked.Period != review.PeriodToday && q.asked.Period != review.PeriodShift {
		q.page.Title = q.t("manager.title.past")
	}
	q.flagged(v, a.About.NotCounted)
	sum, cycle, lost := a.Summary, a.Cycle, a.Lost
	counts := sum.Counts
	if counts.Runs == 0 {
		return v, q.nothing(v)
	}
	v.Answer = q.todayAnswer(counts, sum, a.Before)
	v.add(block{Figures: q.todayFigures(counts, sum, cycle, lost, a.Pace)},
		block{Figures: q.todaySecond(counts, sum, cycle), Small: true})
	v.add(q.byLinks(a.By))
	v.add(q.yieldTrend(v, a.Trend, a.Groups, a.By))
	v.add(q.output(v, a.Groups, a.By, cycle))
	v.add(q.stops(v, a.Stopped)...)
	v.add(q.aborts(v, a.Aborts)...)
	s2 := sheet{name: "figures", head: []string{"figure", "value", "low", "high", "count", "of"}}
	for _, f := range []struct {
		name string
		s    yield.Share
	}{{"first_pass", sum.FirstPass}, {"final", sum.Final}, {"retested", sum.Retested},
		{"no_fault_found", sum.NoFaultFound}, {"repaired", sum.Repaired}} {
		s2.row(f.name, f.s.Value, f.s.Low, f.s.High, f.s.Count, f.s.Of)
	}
	s2.row("bench_time_lost_s", lost.Total, nil, nil, nil, lost.BenchTime)
	s2.row("cycle_median_s", cycle.Median.Value, cycle.Median.Low, cycle.Median.High, cycle.N, nil)
	v.sheets = append(v.sheets, s2)
	if m.c.Witness != nil {
		v.Witness = m.c.Witness()
	}
	return v, nil
}

// todayAnswer says how good it is, and whether that differs from before.
func (q *query) todayAnswer(c yield.Counts, sum yield.Summary, before *review.Before) string {
	if !sum.FirstPass.Known() {
		return q.t("manager.today.none_judged", "count", c.Runs)
	}
	text := q.t("manager.today.answer", "yield", q.share(sum.FirstPass), "count", c.Units)
	if before == nil {
		return text
	}
	id := map[int]string{-1: "manager.today.worse", 0: "manager.today.same", 1: "manager.today.better"}[before.Differs]
	return text + " " + q.t(id, "yield", q.share(before.FirstPass), "count", before.Days)
}

func (q *query) todayFigures(c yield.Counts, sum yield.Summary, cycle yield.CycleTime, lost yield.LostTime,
	pace review.Pace) []shell.Figure {
	first := q.figure("first_pass", sum.FirstPass)
	first.Meaning = q.t("manager.today.first_meaning", "count", c.FirstFailed(), "of", c.Units)
	first.Href = q.units("first-runs", "1", "outcome", "failed")
	if c.FirstCutShort > 0 {
		first.Meaning += "; " + q.t("manager.today.first_cut_short", "count", c.FirstCutShort)
		if c.FirstCutShort == c.FirstFailed() {
			first.Href = q.units("first-runs", "1", "cut-short", "1")
		}
	}
	rate := shell.Figure{Name: q.t("manager.term.per_hour"), Explain: q.t("manager.explain.per_hour"), Value: "–",
		Href: q.units("first-runs", "1")}
	meaning := "manager.today.rate_meaning"
	if pace.Of == store.ByDay {
		rate.Name, rate.Explain, meaning = q.t("manager.term.per_day"), q.t("manager.explain.per_day"),
			"manager.today.rate_days"
	}
	if pace.Worked > 0 {
		rate.Value = q.w.Fixed(pace.Units, 1)
		rate.Meaning = q.t(meaning, "count", pace.Worked, "units", c.Units)
	}
	if cycle.Needed > 0 && pace.Of == store.ByHour {
		rate.Interval = q.t("manager.today.rate_takt", "needed", cycle.Needed, "capacity", cycle.Capacity, "count",
			cycle.Nests)
	}
	final := q.figure("final", sum.Final)
	final.Meaning = q.t("manager.today.final_meaning", "count", c.Units-c.FinalPassed)
	if c.Units == c.FinalPassed {
		final.Meaning = q.t("manager.today.final_all")
	}
	gone := q.term("lost")
	gone.Value, gone.Meaning = q.duration(lost.Total), q.t("manager.today.lost_none")
	gone.Interval = q.t("manager.today.lost_of", "share", q.w.Share(float64(lost.Share)), "time",
		q.duration(lost.BenchTime))
	if c.Errors+c.Aborted > 0 {
		gone.Meaning = q.t("manager.today.lost_errors", "count", c.Errors) + ", " + q.t("manager.today.lost_aborted",
			"count", c.Aborted)
		if lost.Units.Known() && lost.Units.Value >= 1 {
			gone.Meaning += "; " + q.t("manager.today.lost_units", "count", int64(lost.Units.Value+0.5))
		}
		gone.Href = q.units("outcome", "error")
		if c.Errors == 0 {
			gone.Href = q.units("outcome", "aborted")
		}
	}
	return []shell.Figure{first, rate, final, gone}
}

func (q *query) todaySecond(c yield.Counts, sum yield.Summary, cycle yield.CycleTime) []shell.Figure {
	again := q.figure("retested", sum.Retested)
	again.Meaning = q.t("manager.today.retests", "count", c.Retests)
	nff := q.figure("no_fault_found", sum.NoFaultFound)
	nff.Meaning = q.t("manager.today.nff_meaning", "count", c.NoFaultFound)
	if c.NoFaultFound == 0 {
		nff.Meaning = q.t("manager.today.nff_zero")
	}
	if !sum.NoFaultFound.Known() {
		nff.Interval, nff.Meaning = "", q.t("manager.today.nff_none")
	}
	fixed := q.figure("repaired", sum.Repaired)
	fixed.Meaning = q.t("manager.today.repaired_meaning", "count", c.Repaired)
	time := q.term("cycle")
	time.Value = "–"
	if cycle.N > 0 {
		time.Value = q.duration(cycle.Median.Value)
		time.Interval = q.t("manager.today.cycle_p95", "time", q.duration(cycle.P95.Value))
		if cycle.Over.Known() {
			time.Meaning = q.t("manager.today.cycle_over", "intended", q.duration(cycle.Intended), "share",
				q.share(cycle.Over))
		}
	}
	return []shell.Figure{time, again, nff, fixed}
}

// byLinks choose what a point of the trend is.
func (q *query) byLinks(now store.By) block {
	var links []shell.Link
	for _, by := range []store.By{store.ByHour, store.ByShift, store.ByDay, store.ByWeek, store.ByMonth} {
		if by == store.ByHour && (q.sel.Since.IsZero() || q.now.Sub(q.sel.Since) > 9*24*time.Hour) {
			continue // hundreds of points
		}
		links = append(links, shell.Link{Href: q.same("by", string(by)), Text: q.t("manager.by." + string(by)),
			Current: by == now})
	}
	return block{Links: links}
}

// yieldTrend draws first-pass yield over time.
func (q *query) yieldTrend(v *view, r yield.TrendResult, groups []yield.Group, by store.By) block {
	labels := q.groupLabels(groups, by)
	s := sheet{name: "trend", head: []string{"period", "start", "units", "first_passed", "first_pass", "low", "high",
		"rest", "difference", "corrected_p", "differs", "runs", "errors", "aborted",
		"cut_short", "first_cut_short"}}
	var marks []draw.Mark
	worse, better, empty := 0, 0, 0
	for i, p := range r.Points {
		f := p.FirstPass
		mark := draw.Mark{Label: labels[i], Value: f.Value, Low: f.Low, High: f.High, Href: q.behind(groups[i], by,
			"first-runs", "1")}
		if f.Known() {
			mark.Title = q.t("manager.today.point", "label", labels[i], "yield", q.share(f), "interval",
				wording.Between(q.w, f.Low, f.High), "count", f.Of)
		} else {
			mark.Low, mark.High = 0, 0
			empty++
		}
		marks = append(marks, mark)
		switch {
		case p.Differs < 0:
			worse++
		case p.Differs > 0:
			better++
		}
		s.row(p.Key, p.Start, f.Of, f.Count, f.Value, f.Low, f.High, p.Other.Value, p.Difference.Value, p.Corrected,
			p.Differs, p.Counts.Runs, p.Counts.Errors, p.Counts.Aborted, p.Counts.CutShort,
			p.Counts.FirstCutShort)
	}
	caption := q.t("manager.today.trend_steady")
	if worse+better > 0 {
		caption = q.t("manager.today.trend_differ", "count", worse+better)
	}
	if len(groups) < 2 {
		caption = q.t("manager.today.trend_one")
	}
	d := draw.Trend{Frame: draw.Frame{ID: "trend", Title: q.t("manager.today.trend"), Desc: caption, Unit: draw.Percent,
		Label: q.t("figures.term.first_pass"), Of: q.t("manager.by." + string(by))}, Points: marks,
		Target: &r.Whole.Value, TargetLabel: q.t("manager.today.whole")}
	if !r.Whole.Known() {
		d.Target = nil
	}
	c := shell.NewChart(d.Title, caption, d.Draw(q.w))
	if empty > 0 { // gaps are no mistake
		lost := q.t("charts.missing", "count", empty)
		c.Notes = slices.DeleteFunc(c.Notes, func(n string) bool { return n == lost })
	}
	return q.chart(v, c, s)
}

// output draws what was done in each period against the takt.
func (q *query) output(v *view, groups []yield.Group, by store.By, cycle yield.CycleTime) block {
	labels := q.groupLabels(groups, by)
	s := sheet{name: "output", head: []string{"period", "start", "runs", "judged_no_unit", "units", "retests",
		"takt_asks_for"}}
	var bars []draw.HoursBar
	for i, g := range groups {
		c := g.Counts
		b := draw.HoursBar{Mark: draw.Mark{Label: labels[i], Value: float64(c.Runs), Href: q.behind(g, by)},
			Lost: float64(c.Errors + c.Aborted - c.CutShort)}
		if by == store.ByHour && c.Runs > 0 {
			b.Target = cycle.Needed
		}
		bars = append(bars, b)
		s.row(g.Key, g.Start, c.Runs, c.Errors+c.Aborted-c.CutShort, c.Units, c.Retests, b.Target)
	}
	caption := q.t("manager.today.output_caption")
	if by == store.ByHour && cycle.Needed > 0 {
		caption = q.t("manager.today.output_takt", "takt", q.duration(cycle.Takt), "needed", cycle.Needed, "capacity",
			cycle.Capacity, "count", cycle.Nests)
	}
	d := draw.Hours{Frame: draw.Frame{ID: "output", Title: q.t("manager.today.output_" + string(by)), Desc: caption,
		Label: q.t("manager.today.runs"), Of: q.t("manager.by." + string(by))}, Bars: bars, TargetLabel: q.t(
		"manager.term.takt")}
	return q.chart(v, shell.NewChart(d.Title, caption, d.Draw(q.w)), s)
}

// stops lists what took time and judged no unit.
func (q *query) stops(v *view, stopped []store.Run) []block {
	var blocks []block
	for _, outcome := range []reports.Outcome{reports.Errored, reports.Aborted} {
		runs := slices.DeleteFunc(slices.Clone(stopped), func(r store.Run) bool { return r.Outcome != outcome })
		if len(runs) == 0 {
			continue
		}
		name := string(outcome)
		s := sheet{name: name, head: []string{"started", "ended", "station", "nest", "serial_number", "run", "reason"}}
		t := &table{Title: q.t("manager.today." + name), Intro: q.t("manager.today." + name + "_intro"),
			CSV: q.csvOf(name)}
		t.Caption = t.Title
		t.Head = []shell.Cell{{Text: q.t("manager.head.when")}, {Text: q.t("manager.head.nest")},
			{Text: q.t("manager.head.unit")}, {Text: q.t("manager.head.took"), Number: true},
			{Text: q.t("manager.head.reason")}}
		for _, r := range runs {
			what := q.w.Reason(r.Reason)
			if r.CutShort {
				what = q.found(r) + ": " + what
			}
			t.Rows = append(t.Rows, []shell.Cell{{Text: q.when(r.Started)}, {Text: unbroken(r.Station + " " + r.Nest)},
				{Text: r.Unit.SerialNumber, Href: unitOf(r.Unit.Product, r.Unit.SerialNumber, r.Run)},
				{Text: q.w.Duration(r.Ended.Sub(r.Started)), Number: true}, {Text: what}})
			s.row(r.Started, r.Ended, r.Station, r.Nest, r.Unit.SerialNumber, r.Run, r.Reason.CodeText())
		}
		if len(runs) == review.MostStopped {
			t.Next = q.units("outcome", string(outcome))
		}
		v.sheets = append(v.sheets, s)
		blocks = append(blocks, block{Table: t})
	}
	return blocks
}

// aborts says who aborts how often, and which units.
func (q *query) aborts(v *view, a review.Aborts) []block {
	if len(a.ByOperator) == 0 {
		return nil
	}
	people := sheet{name: "aborts", head: []string{"operator", "runs", "aborted", "share", "cut_short"}}
	t := &table{Title: q.t("manager.today.aborts"), Intro: q.t("manager.today.aborts_intro"), CSV: q.csvOf("aborts")}
	t.Caption = t.Title
	t.Head = []shell.Cell{{Text: q.field("operator")}, {Text: q.t("manager.head.aborted"), Number: true},
		{Text: q.t("manager.head.of_runs"), Number: true}, {Text: q.t("manager.head.after_broken"), Number: true}}
	for _, o := range a.ByOperator {
		name := shell.Cell{Text: o.Operator, Href: q.units("outcome", "aborted", "operator", o.Operator)}
		if o.Operator == "" {
			name = shell.Cell{Text: q.t("manager.today.no_operator")}
		}
		t.Rows = append(t.Rows, []shell.Cell{name, {Text: q.w.Number(float64(o.Share.Count)), Number: true},
			{Text: q.column(o.Share.Value), Number: true}, {Text: q.w.Number(float64(o.CutShort)), Number: true}})
		people.row(o.Operator, o.Share.Of, o.Share.Count, o.Share.Value, o.CutShort)
	}
	units := sheet{name: "aborted-units", head: []string{"serial_number", "product", "aborted", "cut_short"}}
	u := &table{Title: q.t("manager.today.aborted_units"), CSV: q.csvOf("aborted-units")}
	u.Caption = u.Title
	u.Head = []shell.Cell{{Text: q.t("manager.head.unit")}, {Text: q.t("manager.head.aborted"), Number: true},
		{Text: q.t("manager.head.after_broken"), Number: true}}
	for _, x := range a.Units {
		u.Rows = append(u.Rows, []shell.Cell{{Text: x.SerialNumber, Href: unitOf(x.Product, x.SerialNumber, "")},
			{Text: q.w.Number(float64(x.Aborted)), Number: true},
			{Text: q.w.Number(float64(x.CutShort)), Number: true}})
		units.row(x.SerialNumber, x.Product, x.Aborted, x.CutShort)
	}
	if len(a.Units) == review.MostAborted {
		u.Next = q.units("outcome", string(reports.Aborted))
	}
	v.sheets = append(v.sheets, people, units)
	return []block{{Table: t}, {Table: u}}
}

// namedFlags is how many reports are named before the rest is a number.
const namedFlags = 5

// flagged names the reports that count nowhere.
func (q *query) flagged(v *view, flags []store.Flag) {
	if len(flags) == 0 {
		return
	}
	n := shell.Notice{Shape: "error", Title: q.t("manager.flags.title", "count", len(flags))}
	for i, f := range flags {
		if i == namedFlags {
			n.Text = append(n.Text, q.t("manager.flags.more", "count", len(flags)-namedFlags))
			break
		}
		name := f.Run
		if name == "" {
			name = f.File
		}
		kind := "manager.flags.changed"
		switch f.Kind {
		case "removed":
			kind = "manager.flags.removed"
		case "inserted":
			kind = "manager.flags.inserted"
		case "contradicts":
			kind = "manager.flags.contradicts"
		}
		n.Text = append(n.Text, q.t(kind, "name", brief(name), "station", f.Station))
	}
	n.Text = append(n.Text, q.t("manager.flags.hint"))
	v.add(block{Notice: &n}, block{Links: []shell.Link{{Href: q.units("flagged", "1"),
		Text: q.t("manager.flags.list")}}})
	s := sheet{name: "flags", head: []string{"run", "station", "file", "kind", "text"}}
	for _, f := range flags {
		s.row(f.Run, f.Station, f.File, f.Kind, f.Text)
	}
	v.sheets = append(v.sheets, s)
}
