package repair

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
	"fullthrow/reports/store"
	"fullthrow/runner/web/look"
)

const (
	// mostDrawn is how many readings are shown with good units beside them.
	mostDrawn = 4
	// mostCaptures is how many captures are drawn.
	mostCaptures = 6
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
	Stand     look.Notice // how the unit stands, unless it waits
	Back      bool        // it goes back to the line
	Facts     []fact
	Simulated bool
	Older     bool // the run shown is not the newest one that failed

	Failed   *time.Time // of the run shown
	Drawing  template.HTML
	Where    string // part, or axis, as people call it
	What     string // what the check that failed is about
	Readings []readingView
	Rest     []readingView
	Causes   []causeView
	Inspect  string // of the likeliest
	Captures []captureView
	Alike    []captureView // those that show what the good unit's show
	Good     look.Link     // the good unit drawn in grey
	Others   string
	Lots     []string
	Same     []sameRow
	History  []historyRow
	Links    []look.Link
	Form     *formView
}

type fact struct{ Name, Value string }

type readingView struct {
	Name, About    string
	Value, Allowed string
	Shape, Word    string
	Strip          template.HTML
	Good, Position string
	Why            string
}

type causeView struct {
	Text, Where, Likely, Inspect string
	Percent                      int
	For, Against                 []string
}

type captureView struct {
	look.Chart
	Sound string  // address of the sound
	Raw   string  // of another file
	off   float64 // how far it is from the good unit's; see apart
}

type sameRow struct {
	Serial, Href, Lot string
	At                time.Time
	Found             string // what the repair bench found there, "" nothing yet
}

type historyRow struct {
	At          time.Time
	Shape, Word string
	Text        string
	By, Note    string
	Href        string
	This        bool
}

