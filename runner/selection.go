package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

// question is what every command has that asks about many runs: where the
// records are, which of the runs, and how to answer.
type question struct {
	app   *app
	name  string // of the command
	plant string // --plant

	since, until, product, revision, lot, station, nest, operator string
	shifts, confidence                                            string
	asJSON, brief                                                 bool

	now   func() time.Time
	sel   store.Selection
	level float64 // confidence, as a share of 1
	store store.Store
	where string // the records, for people
	// plantRead says that the store is a plant's: no files beside it.
	plantRead bool
	out       *terminal.Screen
	words     *wording.Translator
}

func (a *app) question(name string) *question {
	return &question{app: a, name: name, now: time.Now, confidence: "95"}
}

// flags adds the flags of a question that is answered by figures.
func (q *question) flags(c *cobra.Command) {
	q.narrow(c)
	f := c.Flags()
	f.StringVar(&q.shifts, "shifts", "", "`TIMES` at which shifts begin; default: 06:00,14:00,22:00")
	f.StringVar(&q.confidence, "confidence", q.confidence, "how sure intervals are, in `%`")
	q.whence(c)
	f.BoolVar(&q.brief, "brief", false, "leave out what the words mean")
}

// narrow adds the flags that say which runs are meant.
func (q *question) narrow(c *cobra.Command) {
	f := c.Flags()
	f.SortFlags = false
	f.StringVar(&q.since, "since", "", "`WHEN` the runs began at the earliest: 2026-03-02, \"2026-03-02 06:00\", 2026-03, 2026-W10,\ntoday, yesterday, 24h, 7d, 4w; kept to half hours")
	f.StringVar(&q.until, "until", "", "`WHEN` they began at the latest; a day is meant to its end")
	f.StringVar(&q.product, "product", "", "only of `NAME`")
	f.StringVar(&q.revision, "revision", "", "only of `REV` of the product")
	f.StringVar(&q.lot, "lot", "", "only of `LOT`")
	f.StringVar(&q.station, "station", "", "only of `NAME`")
	f.StringVar(&q.nest, "nest", "", "only of `NAME` of a nest")
	f.StringVar(&q.operator, "operator", "", "only of `NAME`")
}

// whence adds the flags that say where to read, and that JSON is wanted.
func (q *question) whence(c *cobra.Command) {
	q.app.readFlags(c, &q.plant)
	c.Flags().BoolVar(&q.asJSON, "json", false, "write everything as JSON, in SI units without prefix, shares as parts of 1")
}

// ask reads the flags, opens the records and hands them to f.
func (q *question) ask(ctx context.Context, f func(context.Context) error) (err error) {
	q.out = terminal.NewScreen(q.app.out)
	if err := q.read(); err != nil {
		return err
	}
	if q.store, q.where, q.plantRead, err = q.app.openStore(ctx, q.plant); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, q.store.Close()) }()
	if err := q.known(ctx); err != nil {
		return err
	}
	return f(ctx)
}

// read makes the selection of the flags.
func (q *question) read() (err error) {
	zone := q.now().Location()
	book, err := wording.NewBook(zone)
	if err != nil {
		return err
	}
	q.words = book.Translator("en")
	q.sel = store.Selection{
		Product: q.product, Revision: q.revision, Lot: q.lot, Station: q.station, Nest: q.nest, Operator: q.operator, Zone: zone,
	}
	if q.sel.Since, q.sel.Until, err = span(q.since, q.until, q.now()); err != nil {
		return err
	}
	if q.shifts != "" {
		if q.sel.Shifts, err = clockTimes(q.shifts); err != nil {
			return err
		}
	}
	// A nest is known as "LQ-1 A" in lists.
	if station, nest, ok := strings.Cut(q.nest, " "); ok && (q.station == "" || q.station == station) {
		q.sel.Station, q.sel.Nest = station, nest
	}
	percent, err := percentage("confidence", q.confidence)
	if err != nil {
		return err
	}
	q.level, err = statistics.Confidence(percent)
	if e := (*statistics.ConfidenceError)(nil); errors.As(err, &e) {
		return input.Usage("--%v", err).Hint(e.Hint())
	}
	return err
}

// percentFlag reads "95", "95 %" or "99.7%" as a share of 1.
func percentFlag(flag, text string) (float64, error) {
	x, err := percentage(flag, text)
	if x > 0 && x < 1 {
		return 0, input.Usage("--%s %s is less than 1 %%", flag, text).Hint("write percentages: 95 for 95 %")
	}
	return x / 100, err
}

func percentage(flag, text string) (float64, error) {
	x, err := strconv.ParseFloat(strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(text), "%")), 64)
	if err != nil || !(x >= 0 && x <= 100) {
		return 0, input.Usage("--%s %q is not a percentage", flag, text).Hint("write 95 for 95 %")
	}
	return x, nil
}

