package manager

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/review"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// query is an address, read and found good.
type query struct {
	m      *Manager
	ctx    context.Context
	page   shell.Page
	w      *wording.Translator
	path   string
	now    time.Time
	review *review.Review
	asked  review.Question
	sel    store.Selection // of asked

	values map[string]string // options as given
	format string            // "csv" or "json", "" a page
	table  string            // that is wanted as CSV, "" the first
	tidied string            // the same address without what a form adds, "" if it is that
}

// bad begins the messages of what is wrong with an address.
const bad = "manager.bad."

// others are what an address holds beside the options of its question.
var others = []string{"was", "format", "table"}

// plainWord reports whether one of those is of letters, digits and a few signs.
func plainWord(s string) bool {
	return len(s) <= 120 && !strings.ContainsFunc(s, func(c rune) bool {
		return !(c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || strings.ContainsRune(" .:_-",
			c))
	})
}

// presets are the periods of the menu, in its order.
var presets = []string{review.PeriodShift, review.PeriodToday, "yesterday", "7d", "30d", "90d", "365d",
	review.PeriodAll}

// read takes an address apart. The query is good for an excuse even with an
// error.
func (m *Manager) read(r *http.Request, path string) (*query, error) {
	now := m.c.Now().In(m.zone)
	q := &query{m: m, ctx: r.Context(), path: path, now: now, values: map[string]string{}}
	q.review = &review.Review{Records: m.c.Store, Now: func() time.Time { return now }, Shifts: m.c.Shifts,
		Serials: m.c.Serials}
	q.page = m.look.Page(r, "")
	q.w = q.page.Words()
	given, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return q, shell.Refuse(http.StatusBadRequest, bad+"address")
	}
	for _, name := range others {
		if !plainWord(given.Get(name)) {
			return q, shell.Refuse(http.StatusBadRequest, bad+"address")
		}
	}
	for name := range given {
		if v := strings.TrimSpace(given.Get(name)); v != "" && !slices.Contains(others, name) {
			q.values[name] = v
		}
	}
	if q.format = given.Get("format"); !slices.Contains([]string{"", "csv", "json"}, q.format) {
		return q, q.wrong("format", q.format, "csv", "json")
	}
	q.table = given.Get("table")
	if _, ok := given["was"]; ok {
		q.tidy(strings.TrimSpace(given.Get("was")))
	}
	q.asked, err = q.review.Parse(q.name(), q.values)
	q.sel, q.values = q.asked.Runs, q.asked.Given() // links repeat nothing that was refused
	return q, err
}

// tidy makes an address that a form sent short enough to be kept: without empty
// values, and with either a named period or days. Whichever was changed holds;
// was is the period that the form had shown.
func (q *query) tidy(was string) {
	if q.values["period"] != "" && q.values["period"] != was {
		delete(q.values, "since")
		delete(q.values, "until")
	} else if q.values["since"] != "" || q.values["until"] != "" {
		delete(q.values, "period")
	}
	q.tidied = q.same()
}

// wrong refuses a value that is none of those that are understood.
func (q *query) wrong(name, value string, allowed ...string) error {
	return &review.Problem{Code: review.BadChoice, Args: []any{"name", name, "value", brief(value), "allowed",
		strings.Join(allowed, ", ")}}
}

// brief cuts what somebody else wrote to what a sentence bears.
func brief(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}

// field is what people call an option.
func (q *query) field(name string) string {
	if id := "manager.field." + name; q.w.Has(id) {
		return q.t(id)
	}
	return brief(name)
}

const (
	dayLayout    = "2006-01-02"
	momentLayout = "2006-01-02T15:04"
)

// link is a page about the same choice of units, with further parameters; a
// value "" takes one away.
func (q *query) link(path string, more ...string) string {
	v := url.Values{}
	for _, name := range review.Filters() {
		if given := q.values[name]; given != "" {
			v.Set(name, given)
		}
	}
	return encode(path, v, more)
}

// same is this page with some parameters changed.
func (q *query) same(more ...string) string {
	v := url.Values{}
	for name, given := range q.values {
		if name != "after" {
			v.Set(name, given)
		}
	}
	return encode(q.path, v, more)
}

func encode(path string, v url.Values, more []string) string {
	for i := 0; i+1 < len(more); i += 2 {
		if more[i+1] == "" {
			v.Del(more[i])
		} else {
			v.Set(more[i], more[i+1])
		}
	}
	if len(v) == 0 {
		return path
	}
	return path + "?" + v.Encode()
}

// span are the parameters of a period, for [query.link].
func (q *query) span(from, until time.Time) []string {
	return []string{"period", "", "since", from.In(q.m.zone).Format(momentLayout), "until",
		until.In(q.m.zone).Format(momentLayout)}
}

// units leads to the runs behind a mark.
func (q *query) units(more ...string) string { return q.link("/units", more...) }

// unitOf leads to a unit's page.
func unitOf(product, serial, run string) string {
	v := url.Values{}
	return encode("/unit", v, []string{"product", product, "serial", serial, "run", run})
}

// csvOf is where a table of this page is to be had as CSV.
func (q *query) csvOf(table string) string { return q.same("format", "csv", "table", table) }

func (q *query) t(id string, args ...any) string { return q.w.T(id, args...) }

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
	case !statistics.Finite(low) && !statistics.Finite(high):
		return ""
	case !statistics.Finite(high):
		return q.t("figures.or_more", "low", q.w.Fixed(low, decimals))
	case !statistics.Finite(low):
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
// ended is how a run ended: one that does not count has no outcome to believe.
func (q *query) ended(r store.Run) (shape, word string) {
	if r.Flag != "" {
		return "error", q.t("manager.list.flag")
	}
	return q.outcome(r.Outcome)
}

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