// unit is GET /repair/unit: one unit, by serial number.
func (b *Bench) unit(q *request) (*answer, error) {
	text := q.URL.Query().Get("serial")
	if len(text) > mostScan {
		return nil, refuse(http.StatusNotFound, "repair.scan.bad", "product", b.c.Product.Title)
	}
	serial, err := b.c.Scan(text)
	if err != nil {
		return nil, refuse(http.StatusNotFound, "repair.scan.bad", "product", b.c.Product.Title)
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
	v.History = b.rows(q, runs, repairs)
	if b.c.Unit != "" && s.state != unknown {
		v.Links = append(v.Links, look.Link{Href: b.c.Unit + "?" + url.Values{"serial": {serial}, "product": {b.c.Product.Name}}.Encode(), Text: q.t("repair.unit.whole")})
	}
	shown := s.failed
	if name != "" {
		i := slices.IndexFunc(runs, func(r store.Run) bool { return r.Run == name && r.Outcome == reports.Failed && r.Flag == "" })
		if i < 0 && (s.failed == nil || s.failed.Run != name) {
			if !slices.ContainsFunc(runs, func(r store.Run) bool { return r.Run == name }) {
				return nil, refuse(http.StatusNotFound, "repair.unit.no_run")
			}
		} else if i >= 0 {
			shown = &runs[i]
		}
	}
	if shown == nil || s.state == golden {
		return v, nil
	}
	v.Older = s.failed != nil && shown.Run != s.failed.Run
	for i := range v.History {
		v.History[i].This = v.History[i].Href != "" && strings.HasSuffix(v.History[i].Href, url.QueryEscape(shown.Run))
	}
	sealed, err := b.c.Store.Report(ctx, shown.Run)
	if err != nil {
		return nil, err
	}
	if err := v.failure(b, q, *shown, sealed.Report); err != nil {
		return nil, err
	}
	if s.state == waiting || s.state == line || s.state == repaired && (form != nil || q.URL.Query().Get("again") == "1") {
		if !v.Older {
			v.Form = b.form(q, s, *shown, sealed.Report.Causes, form)
		}
	}
	return v, nil
}

// stand says how the unit stands, in words.
func (v *unitView) stand(b *Bench, q *request, s standing) {
	put := func(shape string, args ...any) {
		id := "repair.stand." + string(s.state)
		v.Stand = look.Notice{Shape: shape, Title: q.t(id, args...)}
		if q.w.Has(id + "_hint") {
			v.Stand.Text = []string{q.t(id+"_hint", args...)}
		}
	}
	switch s.state {
	case unknown:
		put("none")
	case golden:
		put("none")
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
func (v *unitView) failure(b *Bench, q *request, run store.Run, r reports.Report) error {
	ctx := q.Context()
	v.Failed = &r.Ended
	v.Facts = append(v.Facts, fact{q.t("repair.fact.nest"), run.Station + " " + run.Nest}, fact{q.t("repair.fact.when"), q.w.When(r.Ended)})
	if run.Operator != "" {
		v.Facts = append(v.Facts, fact{q.t("repair.fact.operator"), run.Operator})
	}
	checks := map[string]reports.Check{}
	var missed []reports.Reading
	var first *reports.Check
	for i, c := range r.Checks {
		checks[c.Name] = c
		if broken(c.Verdict) && first == nil {
			first = &r.Checks[i]
		}
		for _, k := range c.Readings {
			if broken(k.Verdict) {
				missed = append(missed, k)
			}
		}
	}
	part := ""
	explained := map[string]int{}
	if len(r.Causes) > 0 {
		part = r.Causes[0].Part
		v.Where = capital(b.sentence(q, r.Causes[0].Where))
		for _, n := range r.Causes[0].Explains {
			explained[n] = 1
		}
	}
	name := func(k reports.Reading) string { return k.Check + "." + k.Name }
	slices.SortStableFunc(missed, func(x, y reports.Reading) int { // what the likeliest cause explains comes first
		return cmp.Compare(explained[name(y)], explained[name(x)])
	})
	if len(missed) > 0 {
		c := checks[missed[0].Check]
		first = &c
	}
	if first != nil {
		v.What = b.sentence(q, first.About)
		if v.What == "" {
			v.What = b.sentence(q, first.Name)
		}
		part = cmp.Or(part, first.Part)
	}
	if v.Where == "" {
		v.Where = b.part(q, part)
	}
	v.Drawing = b.pointed(q, part, missed, explained)

	g, err := b.goodUnits(ctx, run)
	if err != nil {
		return err
	}
	for i, k := range missed {
		rv := readingView{Name: name(k), About: b.sentence(q, checks[k.Check].About), Value: q.w.Value(k), Allowed: allowed(q.w, k), Shape: "fail", Word: q.t("repair.word.failed")}
		if k.Verdict == reports.Inconclusive {
			rv.Shape, rv.Word = "doubt", q.t("repair.word.doubt")
		}
		if k.Limit != nil {
			rv.Why = b.sentence(q, k.Limit.Why)
		}
		if i < mostDrawn {
			values, err := b.values(ctx, g, rv.Name)
			if err != nil {
				return err
			}
			rv.Good, rv.Position = b.besideWords(q, k, values, g, run)
			if scale, ok := draw.ScaleOf(k); ok {
				scale.Others, scale.Said, scale.Width, scale.Tall = values, rv.Value, 640, 16
				rv.Strip = scale.SVG(q.w, fmt.Sprint("strip-", i), rv.Name+": "+rv.Value, strings.TrimSpace(rv.Allowed+". "+rv.Good))
			}
			v.Readings = append(v.Readings, rv)
		} else {
			v.Rest = append(v.Rest, rv)
		}
	}
	for _, c := range r.Causes {
		cv := causeView{Text: capital(b.sentence(q, c.Cause)), Where: b.sentence(q, c.Where), Likely: q.w.Likelihood(c), Percent: c.Percent(), Inspect: b.sentence(q, c.Inspect)}
		for _, e := range c.Evidence {
			if e.Against {
				cv.Against = append(cv.Against, q.w.Evidence(e))
			} else {
				cv.For = append(cv.For, q.w.Evidence(e))
			}
		}
		v.Causes = append(v.Causes, cv)
	}
	if len(v.Causes) == 0 { // what the limit itself says
		for _, k := range missed {
			if k.Cause != "" || k.Inspect != "" {
				v.Causes = append(v.Causes, causeView{Text: capital(b.sentence(q, k.Cause)), Inspect: b.sentence(q, k.Inspect)})
				break
			}
		}
	}
	if len(v.Causes) > 0 {
		v.Inspect = capital(v.Causes[0].Inspect)
	}
	if err := v.captures(b, q, r, missed, g); err != nil {
		return err
	}
	return v.others(b, q, run)
}

var axisID = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`<g\b[^>]*\bid="axis-([a-z0-9_]+)"[^>]*>`)
})

