package repair

import (
	"math"
	"net/http"
	"net/url"
	"regexp"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

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
