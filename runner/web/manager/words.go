package manager

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// share is a share of 1 as a percentage, "–" where it is not known.
func (q *query) share(s yield.Share) string { return q.w.Share(s.Value) }

func (q *query) interval(s yield.Share) string {
	if !s.Known() {
		return q.t("manager.not_known")
	}
	return wording.Between(q.w, s.Low, s.High)
}

// column is a share in a column.
func (q *query) column(x float64) string { return q.w.Column(x, 1) }

// shareRange is an interval in a column.
func (q *query) shareRange(s yield.Share) string {
	if !s.Known() {
		return "–"
	}
	return q.t("figures.range", "low", q.column(s.Low), "high", q.column(s.High))
}

// term is a figure without its value, by the key of its term.
func (q *query) term(key string) shell.Figure {
	name, meaning := wording.Term(q.w, key)
	return shell.Figure{Name: name, Explain: wording.Capital(meaning)}
}

// figure is a share as a figure of a page.
func (q *query) figure(name string, s yield.Share) shell.Figure {
	f := q.term(name)
	f.Value, f.Interval = q.share(s), q.interval(s)
	return f
}

// duration is a length of time in s.
func (q *query) duration(s float64) string { return q.w.Span(s) }

// fixedBetween is an interval with so many decimals; it may be open.
func (q *query) fixedBetween(low, high float64, decimals int) string {
	switch {
	case !finite(low) && !finite(high):
		return ""
	case !finite(high):
		return q.t("figures.or_more", "low", q.w.Fixed(low, decimals))
	case !finite(low):
		return q.t("figures.or_less", "high", q.w.Fixed(high, decimals))
	}
	return q.t("figures.between", "low", q.w.Fixed(low, decimals), "high", q.w.Fixed(high, decimals))
}

// sentence is a sentence of the product in the reader's language.
func (q *query) sentence(s string) string { return q.texts().T(s) }

func (q *query) texts() wording.Texts { return q.m.c.Texts[q.page.Lang] }

// cause is a cause in the reader's language.
func (q *query) cause(c reports.Cause) string { return q.w.Cause(q.texts(), c) }

// part is what people call a part of the handset.
func (q *query) part(name string) string { return q.m.c.Drawing.Title(q.texts(), name) }

// check is what a check is about, "" if that is not known.
func (q *query) check(name string) string {
	i := slices.IndexFunc(q.m.c.Checks, func(c Check) bool { return c.Name == name })
	if i < 0 {
		return ""
	}
	return q.sentence(q.m.c.Checks[i].About)
}

// readingAbout is what the check of a reading is about.
func (q *query) readingAbout(reading string) string {
	check, _, _ := strings.Cut(reading, ".")
	return q.check(check)
}

// outcome is the shape and the word of an outcome.
func (q *query) outcome(o reports.Outcome) (shape, word string) {
	switch o {
	case reports.Passed:
		return "pass", q.t("manager.outcome.passed")
	case reports.Failed:
		return "fail", q.t("manager.outcome.failed")
	case reports.Aborted:
		return "aborted", q.t("manager.outcome.aborted")
	}
	return "error", q.t("manager.outcome.error")
}

// shortDay is a day without its year.
func (q *query) shortDay(at time.Time) string {
	at = at.In(q.m.zone)
	return q.t("manager.day_short", "day", strconv.Itoa(at.Day()), "month",
		q.w.T("shell.month_"+strconv.Itoa(int(at.Month()))))
}

// periodLabel is how a chart calls the period that begins at a time.
func (q *query) periodLabel(by store.By, at, before time.Time) string {
	switch by {
	case store.ByHour, store.ByShift:
		if before.IsZero() || q.w.Day(at) != q.w.Day(before) {
			return q.shortDay(at) + " " + q.w.Clock(at)
		}
		return q.w.Clock(at)
	case store.ByMonth:
		at = at.In(q.m.zone)
		return q.t("manager.month", "month", q.w.T("shell.month_"+strconv.Itoa(int(at.Month()))), "year",
			strconv.Itoa(at.Year()))
	}
	return q.shortDay(at)
}

// groupLabels names groups for a chart.
func (q *query) groupLabels(groups []yield.Group, by store.By) []string {
	labels := make([]string, len(groups))
	long := len(groups) > 0 && groups[len(groups)-1].Start.Sub(groups[0].Start) > 24*time.Hour
	var before time.Time
	for i, g := range groups {
		if g.Start.IsZero() {
			labels[i] = g.Key
			if by == store.ByProduct {
				labels[i] = q.m.product(g.Key)
			}
			continue
		}
		labels[i] = q.periodLabel(by, g.Start, before)
		if !long { // a chart writes but some: over days each needs its own
			before = g.Start
		}
	}
	return labels
}

// behind leads to the runs of a group.
func (q *query) behind(g yield.Group, by store.By, more ...string) string {
	if g.Start.IsZero() {
		return q.units(append([]string{string(by), g.Key}, more...)...)
	}
	next := yield.Following(string(by), q.m.zone, q.m.c.Shifts)
	if next == nil {
		return q.units(more...)
	}
	from, until := g.Start, next(g.Start)
	if from.Before(q.sel.Since) {
		from = q.sel.Since
	}
	if !q.sel.Until.IsZero() && until.After(q.sel.Until) {
		until = q.sel.Until
	}
	return q.units(append(q.span(from, until), more...)...)
}

// when is a moment for a table: it never breaks.
func (q *query) when(at time.Time) string { return unbroken(q.w.When(at)) }

func unbroken(s string) string { return strings.NewReplacer(" ", "\u00a0", "-", "\u2011").Replace(s) }

// onset is a moment in a sentence: midnight is the day.
func (q *query) onset(at time.Time) string {
	if q.w.Clock(at) == "00:00" {
		return q.w.Day(at)
	}
	return q.w.When(at)
}

// quantity is a value with its unit.
func (q *query) quantity(x float64, unit string) string { return q.w.Quantity(x, unit) }

// limits are those of a reading in words.
func (q *query) limits(lower, upper *float64, unit string) string {
	return wording.Limits(q.w, yield.Spec{Lower: lower, Upper: upper}, func(x float64) string {
		return q.quantity(x,
			unit)
	})
}

// codeOf is a reason as a table to be worked on has it.
// codesOf are the codes of reasons, with a blank between them.
func codesOf(list []reports.Reason) string {
	var codes []string
	for i := range list {
		codes = append(codes, codeOf(&list[i]))
	}
	return strings.Join(codes, " ")
}

func codeOf(r *reports.Reason) string {
	if r == nil {
		return ""
	}
	return string(r.Code)
}