// pointed is the drawing with a part pointed at, and of a stick the direction
// that readings name.
func (b *Bench) pointed(q *request, part string, missed []reports.Reading, explained map[string]int) template.HTML {
	d := b.drawing[q.page.Lang]
	if d == "" || part == "" {
		return template.HTML(d)
	}
	bad := func(tag string) string {
		if strings.Contains(tag, `class="`) {
			return strings.Replace(tag, `class="`, `class="is-bad `, 1)
		}
		return strings.TrimSuffix(tag, ">") + ` class="is-bad">`
	}
	group, err := regexp.Compile(`<g\b[^>]*\bid="part-` + regexp.QuoteMeta(html.EscapeString(part)) + `"[^>]*>`)
	if err != nil {
		return template.HTML(d)
	}
	d = group.ReplaceAllStringFunc(d, bad)
	d = axisID().ReplaceAllStringFunc(d, func(tag string) string {
		axis := axisID().FindStringSubmatch(tag)[1] + "_"
		for _, k := range missed {
			if strings.HasPrefix(k.Name, axis) && (len(explained) == 0 || explained[k.Check+"."+k.Name] > 0) {
				return bad(tag)
			}
		}
		return tag
	})
	return template.HTML(strings.Replace(d, `class="handset`, `class="is-pointing handset`, 1))
}

// captures draws those of the checks that failed, a good unit's behind them.
func (v *unitView) captures(b *Bench, q *request, r reports.Report, missed []reports.Reading, g good) error {
	checks := map[string]bool{}
	for _, k := range missed {
		checks[k.Check] = true
	}
	var beside *reports.Report
	for _, c := range r.Captures {
		if len(v.Captures) == 2*mostCaptures || !checks[c.Check] || c.Plot == nil || len(c.Plot.Series) == 0 {
			continue
		}
		if beside == nil && g.near != nil {
			sealed, err := b.c.Store.Report(q.Context(), g.near.Run)
			if err != nil && !errors.Is(err, store.ErrUnknown) {
				b.c.Log.Warn("the report of a good unit cannot be read", "run", g.near.Run, "error", err)
			}
			if err == nil {
				beside = &sealed.Report
				v.Good = look.Link{Text: g.near.Unit.SerialNumber}
				if b.c.Unit != "" {
					v.Good.Href = b.c.Unit + "?" + url.Values{"serial": {g.near.Unit.SerialNumber}, "product": {b.c.Product.Name}, "run": {g.near.Run}}.Encode()
				}
			} else {
				g.near = nil
			}
		}
		title := capital(b.sentence(q, c.Check)) + " · " + c.Name
		k := draw.Capture{Frame: draw.Frame{ID: fmt.Sprint("capture-", len(v.Captures)), Title: title, Desc: b.sentence(q, c.Plot.Title), Width: 640, Height: 270}, Plot: *c.Plot}
		k.Plot.XLabel, k.Plot.YLabel = q.w.Axis(c.Plot.XLabel), q.w.Axis(c.Plot.YLabel)
		if beside != nil {
			if i := slices.IndexFunc(beside.Captures, func(o reports.Capture) bool { return o.Check == c.Check && o.Name == c.Name && o.Plot != nil }); i >= 0 {
				k.Beside = beside.Captures[i].Plot.Series
				k.Plot.Series = differing(c.Plot.Series, k.Beside)
			}
		}
		k.Plot.Series = slices.Clone(k.Plot.Series)
		for i, line := range k.Plot.Series {
			k.Plot.Series[i].Name = q.w.Axis(line.Name)
		}
		d := k.Draw(q.w)
		cv := captureView{Chart: look.NewChart(title, "", d), off: apart(c.Plot.Series, k.Beside)}
		if c.SHA256 != "" && b.c.Attachments != "" {
			switch {
			case c.Media == "audio/wav":
				cv.Sound = b.c.Attachments + path.Clean(c.SHA256) + ".wav"
			case c.Media == "text/csv":
				cv.Raw = b.c.Attachments + path.Clean(c.SHA256) + ".csv"
			}
		}
		v.Captures = append(v.Captures, cv)
	}
	// What differs most from the good unit comes first; what does not differ
	// steps back, unless nothing does.
	slices.SortStableFunc(v.Captures, func(x, y captureView) int { return cmp.Compare(y.off, x.off) })
	if n := slices.IndexFunc(v.Captures, func(k captureView) bool { return k.off < alike }); n > 0 {
		v.Captures, v.Alike = v.Captures[:n:n], v.Captures[n:]
	}
	if len(v.Captures) > mostCaptures {
		v.Captures, v.Alike = v.Captures[:mostCaptures:mostCaptures], append(v.Captures[mostCaptures:], v.Alike...)
	}
	return nil
}

