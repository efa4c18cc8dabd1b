package repair

import (
	"cmp"
	"context"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"sync"
	"time"
	"unicode"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

const (
	// lookBack is how old a failure may be for its unit to be listed: what
	// nobody has brought in a season is not on its way.
	lookBack = 90 * 24 * time.Hour
	// mostFailed and mostUnits bound what a list looks at, newest first.
	mostFailed, mostUnits = 600, 300
	// mostDone is how many repairs are listed.
	mostDone = 25
)

// listView is the data of the list.
type listView struct {
	base
	Bare    bool // only the notices and the scan field
	Parts   []option
	Waiting []waitingRow
	AtLine  int    // units that the line tests again first
	All     string // link to all parts, while one is chosen
	Done    []doneRow
	Cut     bool // there are more than were looked at
}

// option is something to choose.
type option struct {
	Value, Text, Href string
	Count             int
	Chosen            bool
}

type waitingRow struct {
	Serial, Href string
	Part, Cause  string
	Lot, Nest    string
	At           time.Time
	Failures     int
	Again        bool // it was repaired before
}

type doneRow struct {
	Serial, Href string
	At           time.Time
	By           string
	Found, Done  string
	Shape, Then  string // what became of it
	ThenAt       time.Time
}

// list is GET /repair/: what waits, and what was done.
func (b *Bench) list(q *request) (*answer, error) {
	v := &listView{}
	q.page.Title = q.t("repair.title")
	q.page.Question = q.t("repair.list.question")
	ctx := q.Context()
	sel := store.Selection{Product: b.c.Product.Name, Since: q.now.Add(-lookBack)}
	all, cut, atLine, err := b.waiting(ctx, sel)
	if err != nil {
		return nil, err
	}
	v.Cut, v.AtLine = cut, atLine
	chosen := q.URL.Query().Get("part")
	counts := map[string]int{}
	for _, s := range all {
		counts[s.failed.Part]++
		if chosen != "" && s.failed.Part != chosen {
			continue
		}
		cause := s.failed.Cause
		if k, ok := b.rules[s.failed.Rule]; ok {
			cause = b.sentence(q, k.Cause)
		}
		if cause == "" && len(s.failed.Failed) > 0 {
			cause = s.failed.Failed[0]
		}
		v.Waiting = append(v.Waiting, waitingRow{Serial: s.unit.SerialNumber, Href: unitPath(s.unit.SerialNumber),
			Part: b.part(q, s.failed.Part), Cause: wording.Capital(cause),
			Lot: s.unit.Lot, Nest: s.failed.Nest, At: s.failed.Ended, Failures: s.failures, Again: s.repair != nil})
	}
	for part, n := range counts {
		name := b.part(q, part)
		if part == "" {
			name = q.t("repair.list.no_part")
		}
		v.Parts = append(v.Parts, option{Value: part, Text: name, Count: n, Href: "/repair/?" +
			url.Values{"part": {part}}.Encode(), Chosen: part == chosen && chosen != ""})
	}
	slices.SortFunc(v.Parts, func(x, y option) int {
		return cmp.Or(cmp.Compare(y.Count, x.Count),
			cmp.Compare(x.Text, y.Text))
	})
	if len(v.Parts) < 2 {
		v.Parts = nil
	}
	if chosen != "" {
		v.All = "/repair/"
	}
	if v.Done, err = b.lately(q, sel, mostDone, func(reports.Repair) bool { return true }); err != nil {
		return nil, err
	}
	return &answer{template: "list", data: v}, nil
}

// waiting finds the units that wait for repair, the one that failed longest
// ago first; cut says that there was more to look at.
func (b *Bench) waiting(ctx context.Context, sel store.Selection) (list []standing, cut bool, atLine int, err error) {
	runs, err := b.c.Store.Runs(ctx, sel, store.RunFilter{Outcome: reports.Failed}, "", mostFailed)
	if err != nil {
		return nil, false, 0, err
	}
	cut = len(runs) == mostFailed
	seen := map[string]bool{}
	for _, r := range runs {
		serial := r.Unit.SerialNumber
		if seen[serial] || r.Unit.Golden {
			continue
		}
		if len(seen) == mostUnits {
			cut = true
			break
		}
		seen[serial] = true
		history, repairs, err := b.history(ctx, serial)
		if err != nil {
			return nil, false, 0, err
		}
		switch s := stand(history, repairs, b.c.Retests); s.state {
		case waiting:
			list = append(list, s)
		case line:
			atLine++
		}
	}
	slices.SortStableFunc(list, func(x, y standing) int { return x.failed.Ended.Compare(y.failed.Ended) })
	return list, cut, atLine, nil
}

// lately lists repairs, newest first, and what became of the units.
func (b *Bench) lately(q *request, sel store.Selection, limit int, want func(reports.Repair) bool) ([]doneRow, error) {
	repairs, err := b.c.Store.Repairs(q.Context(), sel, 2000)
	if err != nil {
		return nil, err
	}
	sealed := b.c.Archive.Repairs()
	for i := len(sealed) - 1; i >= 0 && i >= len(sealed)-fresh; i-- {
		if r := sealed[i].Repair; r.Unit.Product == b.c.Product.Name && !slices.ContainsFunc(repairs,
			func(k reports.Repair) bool { return k.ID == r.ID }) {
			repairs = append(repairs, r)
		}
	}
	slices.SortStableFunc(repairs, func(x, y reports.Repair) int { return y.At.Compare(x.At) })
	var list []doneRow
	for _, r := range repairs {
		if !want(r) {
			continue
		}
		if len(list) == limit {
			break
		}
		runs, _, err := b.history(q.Context(), r.Unit.SerialNumber)
		if err != nil {
			return nil, err
		}
		row := doneRow{Serial: r.Unit.SerialNumber, Href: unitPath(r.Unit.SerialNumber), At: r.At, By: r.By,
			Found: b.found(q, r.Found), Done: q.w.Remedy(r.Done)}
		row.Shape, row.Then = "running", q.t("repair.then.waits")
		if r.Done == reports.Scrapped {
			row.Shape, row.Then = "aborted", q.t("repair.then.scrapped")
		}
		after := reports.PlaceOfRepair(r.At, len(runs), func(i int) bool { return runs[i].Run == r.Run },
			func(i int) time.Time { return runs[i].Ended })
		for _, run := range runs[after:] { // the first judged one after it
			if run.Flag == "" && (run.Outcome == reports.Passed || run.Outcome == reports.Failed || run.CutShort) {
				row.ThenAt = run.Ended
				row.Shape, row.Then = "fail", q.t("repair.then.failed")
				if run.Outcome == reports.Passed {
					row.Shape, row.Then = "pass", q.t("repair.then.passed")
				}
				break
			}
		}
		list = append(list, row)
	}
	return list, nil
}

func unitPath(serial string) string {
	return "/repair/unit?" + url.Values{"serial": {serial}}.Encode()
}

// mostScan is how long a scan may be, in bytes.
const mostScan = 300

// scan is GET /repair/scan: it leads to the unit whose label was read.
func (b *Bench) scan(w http.ResponseWriter, r *http.Request) {
	text := r.URL.Query().Get("text")
	if len(text) <= mostScan {
		if serial, err := b.c.Scan(text); err == nil {
			http.Redirect(w, r, unitPath(serial), http.StatusSeeOther)
			return
		}
	}
	b.page(func(b *Bench, q *request) (*answer, error) {
		a, err := b.list(q)
		if err != nil {
			return nil, err
		}
		v := a.data.(*listView)
		v.Scan = clip(text)
		v.Notices = append(v.Notices, shell.Notice{Shape: "doubt", Title: q.t("repair.scan.bad", "product",
			b.c.Product.Title), Text: []string{q.t("repair.scan.bad_hint")}})
		a.status = http.StatusUnprocessableEntity
		return a, nil
	})(w, r)
}

// of is GET /repair?run=: it leads to the unit of a run.
func (b *Bench) of(w http.ResponseWriter, r *http.Request) {
	name := r.URL.Query().Get("run")
	if name == "" {
		http.Redirect(w, r, "/repair/", http.StatusSeeOther)
		return
	}
	b.page(func(b *Bench, q *request) (*answer, error) {
		run, err := b.c.Store.Run(q.Context(), name)
		if err != nil {
			return nil, err
		}
		http.Redirect(w, r, unitPath(run.Unit.SerialNumber)+"&"+url.Values{"run": {run.Run}}.Encode(),
			http.StatusSeeOther)
		return nil, nil
	})(w, r)
}

// clip makes what was read fit to be shown again in the field.
func clip(text string) string {
	var out []rune
	for _, c := range text {
		if len(out) == 60 {
			break
		}
		if !unicode.IsPrint(c) || c == unicode.ReplacementChar {
			continue
		}
		out = append(out, c)
	}
	return string(out)
}

// hintPeriod is how far back the comparison looks, and mostRepairs how many
// repairs, the newest.
const (
	hintPeriod  = 180 * 24 * time.Hour
	mostRepairs = 5000
)

// hintsView is the data of the page that puts what was suggested against what
// was found.
type hintsView struct {
	base
	Figures  []shell.Figure
	Rules    []ruleRow
	Confused []confusedRow
	NoRule   []countRow
	Empty    *shell.Empty
	Days     int
}

type ruleRow struct {
	Text           string
	Right, Of      int64
	Share, Between string
	Low, High, At  float64 // 0 to 100, of the bar
	Found, Missed  int64
	SuggestedHref  string
	FoundHref      string
}

type confusedRow struct {
	Suggested, Found string
	Count            int64
	Href             string
}

type countRow struct {
	Text  string
	Count int64
	Href  string
}

// rows turns repairs into what the comparison takes. Golden units do not come
// to repair; one that was written down all the same is left out.
func (b *Bench) hintRows(repairs []reports.Repair) []yield.RepairRow {
	var rows []yield.RepairRow
	for _, r := range repairs {
		if r.Unit.Golden {
			continue
		}
		_, rule := b.rules[r.Found]
		rows = append(rows, yield.RepairRow{Suggested: r.Suggested, Found: r.Found, Rule: rule})
	}
	return rows
}

func recordPath(suggested, found string) string {
	v := url.Values{}
	if suggested != "" {
		v.Set("suggested", suggested)
	}
	if found != "" {
		v.Set("found", found)
	}
	return "/repair/record?" + v.Encode()
}

// hints is GET /repair/hints.
func (b *Bench) hints(q *request) (*answer, error) {
	v := &hintsView{Days: int(hintPeriod.Hours() / 24)}
	q.page.Title = q.t("repair.hints.title")
	q.page.Question = q.t("repair.hints.question")
	repairs, err := b.c.Store.Repairs(q.Context(), store.Selection{Product: b.c.Product.Name,
		Since: q.now.Add(-hintPeriod)}, mostRepairs)
	if err != nil {
		return nil, err
	}
	s := yield.StudyHints(b.hintRows(repairs), 0)
	if s.Repairs == 0 {
		v.Empty = &shell.Empty{Title: q.t("repair.hints.none"), Text: q.t("repair.hints.none_text"),
			Link: shell.Link{Href: "/repair/", Text: q.t("repair.nav.waiting")}}
		return &answer{template: "hints", data: v}, nil
	}
	share := shell.Figure{Name: q.t("repair.hints.right"), Value: "–", Meaning: q.t("repair.hints.right_none")}
	if s.Right.Known() {
		share.Value = q.w.Percent(tenth(s.Right.Value))
		share.Interval = q.t("repair.hints.between", "low", q.w.Percent(tenth(s.Right.Low)), "high",
			q.w.Percent(tenth(s.Right.High)))
		share.Meaning = q.t("repair.hints.right_text", "right", s.Right.Count, "count", s.Right.Of)
	}
	v.Figures = []shell.Figure{share,
		{Name: q.t("repair.hints.repairs"), Value: q.w.Number(float64(s.Repairs)),
			Meaning: q.t("repair.hints.repairs_text", "days", v.Days), Href: "/repair/record"},
		{Name: b.found(q, reports.NoFaultFound), Value: q.w.Number(float64(s.NoFaultFound)),
			Meaning: q.t("repair.hints.nff_text"), Href: recordPath("", reports.NoFaultFound)},
	}
	for _, r := range s.Rules {
		row := ruleRow{Text: b.found(q, r.Rule), Right: r.Right.Count, Of: r.Right.Of, Found: r.Found, Missed: r.Missed,
			FoundHref: recordPath("", r.Rule)}
		if r.Right.Known() {
			row.SuggestedHref = recordPath(r.Rule, "")
			row.Share, row.Between = q.w.Percent(tenth(r.Right.Value)), q.t("repair.hints.short", "low",
				q.w.PercentFixed(r.Right.Low, 0), "high", q.w.PercentFixed(r.Right.High, 0))
			row.Low, row.High, row.At = 100*r.Right.Low, 100*r.Right.High, 100*r.Right.Value
		}
		v.Rules = append(v.Rules, row)
	}
	for _, c := range s.Confused {
		v.Confused = append(v.Confused, confusedRow{b.found(q, c.Suggested), b.found(q, c.Found), c.Count,
			recordPath(c.Suggested, c.Found)})
	}
	for _, n := range s.NoRule {
		v.NoRule = append(v.NoRule, countRow{b.found(q, n.Found), n.Count, recordPath("", n.Found)})
	}
	return &answer{template: "hints", data: v}, nil
}

// tenth keeps a tenth of a percent, but never makes all or nothing of less.
func tenth(share float64) float64 {
	r := math.Round(share*1000) / 1000
	if (r == 0 || r == 1) && r != share {
		return share
	}
	return r
}

// recordView is the data of the list of repairs behind a figure.
type recordView struct {
	base
	About []string
	Done  []doneRow
	Back  string
	Full  bool // there may be more
}

const mostRecord = 100

// code is what the name of a rule or finding looks like, or nothing.
var code = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z0-9_-]{0,80}$`) })

// record is GET /repair/record: the repairs behind a figure.
func (b *Bench) record(q *request) (*answer, error) {
	suggested, found := q.URL.Query().Get("suggested"), q.URL.Query().Get("found")
	if !code().MatchString(suggested) || !code().MatchString(found) {
		return nil, shell.Refuse(http.StatusNotFound, "repair.record.unknown")
	}
	v := &recordView{Back: "/repair/hints"}
	q.page.Title = q.t("repair.record.title")
	if suggested != "" {
		v.About = append(v.About, q.t("repair.record.suggested", "cause", b.found(q, suggested)))
	}
	if found != "" {
		v.About = append(v.About, q.t("repair.record.found", "cause", b.found(q, found)))
	}
	var err error
	v.Done, err = b.lately(q, store.Selection{Product: b.c.Product.Name, Since: q.now.Add(-hintPeriod)}, mostRecord,
		func(r reports.Repair) bool {
			return (suggested == "" || r.Suggested == suggested) && (found == "" || r.Found == found)
		})
	v.Full = len(v.Done) == mostRecord
	return &answer{template: "record", data: v}, err
}
