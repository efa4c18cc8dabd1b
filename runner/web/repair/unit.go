package repair

import (
	"cmp"
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/page"
	"fullthrow/reports/store"
	"fullthrow/runner/web/shell"
)

const (
	// mostCompared is how many readings are shown with good units beside them.
	mostCompared = 4
	// lateness is how long ago other units with the same failure are "lately".
	lateness = 14 * 24 * time.Hour
	// mostOthers is how many of them are looked at, and listed.
	mostOthers, listedOthers = 300, 8
)

// unitView is the data of a unit's page.
type unitView struct {
	base
	Serial    string
	State     state
	Stand     shell.Notice // how the unit stands, unless it waits
	Back      bool         // it goes back to the line
	Facts     []fact
	Simulated bool
	Older     bool // the run shown is not the newest one that failed

	Run    *page.View // the failure that is shown, nil for none
	Past   *page.View // what happened to the unit
	Others string
	Lots   []string
	Same   []sameRow
	Links  []shell.Link
	Form   *formView
}

type fact struct{ Name, Value string }

type sameRow struct {
	Serial, Href, Lot string
	At                time.Time
	Found             string // what the repair bench found there, "" nothing yet
}

// unit is GET /repair/unit: one unit, by serial number.
func (b *Bench) unit(q *request) (*answer, error) {
	text := q.URL.Query().Get("serial")
	if len(text) > mostScan {
		return nil, shell.Refuse(http.StatusNotFound, "repair.scan.bad", "product", b.c.Product.Title)
	}
	serial, err := b.c.Scan(text)
	if err != nil {
		return nil, shell.Refuse(http.StatusNotFound, "repair.scan.bad", "product", b.c.Product.Title)
	}
	v, err := b.show(q, serial, q.URL.Query().Get("run"), nil)
	if err != nil {
		return nil, err
	}
	if v.State == unknown {
		return &answer{template: "unit", status: http.StatusNotFound, data: v}, nil
	}
	return &answer{template: "unit", data: v}, nil
}

// show gathers what there is to say of a unit. name is the run to show, "" for
// the newest that failed; form is what was filled in and refused, nil for a
// fresh one.
func (b *Bench) show(q *request, serial, name string, form *formView) (*unitView, error) {
	ctx := q.Context()
	runs, repairs, err := b.history(ctx, serial)
	if err != nil {
		return nil, err
	}
	s := stand(runs, repairs, b.c.Retests)
	v := &unitView{Serial: serial, State: s.state}
	q.page.Title = q.t("repair.unit.title", "serial", serial)
	v.stand(b, q, s)
	opts := page.Options{Words: q.w, Texts: b.c.Texts[q.page.Lang], History: b.rows(runs, repairs)}
	if v.Past, err = page.NewHistory(opts); err != nil {
		return nil, err
	}
	if b.c.Unit != "" && s.state != unknown {
		v.Links = append(v.Links, shell.Link{Href: b.c.Unit + "?" + url.Values{"serial": {serial},
			"product": {b.c.Product.Name}}.Encode(), Text: q.t("repair.unit.whole")})
	}
	shown := s.failed
	if name != "" {
		i := slices.IndexFunc(runs, func(r store.Run) bool {
			return r.Run == name && r.Outcome == reports.Failed &&
				r.Flag == ""
		})
		if i < 0 && (s.failed == nil || s.failed.Run != name) {
			if !slices.ContainsFunc(runs, func(r store.Run) bool { return r.Run == name }) {
				return nil, shell.Refuse(http.StatusNotFound, "repair.unit.no_run")
			}
		} else if i >= 0 {
			shown = &runs[i]
		}
	}
	if shown == nil || s.state == golden {
		return v, nil
	}
	v.Older = s.failed != nil && shown.Run != s.failed.Run
	sealed, err := b.c.Store.Report(ctx, shown.Run)
	if err != nil {
		return nil, err
	}
	if err := v.failure(b, q, *shown, sealed, opts); err != nil {
		return nil, err
	}
	if s.state == waiting || s.state == line || s.state == repaired &&
		(form != nil || q.URL.Query().Get("again") == "1") {
		if !v.Older {
			v.Form = b.form(q, s, *shown, sealed.Report.Causes, form)
		}
	}
	return v, nil
}

