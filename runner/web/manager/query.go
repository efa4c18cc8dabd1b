package manager

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/crash"
	"fullthrow/runner/web/look"
)

// query is an address, read and found good.
type query struct {
	m    *Manager
	ctx  context.Context
	page look.Page
	w    *wording.Translator
	path string
	now  time.Time

	values map[string]string // as given, by parameter
	sel    store.Selection
	period string // preset, "custom" where from or to is given
	csv    bool
	tidied string // the same address without what a form adds, "" if it is that
	table  string // that is wanted as CSV, "" the first
}

// maxValue is how long a parameter may be, in characters.
const maxValue = 120

// filters are the parameters that choose runs and go along from page to page.
var filters = []string{"period", "from", "to", "product", "revision", "lot", "station", "nest", "operator"}

// fields are those of them that are fields of a run.
var fields = []store.By{store.ByProduct, store.ByRevision, store.ByLot, store.ByStation, store.ByNest, store.ByOperator}

// others are what single pages add.
var others = []string{"was", "by", "kind", "reading", "chart", "rules", "low", "high", "a", "b", "serial", "run", "outcome", "check", "cause", "first", "flagged", "after", "format", "table"}

// presets are the periods that have a name, in the order of the menu.
var presets = []string{"shift", "today", "yesterday", "7d", "30d", "90d", "365d", "all"}

// read takes an address apart. The query is good for an excuse even with an
// error.
func (m *Manager) read(r *http.Request, path string) (*query, error) {
	q := &query{m: m, ctx: r.Context(), path: path, now: m.c.Now().In(m.zone), values: map[string]string{}}
	q.page = m.look.Page(r, "")
	q.w = q.page.Words()
	given, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return q, refuse(http.StatusBadRequest, "manager.bad.address")
	}
	for _, name := range slices.Concat(filters, others) {
		v := strings.TrimSpace(given.Get(name))
		switch {
		case v == "":
			continue
		case !utf8.ValidString(v) || strings.ContainsFunc(v, func(c rune) bool { return !unicode.IsPrint(c) || c == unicode.ReplacementChar }):
			return q, refuse(http.StatusBadRequest, "manager.bad.characters", "name", q.field(name))
		case utf8.RuneCountInString(v) > maxValue && name != "cause":
			return q, refuse(http.StatusBadRequest, "manager.bad.long", "name", q.field(name), "count", maxValue)
		case utf8.RuneCountInString(v) > 4*maxValue:
			return q, refuse(http.StatusBadRequest, "manager.bad.long", "name", q.field(name), "count", 4*maxValue)
		}
		q.values[name] = v
	}
	if f := q.values["format"]; f != "" {
		if f != "csv" {
			return q, q.wrong("format", "csv")
		}
		q.csv, q.table = true, q.values["table"]
	}
	if _, ok := given["was"]; ok {
		q.tidy()
	}
	q.sel = store.Selection{Product: q.values["product"], Revision: q.values["revision"], Lot: q.values["lot"], Station: q.values["station"],
		Nest: q.values["nest"], Operator: q.values["operator"], Zone: m.zone, Shifts: m.c.Shifts}
	// A nest is known as "LQ-1 A" in menus.
	if station, nest, ok := cutLast(q.sel.Nest, " "); ok && (q.sel.Station == "" || q.sel.Station == station) {
		q.sel.Station, q.sel.Nest = station, nest
	}
	return q, q.readPeriod()
}

// tidy makes an address that a form sent short enough to be kept: without empty
// values, and with either a named period or days. Whichever was changed holds;
// "was" is the period that the form had shown.
func (q *query) tidy() {
	if q.values["period"] != "" && q.values["period"] != q.values["was"] {
		delete(q.values, "from")
		delete(q.values, "to")
	} else if q.values["from"] != "" || q.values["to"] != "" {
		delete(q.values, "period")
	}
	delete(q.values, "was")
	q.tidied = q.same()
}

