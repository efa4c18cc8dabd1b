package manager

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"fullthrow/reports/page"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/runner/web/shell"
)

// view is what a template gets.
type view struct {
	shell.Page
	Style     string
	Answer    string // the answer to the question, in a sentence or two
	About     string // which runs it is about
	Simulated bool
	Filter    *filter
	Blocks    []block
	Unit      *unitView
	Witness   string // printed alone

	sheets []sheet
	answer any // as JSON
}

// block is one part of a page, in its order; one of its fields is set.
type block struct {
	Figures []shell.Figure
	Small   bool // figures of the second rank
	Notice  *shell.Notice
	Chart   *shell.Chart
	Table   *table
	Empty   *shell.Empty
	Pair    []block // side by side
	Rooms   *rooms
	Links   []shell.Link
	Choice  *choice
	Text    *text
}

// table is rows with what stands around them.
type table struct {
	shell.Table
	Title string
	Intro string
	CSV   string
	Notes []string
	Next  string // where it goes on
	First string // where it begins
}

// choice is a form of its own for what a page adds to the filter.
type choice struct {
	Label  string
	Fields []selectField
	Hidden []hidden
	Action string
	Button string
}

// text is a heading with paragraphs; Notes are in English.
type text struct {
	Title      string
	Lines      []string
	Rules      []rule
	Notes      []string
	NotesTitle string
}

// rule is one that fired.
type rule struct {
	Number string
	Name   string
	Means  string
	Where  string
}

type hidden struct{ Name, Value string }

type selectField struct {
	Name, Label string
	Options     []option
	Groups      []optionGroup
}

type option struct {
	Value, Text string
	Selected    bool
}

type optionGroup struct {
	Label   string
	Options []option
}

// filter is the address as a form.
type filter struct {
	Action   string
	Selects  []selectField
	FromType string // "date", or "datetime-local" where the address has a time of day
	From, To string
	Hidden   []hidden
	Clear    string
}

func (v *view) add(b ...block) { v.Blocks = append(v.Blocks, b...) }

// chart adds a drawing, its numbers as a sheet of that name.
func (q *query) chart(v *view, c shell.Chart, s sheet) block {
	c.ID, c.CSV = s.name, q.csvOf(s.name)
	c.Table.Caption = c.Title
	v.sheets = append(v.sheets, s)
	return block{Chart: &c}
}

// fields are the filters that are fields of a run.
var fields = []store.By{store.ByProduct, store.ByRevision, store.ByLot, store.ByStation, store.ByNest, store.ByOperator}

// begin makes a view of an answer, with its title, filter and the sentence that
// says which runs it is about.
func (q *query) begin(answer any, about review.About) (*view, error) {
	q.page.Title = q.t("manager.title." + q.name())
	v := &view{About: q.about(), Simulated: about.Simulated, answer: answer}
	f := &filter{Action: q.path, Clear: q.path, FromType: "date"}
	periods := selectField{Name: "period", Label: q.t("manager.field.period")}
	now := q.asked.Period
	if !slices.Contains(presets, now) {
		text := now
		if now == "" {
			text = q.t("manager.period.custom")
		}
		periods.Options = append(periods.Options, option{now, text, true})
	}
	for _, p := range presets {
		periods.Options = append(periods.Options, option{p, q.t("manager.period." + p), p == now})
	}
	f.Selects = append(f.Selects, periods)
	given := map[store.By]string{}
	for _, by := range fields {
		given[by] = q.values[string(by)]
	}
	if q.sel.Nest != "" && q.sel.Station != "" {
		given[store.ByNest] = q.sel.Station + " " + q.sel.Nest
	}
	for _, by := range fields {
		values, err := q.m.c.Store.Values(q.ctx, by)
		if err != nil {
			return nil, err
		}
		if len(values) < 2 && given[by] == "" {
			continue // nothing to choose from
		}
		field := selectField{Name: string(by), Label: q.field(string(by)),
			Options: []option{{"", q.t("manager.field.all"), given[by] == ""}}}
		for _, value := range values[:min(len(values), mostOptions)] {
			name := value
			if by == store.ByProduct {
				name = q.m.product(value)
			}
			field.Options = append(field.Options, option{value, name, value == given[by]})
		}
		if now := given[by]; now != "" && !slices.ContainsFunc(field.Options,
			func(o option) bool { return o.Selected }) {
			field.Options = append(field.Options, option{now, now, true})
		}
		f.Selects = append(f.Selects, field)
	}
	f.From, f.To = q.days()
	if len(f.From) > len(dayLayout) || len(f.To) > len(dayLayout) {
		f.FromType = "datetime-local"
	}
	f.Hidden = append(f.Hidden, hidden{"was", now})
	for _, name := range review.Options(q.name()) {
		if value := q.values[name]; value != "" && !slices.Contains(review.Filters(), name) {
			f.Hidden = append(f.Hidden, hidden{name, value})
		}
	}
	v.Filter = f
	return v, nil
}

// days are since and until as a form has them: days where both are whole, else
// moments; "" where the period has a word.
func (q *query) days() (from, to string) {
	if q.asked.Period != "" {
		return "", ""
	}
	since, until := q.sel.Since.In(q.m.zone), q.sel.Until.In(q.m.zone)
	whole := func(t time.Time) bool { return t.IsZero() || t.Format("15:04") == "00:00" }
	layout := momentLayout
	if whole(since) && whole(until) {
		layout = dayLayout
		until = until.AddDate(0, 0, -1) // the last day
	}
	if !q.sel.Since.IsZero() {
		from = since.Format(layout)
	}
	if !q.sel.Until.IsZero() {
		to = until.Format(layout)
	}
	return from, to
}