// stand says how the unit stands, in words.
func (v *unitView) stand(b *Bench, q *request, s standing) {
	put := func(shape string, args ...any) {
		v.Stand = q.page.Notice(shape, "repair.stand."+string(s.state), args...)
	}
	switch s.state {
	case unknown:
		put("none")
	case golden:
		put("none")
	case uncounted:
		put("error")
	case unjudged:
		put("error")
		if why := q.w.Reason(s.last.Reason); why != "" {
			v.Stand.Text = append(v.Stand.Text, q.t("repair.stand.bench_says", "text", why))
		}
	case passed:
		put("pass", "when", s.newest.Ended)
		if s.last != s.newest {
			v.Stand.Text = append(v.Stand.Text, q.t("repair.stand.error_since"))
		}
	case line:
		put("doubt")
	case repaired:
		put("repair", "by", s.repair.By, "when", s.repair.At)
		v.Stand.Text = append(v.Stand.Text, b.found(q, s.repair.Found)+" · "+q.w.Remedy(s.repair.Done))
		v.Back = true
	case scrapped:
		put("aborted", "by", s.repair.By, "when", s.repair.At)
	}
	if s.last == nil {
		return
	}
	add := func(id, value string) {
		if value != "" {
			v.Facts = append(v.Facts, fact{q.t("repair.fact." + id), value})
		}
	}
	add("lot", s.unit.Lot)
	add("revision", s.unit.Revision)
	if s.failures > 1 {
		add("failures", q.t("repair.fact.times", "count", s.failures))
	}
	v.Simulated = s.last.Simulated
}

// failure says where the unit failed, by how much, why perhaps, and what good
// units show.
func (v *unitView) failure(b *Bench, q *request, run store.Run, s archive.Sealed, opts page.Options) error {
	ctx, r := q.Context(), s.Report
	v.Facts = append(v.Facts, fact{q.t("repair.fact.nest"), run.Station + " " + run.Nest}, fact{q.t("repair.fact.when"),
		q.w.When(r.Ended)})
	if run.Operator != "" {
		v.Facts = append(v.Facts, fact{q.t("repair.fact.operator"), run.Operator})
	}
	g, err := b.goodUnits(ctx, run)
	if err != nil {
		return err
	}
	opts.Handset, opts.FailedCaptures, opts.Attachments = b.c.Drawing, true, b.c.Attachments
	compared := 0
	opts.Beside = func(k reports.Reading) (beside page.Beside) {
		if compared++; compared > mostCompared || err != nil {
			return beside
		}
		if beside.Values, err = b.values(ctx, g, k.Check+"."+k.Name); err == nil {
			beside.Who, beside.Place = b.besideWords(q, k, beside.Values, g, run)
		}
		return beside
	}
	if g.near != nil && len(r.Captures) > 0 {
		near, err := b.c.Store.Report(ctx, g.near.Run)
		if err != nil && !errors.Is(err, store.ErrUnknown) {
			b.c.Log.Warn("the report of a good unit cannot be read", "run", g.near.Run, "error", err)
		}
		if err == nil {
			opts.Good = &near.Report
			if b.c.Unit != "" {
				asked := url.Values{"serial": {g.near.Unit.SerialNumber}, "product": {b.c.Product.Name},
					"run": {g.near.Run}}
				opts.GoodHref = b.c.Unit + "?" + asked.Encode()
			}
		}
	}
	shown, wrong := page.New(s, opts)
	if err != nil {
		return err
	}
	if wrong != nil {
		return wrong
	}
	v.Run, v.Past = shown, shown
	return v.others(b, q, run)
}