// differing are the lines that are not as the good unit's; all of them where
// none differs.
func differing(these, good []reports.Series) []reports.Series {
	least := max(alike, apart(these, good)/4) // beside the line that is far off, the others are as they should be
	list := slices.DeleteFunc(slices.Clone(these), func(s reports.Series) bool { return apart([]reports.Series{s}, good) < least })
	if len(list) == 0 {
		return these
	}
	return list
}

// alike is how far a capture may be from a good unit's and still show nothing.
const alike = 0.01

// apart is how far the lines of a capture are from those of the same name of a
// good unit: the largest root mean square of the difference, in parts of the
// range of both. 1 where there is nothing to compare with.
func apart(these, good []reports.Series) float64 {
	worst, compared := 0.0, false
	for _, s := range these {
		i := slices.IndexFunc(good, func(g reports.Series) bool { return g.Name == s.Name })
		if i < 0 {
			continue
		}
		g := good[i]
		n := min(len(g.X), len(g.Y))
		if n == 0 {
			continue
		}
		low, high, sum, count := math.Inf(1), math.Inf(-1), 0.0, 0.0
		k := 0
		for j := range min(len(s.X), len(s.Y)) {
			for k < n-1 && g.X[k+1] <= s.X[j] {
				k++
			}
			y := g.Y[k]
			if k < n-1 && g.X[k+1] > g.X[k] && s.X[j] > g.X[k] {
				y += (g.Y[k+1] - y) * (s.X[j] - g.X[k]) / (g.X[k+1] - g.X[k])
			}
			d := s.Y[j] - y
			if math.IsNaN(d) || math.IsInf(d, 0) {
				continue
			}
			low, high = min(low, s.Y[j], y), max(high, s.Y[j], y)
			sum, count = sum+d*d, count+1
		}
		if count > 0 {
			compared = true
			if high > low {
				worst = max(worst, math.Sqrt(sum/count)/(high-low))
			}
		}
	}
	if !compared {
		return 1
	}
	return worst
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
	list, err := b.c.Store.Runs(q.Context(), store.Selection{Product: run.Unit.Product, Since: since, Until: run.Started.Add(after)}, f, "", mostOthers)
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

// rows is what happened to the unit, oldest first.
func (b *Bench) rows(q *request, runs []store.Run, repairs []reports.Repair) []historyRow {
	var list []historyRow
	for _, r := range runs {
		row := historyRow{At: r.Ended, By: r.Operator}
		switch r.Outcome {
		case reports.Passed:
			row.Shape, row.Word, row.Text = "pass", q.t("repair.word.passed"), ""
		case reports.Failed:
			row.Shape, row.Word = "fail", q.t("repair.word.failed")
			row.Text = strings.Join(r.Failed[:min(len(r.Failed), 3)], ", ")
			if k, ok := b.rules[r.Rule]; ok {
				row.Text = capital(b.sentence(q, k.Cause))
			} else if r.Cause != "" {
				row.Text = capital(b.sentence(q, r.Cause))
			}
			if r.Flag == "" {
				row.Href = unitPath(r.Unit.SerialNumber) + "&" + url.Values{"run": {r.Run}}.Encode()
			}
		case reports.Aborted:
			row.Shape, row.Word, row.Text = "aborted", q.t("repair.word.aborted"), q.t("repair.word.aborted_text")
		default:
			row.Shape, row.Word, row.Text = "error", q.t("repair.word.error"), q.t("repair.word.error_text")
		}
		if r.Flag != "" {
			row.Text = q.t("repair.word.flagged")
		}
		list = append(list, row)
	}
	for _, p := range repairs {
		list = append(list, historyRow{At: p.At, Shape: "repair", Word: q.t("repair.word.repair"), By: p.By, Text: b.found(q, p.Found) + " · " + q.w.Remedy(p.Done), Note: p.Text})
	}
	slices.SortStableFunc(list, func(x, y historyRow) int { return x.At.Compare(y.At) })
	return list
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