// mostOptions is how many values a menu offers, the newest.
const mostOptions = 200

// product is what people call a product.
func (m *Manager) product(name string) string {
	if name == m.c.Product.Name && m.c.Product.Title != "" {
		return m.c.Product.Title
	}
	return name
}

// about says which runs a page is about: paper has no form.
func (q *query) about() string {
	var parts []string
	s := q.sel
	if s.Product != "" {
		parts = append(parts, q.m.product(s.Product))
	}
	nest := s.Nest
	if nest != "" && s.Station != "" {
		nest = s.Station + " " + nest
	}
	station := s.Station
	if nest != "" {
		station = ""
	}
	for _, f := range []struct{ id, value string }{
		{"manager.about.revision", s.Revision}, {"manager.about.lot", s.Lot}, {"manager.about.station", station},
		{"manager.about.nest", nest}, {"manager.about.operator", s.Operator},
	} {
		if f.value != "" {
			parts = append(parts, q.t(f.id, "value", f.value))
		}
	}
	if len(parts) == 0 {
		parts = append(parts, q.t("manager.about.all"))
	}
	parts = append(parts, q.timeSpan(s.Since, s.Until))
	return strings.Join(parts, " · ")
}

// timeSpan says from when to when, in days where it is whole days.
func (q *query) timeSpan(since, until time.Time) string {
	whole := func(t time.Time) bool { return t.IsZero() || t.In(q.m.zone).Format("15:04") == "00:00" }
	switch {
	case since.IsZero() && until.IsZero():
		return q.t("manager.about.ever")
	case whole(since) && whole(until) && !until.IsZero():
		last := until.Add(-time.Minute)
		switch {
		case since.IsZero():
			return q.t("manager.about.until_day", "to", q.w.Day(last))
		case q.w.Day(since) == q.w.Day(last):
			return q.w.Day(since)
		}
		return q.t("manager.about.days", "from", q.w.Day(since), "to", q.w.Day(last))
	case until.IsZero() && whole(since):
		if q.w.Day(since) == q.w.Day(q.now) {
			return q.t("manager.about.today", "day", q.w.Day(since), "time", q.w.Clock(q.now))
		}
		return q.t("manager.about.since_day", "from", q.w.Day(since))
	case until.IsZero():
		return q.t("manager.about.since", "from", q.w.When(since))
	case since.IsZero():
		return q.t("manager.about.until", "to", q.w.When(until))
	case q.w.Day(since) == q.w.Day(until):
		return q.t("manager.about.times", "from", q.w.When(since), "to", q.w.Clock(until))
	}
	return q.t("manager.about.days", "from", q.w.When(since), "to", q.w.When(until))
}

// nothing says that there are no units, and where there are some.
func (q *query) nothing(v *view) error {
	e := shell.Empty{Title: q.t("manager.empty.title"), Text: q.t("manager.empty.judged")}
	why, newest, err := q.review.Empty(q.ctx, &q.asked)
	if err != nil {
		return err
	}
	switch why {
	case review.EmptyUnjudged:
		e.Link = shell.Link{Href: q.units(), Text: q.t("manager.empty.units")}
	case review.EmptyPeriod:
		at := newest.Started.In(q.m.zone)
		e.Text = q.t("manager.empty.newest", "at", q.w.When(at))
		day := at.Format(dayLayout)
		e.Link = shell.Link{Href: q.same("period", day, "since", "", "until", ""),
			Text: q.t("manager.empty.newest_link",
				"day", q.w.Day(at))}
	case review.EmptyChoice:
		e.Text = q.t("manager.empty.choice")
		e.Link = shell.Link{Href: q.path + "?period=all", Text: q.t("manager.empty.choice_link")}
	default:
		e.Title, e.Text = q.t("manager.empty.none"), q.t("manager.empty.none_hint")
		e.Link = shell.Link{Href: "/", Text: q.t("manager.empty.none_link")}
	}
	v.add(block{Empty: &e})
	return nil
}

// sheet is a table of a page for a spreadsheet: raw values, not words.
type sheet struct {
	name string
	head []string
	rows [][]any // string, int64, int, float64, time.Time, bool or nil
}

func (s *sheet) row(cells ...any) { s.rows = append(s.rows, cells) }

// writeData writes what a page shows for programs: as JSON, or a table as CSV.
func (v *view) writeData(w http.ResponseWriter, q *query) error {
	if q.format == "csv" {
		return v.writeCSV(w, q)
	}
	if v.answer == nil {
		return shell.Refuse(http.StatusNotFound, "manager.bad.no_table")
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(v.answer); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store")
	w.Write(b.Bytes())
	return nil
}

// writeCSV writes the table that was asked for, or the first.
func (v *view) writeCSV(w http.ResponseWriter, q *query) error {
	var names []string
	for i := range v.sheets {
		s := &v.sheets[i]
		if q.table != "" && s.name != q.table {
			names = append(names, s.name)
			continue
		}
		var b bytes.Buffer
		if err := s.write(&b); err != nil {
			return err
		}
		h := w.Header()
		h.Set("Content-Type", "text/csv; charset=utf-8")
		h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="fullthrow-%s-%s.csv"`, q.name(), s.name))
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cache-Control", "no-store")
		w.Write(b.Bytes())
		return nil
	}
	if len(names) == 0 {
		return shell.Refuse(http.StatusNotFound, "manager.bad.no_table")
	}
	return q.wrong("table", q.table, names...)
}

func (s *sheet) write(b *bytes.Buffer) error {
	row := page.CSVRows(b)
	for _, cells := range append([][]any{page.ToAny(s.head)}, s.rows...) {
		if err := row(cells...); err != nil {
			return err
		}
	}
	return nil
}