// others finds units that failed in the same way lately, and what was found
// there.
func (v *unitView) others(b *Bench, q *request, run store.Run) error {
	f := store.RunFilter{Cause: run.Rule}
	if run.Rule == "" {
		if len(run.Failed) == 0 {
			return nil
		}
		if f.Reading = run.Failed[0]; !strings.Contains(f.Reading, ".") {
			f = store.RunFilter{Check: run.Failed[0]}
		}
	}
	since := run.Started.Add(-lateness)
	list, err := b.c.Store.Runs(q.Context(), store.Selection{Product: run.Unit.Product, Since: since,
		Until: run.Started.Add(after)}, f, "", mostOthers)
	if err != nil {
		return err
	}
	seen := map[string]bool{run.Unit.SerialNumber: true}
	var units []store.Run
	lots := map[string]int{}
	for _, r := range list {
		if seen[r.Unit.SerialNumber] || r.Unit.Golden || r.Flag != "" {
			continue
		}
		seen[r.Unit.SerialNumber] = true
		units = append(units, r)
		lots[r.Unit.Lot]++
	}
	if len(units) == 0 {
		v.Others = q.t("repair.others.none", "days", int(lateness.Hours()/24))
		return nil
	}
	v.Others = q.t("repair.others.some", "count", len(units), "days", int(lateness.Hours()/24))
	var names []string
	for lot := range lots {
		names = append(names, lot)
	}
	slices.SortFunc(names, func(x, y string) int { return cmp.Or(cmp.Compare(lots[y], lots[x]), cmp.Compare(x, y)) })
	for _, lot := range names {
		if lot == "" {
			continue
		}
		id := "repair.others.lot"
		if lot == run.Unit.Lot {
			id = "repair.others.this_lot"
		}
		v.Lots = append(v.Lots, q.t(id, "lot", lot, "count", lots[lot]))
	}
	for _, r := range units[:min(len(units), listedOthers)] {
		row := sameRow{Serial: r.Unit.SerialNumber, Href: unitPath(r.Unit.SerialNumber), Lot: r.Unit.Lot, At: r.Ended}
		_, repairs, err := b.history(q.Context(), r.Unit.SerialNumber)
		if err != nil {
			return err
		}
		if n := len(repairs); n > 0 {
			row.Found = b.found(q, repairs[n-1].Found)
		}
		v.Same = append(v.Same, row)
	}
	return nil
}

// rows is what happened to the unit, oldest first, causes as the rules of today
// name them.
func (b *Bench) rows(runs []store.Run, repairs []reports.Repair) []reports.HistoryRow {
	rows := store.HistoryRows(runs, repairs)
	for i := range rows {
		row := &rows[i]
		rule := ""
		if row.Repair != nil {
			rule = row.Repair.Found
		} else if row.Cause != nil {
			rule = row.Cause.Rule
		}
		if k, ok := b.rules[rule]; ok {
			row.Cause = &k
		}
		if row.Repair == nil && row.Outcome == reports.Failed && !row.Flagged {
			row.Link = unitPath(runs[0].Unit.SerialNumber) + "&" + url.Values{"run": {row.Run}}.Encode()
		}
	}
	return rows
}

// known finds a repair on record by its ID.
func known(id string, sealed []archive.SealedRepair, repairs []reports.Repair) (reports.Repair, bool) {
	for i := len(sealed) - 1; i >= 0; i-- {
		if sealed[i].Repair.ID == id {
			return sealed[i].Repair, true
		}
	}
	i := slices.IndexFunc(repairs, func(r reports.Repair) bool { return r.ID == id })
	if i < 0 {
		return reports.Repair{}, false
	}
	return repairs[i], true
}

// told tells the line and the store of a repair.
func (b *Bench) told(ctx context.Context, r reports.Repair) {
	if b.c.Recorded != nil {
		b.c.Recorded(ctx, r)
	}
}