// known refuses names that occur nowhere in the records: a mistyped lot must
// not look like one that was never tested.
func (q *question) known(ctx context.Context) error {
	for _, f := range []struct {
		by    store.By
		value string
	}{
		{store.ByProduct, q.sel.Product}, {store.ByRevision, q.sel.Revision}, {store.ByLot, q.sel.Lot}, {store.ByStation, q.sel.Station},
		{store.ByNest, q.sel.Nest}, {store.ByOperator, q.sel.Operator},
	} {
		if f.value == "" {
			continue
		}
		values, err := q.store.Values(ctx, f.by)
		if err != nil {
			return err
		}
		if f.by == store.ByNest {
			for i, v := range values {
				values[i] = v[strings.LastIndex(v, " ")+1:]
			}
			slices.Sort(values)
			values = slices.Compact(values)
		}
		if !slices.Contains(values, f.value) {
			return input.Usage("no run of %s %s is in %s", f.by, f.value, q.where).Hint(input.Meant(f.value, values))
		}
	}
	return nil
}

// about says which runs an answer is about; part of all JSON.
type about struct {
	Where      string     `json:"where"`
	Since      *time.Time `json:"since,omitempty"`
	Until      *time.Time `json:"until,omitempty"` // exclusive
	Product    string     `json:"product,omitempty"`
	Revision   string     `json:"revision,omitempty"`
	Lot        string     `json:"lot,omitempty"`
	Station    string     `json:"station,omitempty"`
	Nest       string     `json:"nest,omitempty"`
	Operator   string     `json:"operator,omitempty"`
	Zone       string     `json:"zone"` // of days and shifts
	Confidence float64    `json:"confidence"`
	// NotCounted are reports that are not as they were sealed, or are missing.
	NotCounted []store.Flag `json:"not_counted"`
	// Simulated: at least the newest run is of a simulated unit.
	Simulated bool `json:"simulated,omitempty"`
	// Newest is when the newest run of the selection began.
	Newest *time.Time `json:"newest,omitempty"`
}

func (q *question) about(ctx context.Context) (about, error) {
	s := q.sel
	at := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		t = t.UTC()
		return &t
	}
	b := about{
		Where: q.where, Since: at(s.Since), Until: at(s.Until), Product: s.Product, Revision: s.Revision, Lot: s.Lot, Station: s.Station,
		Nest: s.Nest, Operator: s.Operator, Zone: q.now().Format("MST"), Confidence: q.level, NotCounted: []store.Flag{},
	}
	flags, err := q.store.Flags(ctx, s)
	if err != nil {
		return b, err
	}
	b.NotCounted = append(b.NotCounted, flags...)
	runs, err := q.store.Runs(ctx, s, store.RunFilter{}, "", 1)
	if err != nil {
		return b, err
	}
	if len(runs) > 0 {
		b.Newest, b.Simulated = at(runs[0].Started), runs[0].Simulated
	}
	return b, nil
}

// selected says in words which runs are meant: "lot 24A at LQ-1, since ...".
func (q *question) selected() string {
	s := q.sel
	var parts []string
	if s.Product != "" {
		parts = append(parts, cmp.Or(productTitle(s.Product), s.Product)+wording.Prefixed(" revision ", s.Revision))
	} else if s.Revision != "" {
		parts = append(parts, "revision "+s.Revision)
	}
	for _, x := range []struct{ word, value string }{{"lot ", s.Lot}, {"station ", s.Station}, {"nest ", s.Nest}, {"operator ", s.Operator}} {
		if x.value != "" {
			parts = append(parts, x.word+x.value)
		}
	}
	text := cmp.Or(strings.Join(parts, ", "), "all units")
	const layout = "2006-01-02 15:04"
	switch since, until := s.Since, s.Until; {
	case since.IsZero() && until.IsZero():
	case until.IsZero():
		text += ", since " + since.In(s.Zone).Format(layout)
	case since.IsZero():
		text += ", until " + until.In(s.Zone).Format(layout)
	default:
		text += ", " + since.In(s.Zone).Format(layout) + " to " + until.In(s.Zone).Format(layout)
	}
	return text
}

// title opens an answer.
func (q *question) title(what string, b about) {
	q.out.Say("%s", q.out.Strong(what+": "+q.selected()))
	if b.Newest != nil {
		text := "The newest run is of " + b.Newest.In(q.sel.Zone).Format("2006-01-02 15:04") + "."
		if b.Simulated {
			text += " Simulated units, invented data."
		}
		q.out.Say("%s", q.out.Faint(text))
	}
}

// nothing answers where no unit was tested, and says what there is instead.
func (q *question) nothing(ctx context.Context, b about) error {
	q.out.Tell(0, "No unit of this selection was tested.")
	runs, err := q.store.Runs(ctx, store.Selection{}, store.RunFilter{}, "", 1)
	switch {
	case err != nil:
		return err
	case len(runs) == 0:
		q.hint("there is no report in " + q.where + " at all: test a unit first, or name another folder by --data")
	case b.Newest != nil:
		q.hint("all its runs ended by a fault of the bench, were aborted, were of golden units, or are not counted")
	default:
		q.hint("the newest run in " + q.where + " is of " + runs[0].Started.In(q.sel.Zone).Format("2006-01-02 15:04") +
			wording.Prefixed(", lot ", runs[0].Unit.Lot) + ", at " + runs[0].Station)
	}
	q.notCounted(b)
	return nil
}