func cutLast(s, sep string) (before, after string, ok bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

// wrong refuses a value that is none of those that are understood.
func (q *query) wrong(name string, allowed ...string) error {
	return refuse(http.StatusBadRequest, "manager.bad.choice", "name", q.field(name), "value", brief(q.values[name]), "allowed", strings.Join(allowed, ", "))
}

// brief cuts what somebody else wrote to what a sentence bears.
func brief(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}

// field is what people call a parameter.
func (q *query) field(name string) string {
	if id := "manager.field." + name; q.w.Has(id) {
		return q.t(id)
	}
	return name
}

// choice is a parameter that must be one of some values; "" is the first.
func (q *query) choice(name string, allowed ...string) (string, error) {
	v := q.values[name]
	if v == "" {
		return allowed[0], nil
	}
	if !slices.Contains(allowed, v) {
		return "", q.wrong(name, allowed...)
	}
	return v, nil
}

// number is a parameter that must be a number; ok is false where it is not
// given.
func (q *query) number(name string) (x float64, ok bool, err error) {
	v := q.values[name]
	if v == "" {
		return 0, false, nil
	}
	x, perr := strconv.ParseFloat(v, 64)
	if perr != nil || !finite(x) {
		return 0, false, refuse(http.StatusBadRequest, "manager.bad.number", "name", q.field(name), "value", brief(v))
	}
	return x, true, nil
}

// readPeriod turns period, from and to into a span of time.
func (q *query) readPeriod() error {
	usual := "30d"
	if q.path == "/today" {
		usual = "today"
	}
	if q.path == "/unit" {
		usual = "all"
	}
	var err error
	if q.period, err = q.choice("period", append([]string{usual}, presets...)...); err != nil {
		return err
	}
	from, to := q.values["from"], q.values["to"]
	if from == "" && to == "" {
		q.sel.Since, q.sel.Until = q.preset(q.period)
		return nil
	}
	q.period = "custom"
	if from != "" {
		if q.sel.Since, _, err = q.moment("from"); err != nil {
			return err
		}
	}
	if to != "" {
		at, day, err := q.moment("to")
		if err != nil {
			return err
		}
		if q.sel.Until = at; day {
			q.sel.Until = at.AddDate(0, 0, 1)
		}
	}
	if from != "" && to != "" && !q.sel.Until.After(q.sel.Since) {
		return refuse(http.StatusBadRequest, "manager.bad.order")
	}
	return nil
}

const (
	dayLayout    = "2006-01-02"
	momentLayout = "2006-01-02T15:04"
)

// moment reads a day, or a day with a time of day, at the plant.
func (q *query) moment(name string) (at time.Time, day bool, err error) {
	v := q.values[name]
	at, perr := time.ParseInLocation(dayLayout, v, q.m.zone)
	if day = perr == nil; !day {
		at, perr = time.ParseInLocation(momentLayout, v, q.m.zone)
	}
	if perr != nil || at.Year() < 1980 || at.Year() > 2200 {
		return at, false, refuse(http.StatusBadRequest, "manager.bad.day", "name", q.field(name), "value", brief(v))
	}
	return at, day, nil
}

// preset is the span of a named period; zero times are open ends.
func (q *query) preset(name string) (since, until time.Time) {
	y, m, d := q.now.Date()
	midnight := time.Date(y, m, d, 0, 0, 0, 0, q.m.zone)
	switch name {
	case "shift":
		return q.shift(), time.Time{}
	case "today":
		return midnight, time.Time{}
	case "yesterday":
		return midnight.AddDate(0, 0, -1), midnight
	case "7d":
		return midnight.AddDate(0, 0, -6), time.Time{}
	case "30d":
		return midnight.AddDate(0, 0, -29), time.Time{}
	case "90d":
		return midnight.AddDate(0, 0, -89), time.Time{}
	case "365d":
		return midnight.AddDate(0, 0, -364), time.Time{}
	}
	return time.Time{}, time.Time{}
}

// together asks several things at once; the first error counts.
func together(ask ...func() error) error {
	errs := make([]error, len(ask))
	var wg sync.WaitGroup
	for i, f := range ask {
		wg.Go(func() {
			defer crash.Guard()
			errs[i] = f()
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// shift is when the present shift began.
func (q *query) shift() time.Time {
	shifts := q.m.c.Shifts
	if len(shifts) == 0 {
		shifts = []time.Duration{6 * time.Hour, 14 * time.Hour, 22 * time.Hour}
	}
	y, m, d := q.now.Date()
	for day := range 2 {
		for _, at := range slices.Backward(shifts) {
			h, min := int(at.Hours()), int(at.Minutes())%60
			if begin := time.Date(y, m, d-day, h, min, 0, 0, q.m.zone); !begin.After(q.now) {
				return begin
			}
		}
	}
	return time.Date(y, m, d, 0, 0, 0, 0, q.m.zone)
}

// before is the time that this one is held against: as long, just before it;
// for up to a day, the 30 days before. ok is false where there is none.
func (q *query) before() (s store.Selection, days int, ok bool) {
	if q.sel.Since.IsZero() {
		return s, 0, false
	}
	until := q.sel.Until
	if until.IsZero() || until.After(q.now) {
		until = q.now
	}
	days = int(until.Sub(q.sel.Since).Hours()/24 + 0.99)
	if days <= 1 {
		days = 30
	}
	if days > 3660 {
		return s, 0, false
	}
	s = q.sel
	s.Since, s.Until = q.sel.Since.AddDate(0, 0, -days), q.sel.Since
	return s, days, true
}

// link is a page about the same choice of units, with further parameters; a
// value "" takes one away.
func (q *query) link(path string, more ...string) string {
	v := url.Values{}
	for _, name := range filters {
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
		if name != "format" && name != "table" && name != "after" {
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
	return []string{"period", "", "from", from.In(q.m.zone).Format(momentLayout), "to", until.In(q.m.zone).Format(momentLayout)}
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
