package manager

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
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