// remarks are what must be known beside figures.
func (q *question) remarks(list []yield.Remark) {
	for _, text := range wording.Remarks(q.words, list) {
		q.out.Tell(0, "note: "+text)
	}
}

func (q *question) hint(text string) { q.out.Tell(0, "hint: "+text) }

// mostNamed is how many reports are named before the rest is a number.
const mostNamed = 5

// notCounted names the reports that are left out, and why.
func (q *question) notCounted(b about) {
	by := map[string][]string{}
	for _, f := range b.NotCounted {
		by[f.Kind] = append(by[f.Kind], cmp.Or(f.File, f.Run))
	}
	kinds := []string{"changed", "inserted", "removed"}
	for k := range by {
		if !slices.Contains(kinds, k) {
			kinds = append(kinds, k)
		}
	}
	first := true
	for _, kind := range kinds {
		names := by[kind]
		n := len(names)
		if n == 0 {
			continue
		}
		if first {
			q.out.Say("")
			first = false
		}
		slices.Sort(names)
		list := strings.Join(names[:min(n, mostNamed)], ", ")
		if n > mostNamed {
			list += fmt.Sprintf(" and %d more", n-mostNamed)
		}
		q.out.Tell(0, q.out.Strong(notCountedWords(kind, n))+": "+list)
	}
	if !first {
		if q.plantRead {
			q.hint("fullthrow verify, at the station, says more")
		} else {
			q.hint("fullthrow verify " + q.where + " says more")
		}
	}
}

func notCountedWords(kind string, n int) string {
	one := n == 1
	pick := func(a, b string) string {
		if one {
			return a
		}
		return b
	}
	switch kind {
	case "changed":
		return wording.Count(n, "report") + pick(" does not bear its seal and is not counted", " do not bear their seal and are not counted")
	case "inserted":
		return wording.Count(n, "report") + pick(" does not belong to the station's chain and is not counted", " do not belong to the station's chain and are not counted")
	case "removed":
		return wording.Count(n, "report") + pick(" is missing from the records and cannot be counted", " are missing from the records and cannot be counted")
	}
	return wording.Count(n, "report") + pick(" is not counted ("+kind+")", " are not counted ("+kind+")")
}

// json writes an answer as JSON.
func (q *question) json(v any) error { return q.app.writeJSON(v) }

func (a *app) writeJSON(v any) error {
	e := json.NewEncoder(a.out)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// writeJSONLine writes a value as one line.
func (a *app) writeJSONLine(v any) error {
	e := json.NewEncoder(a.out)
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// groupings are what a trend may be grouped by, as flags name them.
func groupings() []string {
	return []string{"hour", "shift", "day", "week", "month", "lot", "revision", "station", "nest", "operator", "product"}
}

// periods are those of them that are time.
func periods() []string { return groupings()[:5] }

// grouping reads --by.
func grouping(text string) (store.By, error) {
	if !slices.Contains(groupings(), text) {
		return "", input.Usage("--by %q: nothing is grouped by that", text).Hint(input.Meant(text, groupings()))
	}
	return store.By(text), nil
}

// groups adds up the selection group by group, gaps in time filled in. Without
// a grouping the periods are chosen that give a trend one can read.
func (q *question) groups(ctx context.Context, by store.By) ([]yield.Group, store.By, error) {
	if by != "" {
		g, err := q.store.Trend(ctx, q.sel, by)
		return q.fill(g, by), by, err
	}
	by = store.ByDay
	g, err := q.store.Trend(ctx, q.sel, by)
	if err != nil {
		return nil, by, err
	}
	if n := len(g); n > 0 {
		switch days := g[n-1].Start.Sub(g[0].Start).Hours() / 24; {
		case days < 2:
			by = store.ByHour
		case days > 200:
			by = store.ByMonth
		case days > 35:
			by = store.ByWeek
		}
	}
	if by != store.ByDay {
		if g, err = q.store.Trend(ctx, q.sel, by); err != nil {
			return nil, by, err
		}
	}
	return q.fill(g, by), by, nil
}

// mostGaps is up to how many groups gaps in time are filled in; a year of
// hours with one shift a day is read more easily without its nights.
const mostGaps = 40

func (q *question) fill(groups []yield.Group, by store.By) []yield.Group {
	next := yield.Following(string(by), q.sel.Zone, q.sel.Shifts)
	if next == nil {
		return groups
	}
	layout := map[store.By]string{store.ByHour: "2006-01-02 15:04", store.ByShift: "2006-01-02 15:04", store.ByDay: "2006-01-02", store.ByMonth: "2006-01"}[by]
	all := yield.FillPeriods(groups, next, func(t time.Time) string {
		if by == store.ByWeek {
			y, w := t.In(q.sel.Zone).ISOWeek()
			return fmt.Sprintf("%d-W%02d", y, w)
		}
		return t.In(q.sel.Zone).Format(layout)
	})
	if len(all) > mostGaps {
		return groups
	}
	return all
}
