package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/rehearsal"
	"fullthrow/runner/terminal"
)

const compareSchema = "fullthrow-compare/2"

// compareAnswer is what `compare --json` writes.
type compareAnswer struct {
	Schema     string           `json:"schema"`
	About      about            `json:"about"`
	Sides      [2]sideMade      `json:"sides"`
	Comparison yield.Comparison `json:"comparison"`
}

// sideMade is what a side is made of: of a group the first runs of its units,
// of a unit its newest judged run.
type sideMade struct {
	Kind    string            `json:"kind"` // "unit", "lot", "station", ...
	Value   string            `json:"value"`
	Units   int64             `json:"units,omitempty"`
	Run     string            `json:"run,omitempty"`
	Started time.Time         `json:"started,omitzero"`
	Outcome reports.Outcome   `json:"outcome,omitempty"`
	Broken  []string          `json:"broken,omitempty"` // readings that kept the run from passing
	broken  []reports.Reading // the same
}

// sideKinds are what a side of a comparison may be, in the order in which a
// bare word is looked up.
var sideKinds = []store.By{store.ByLot, store.ByStation, store.ByRevision, store.ByProduct, store.ByNest, store.ByOperator}

const kindUnit = "unit"

// comparedSide is one side of a comparison.
type comparedSide struct {
	kind, value string
	sel         store.Selection // of a group
	run         store.Run       // of a unit: its newest judged run that counts
}

func (s comparedSide) name() string {
	if s.kind == kindUnit {
		return s.value
	}
	return s.kind + " " + s.value
}

func (a *app) compareCommand() *cobra.Command {
	q := a.question("compare")
	c := &cobra.Command{
		Use:   "compare A B",
		Short: "What differs between two units, lots, stations, revisions or products",
		Long: `What differs between two units, lots, stations, revisions or products.

A and B are a serial number, a lot, a station, a revision, a product, a nest or
an operator, recognised by their value; lot:24A (unit:, station:, revision:,
product:, nest:, operator:) says which is meant. A unit may be set against a
group. Each reading is compared, and what differs by chance alone is left
aside, however many readings there are.`,
		Example: `  fullthrow compare 24A 24B
  fullthrow compare station:LQ-1 station:LQ-2 --since 7d
  fullthrow compare K824A00003Y lot:24A`,
		Args: takes("A", "B"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return q.ask(cmd.Context(), func(ctx context.Context) error { return q.compare(ctx, args[0], args[1]) })
		},
	}
	q.flags(c)
	return c
}

func (q *question) compare(ctx context.Context, a, b string) error {
	answer := compareAnswer{Schema: compareSchema}
	var err error
	if answer.About, err = q.about(ctx); err != nil {
		return err
	}
	var sides [2]comparedSide
	for i, text := range []string{a, b} {
		if sides[i], err = q.side(ctx, text); err != nil {
			return err
		}
	}
	if x, y := sides[0], sides[1]; x.kind == y.kind && x.value == y.value {
		return input.Usage("compare: %s and %s are the same", a, b)
	} else if x.kind != y.kind && x.kind != kindUnit && y.kind != kindUnit {
		return input.Usage("compare: %s and %s are not of a kind", x.name(), y.name()).
			Hint("compare two of a kind, or a unit with a group; flags such as --station narrow both sides")
	}
	o := yield.CompareOptions{Confidence: q.level}
	var both [2]yield.Side
	for i, s := range sides {
		if both[i], answer.Sides[i], err = q.sideFigures(ctx, s); err != nil {
			return err
		}
	}
	if sides[0].kind == kindUnit && sides[1].kind == kindUnit {
		all := q.sel
		all.Product = sides[0].run.Unit.Product
		if o.Population, err = q.store.Moments(ctx, all); err != nil {
			return err
		}
	}
	answer.Comparison = yield.Compare(both[0], both[1], o)
	if q.asJSON {
		return q.json(answer)
	}
	q.tellComparison(&answer)
	return nil
}

// side finds what a word means: "lot:24A", or a bare value.
func (q *question) side(ctx context.Context, text string) (comparedSide, error) {
	kind, value, explicit := strings.Cut(text, ":")
	if explicit && (kind == kindUnit || slices.Contains(sideKinds, store.By(kind))) {
		if kind == kindUnit {
			return q.unitSide(ctx, value)
		}
		values, err := q.store.Values(ctx, store.By(kind))
		if err != nil {
			return comparedSide{}, err
		}
		if !slices.Contains(values, value) {
			return comparedSide{}, input.Usage("compare: no run of %s %s is in %s", kind, value, q.where).Hint(input.Meant(value, values))
		}
		return q.groupSide(store.By(kind), value)
	}
	var found []store.By
	var all []string
	for _, by := range sideKinds {
		values, err := q.store.Values(ctx, by)
		if err != nil {
			return comparedSide{}, err
		}
		if slices.Contains(values, text) {
			found = append(found, by)
		}
		all = append(all, values...)
	}
	unit, err := q.unitSide(ctx, text)
	switch {
	case len(found) == 0 && err == nil:
		return unit, nil
	case len(found) == 1 && err != nil:
		return q.groupSide(found[0], text)
	case len(found) == 0:
		f := input.Usage("compare: %q is no serial number, lot, station, revision, product, nest or operator in %s", text, q.where)
		if n := input.Near(text, all); n != "" {
			return unit, f.Hint(`did you mean "` + n + `"?`)
		}
		return unit, f.Hint("fullthrow yield --by lot (or station, revision, ...) lists what there is")
	}
	var names []string
	for _, by := range found {
		names = append(names, string(by)+":"+text)
	}
	if err == nil {
		names = append(names, kindUnit+":"+text)
	}
	return unit, input.Usage("compare: %s may mean several things", text).Hint("say which: " + strings.Join(names, " or "))
}

func (q *question) groupSide(by store.By, value string) (comparedSide, error) {
	s := comparedSide{kind: string(by), value: value, sel: q.sel}
	set := func(field *string) error {
		if *field != "" && *field != value {
			return input.Usage("compare: --%s %s leaves nothing of %s %s", by, *field, by, value)
		}
		*field = value
		return nil
	}
	switch by {
	case store.ByProduct:
		return s, set(&s.sel.Product)
	case store.ByRevision:
		return s, set(&s.sel.Revision)
	case store.ByLot:
		return s, set(&s.sel.Lot)
	case store.ByStation:
		return s, set(&s.sel.Station)
	case store.ByOperator:
		return s, set(&s.sel.Operator)
	}
	s.sel.Station, s.sel.Nest, _ = strings.Cut(value, " ")
	return s, nil
}

// errNotTested says that a unit is known and has no judged run that counts.
var errNotTested = errors.New("was not judged yet, or its reports are not counted")

func (q *question) unitSide(ctx context.Context, text string) (comparedSide, error) {
	serial, runs, _, err := q.historyOf(ctx, text)
	if err != nil {
		return comparedSide{}, err
	}
	for _, r := range slices.Backward(runs) {
		if r.Flag == "" && (r.Outcome == reports.Passed || r.Outcome == reports.Failed) {
			return comparedSide{kind: kindUnit, value: serial, run: r}, nil
		}
	}
	return comparedSide{}, input.Usage("compare: %s %w", serial, errNotTested)
}

// mostCompared is up to how many values of a reading are compared one by one;
// more go by their moments, which tell means apart as well.
const mostCompared = 2000

// sideFigures reads what is compared of a side.
func (q *question) sideFigures(ctx context.Context, s comparedSide) (yield.Side, sideMade, error) {
	side, made := yield.Side{Name: s.name()}, sideMade{Kind: s.kind, Value: s.value}
	if s.kind == kindUnit {
		sealed, err := q.store.Report(ctx, s.run.Run)
		if err != nil {
			return side, made, err
		}
		for _, c := range sealed.Report.Checks {
			for _, r := range c.Readings {
				if x, ok := r.Value.Number(); ok && r.Bound == "" {
					side.Readings = append(side.Readings, sampleOf(c.Name+"."+r.Name, r, x))
				}
			}
		}
		made.Run, made.Started, made.Outcome = s.run.Run, s.run.Started, s.run.Outcome
		made.broken = terminal.BrokenReadings(sealed.Report)
		for _, r := range made.broken {
			made.Broken = append(made.Broken, r.Check+"."+r.Name)
		}
		return side, made, nil
	}
	counts, err := q.store.Counts(ctx, s.sel)
	if err != nil {
		return side, made, err
	}
	side.Counts, made.Units = &counts, counts.Units
	moments, err := q.store.Moments(ctx, s.sel)
	if err != nil {
		return side, made, err
	}
	live := terminal.NewScreen(q.app.errs)
	defer live.Now("")
	for i, m := range moments {
		live.Now("%s: reading %d of %d", s.name(), i+1, len(moments))
		if m.N > mostCompared {
			side.Readings = append(side.Readings, yield.Sample{Moments: m})
			continue
		}
		series, err := q.store.Series(ctx, s.sel, m.Name, true, mostCompared)
		if err != nil {
			return side, made, err
		}
		side.Readings = append(side.Readings, yield.SampleOf(series))
	}
	return side, made, nil
}

// text says what a side is made of.
func (m sideMade) text(q *question) string {
	if m.Kind != kindUnit {
		return fmt.Sprintf("%s %s: first runs of %s", m.Kind, m.Value, wording.Count(int(m.Units), "unit"))
	}
	text := fmt.Sprintf("%s: its newest judged run, of %s, which %s", m.Value, m.Started.In(q.sel.Zone).Format("2006-01-02 15:04"), m.Outcome)
	for i, r := range m.broken {
		if i == mostAlike {
			return text + "; and more"
		}
		text += map[bool]string{true: ": ", false: "; "}[i == 0] + terminal.Brief(r)
	}
	return text
}

// sampleOf is one reading of one unit.
func sampleOf(name string, r reports.Reading, x float64) yield.Sample {
	s := yield.Series{Name: name, Unit: r.Unit, Points: []yield.Point{{Value: x, Verdict: string(r.Verdict)}}}
	if r.Limit != nil {
		s.Lower, s.Upper = r.Limit.Lower, r.Limit.Upper
	}
	return yield.SampleOf(s)
}

// How many readings the text shows; the JSON has all.
const (
	mostDifferent = 12
	mostAlike     = 5
)

func (q *question) tellComparison(x *compareAnswer) {
	c := x.Comparison
	q.title(c.A+" and "+c.B, x.About)
	q.out.Say("")
	for _, side := range x.Sides {
		q.out.Tell(2, side.text(q))
	}
	if y := c.Yield; y != nil {
		q.out.Say("")
		axis := terminal.ShareCells(min(max(q.out.Room()-45, 16), 60), math.NaN(), y.A, y.B)
		g := terminal.Grid{Right: "lrrl", Head: []string{"", "units", "yield", axis.Ends(terminal.WholePercent)}}
		g.Add(c.A, fmt.Sprint(y.A.Of), terminal.Percent(y.A.Value), terminal.InCells(axis, y.A))
		g.Add(c.B, fmt.Sprint(y.B.Of), terminal.Percent(y.B.Value), terminal.InCells(axis, y.B))
		g.Show(q.out)
		q.out.Tell(2, wording.YieldDifference(q.words, c))
	}
	rehearsal.Heading(q.out, "Readings", "")
	switch {
	case len(c.Readings) == 0:
		q.tellRest(c)
	case c.Differ == 0:
		q.tellRest(c)
		rehearsal.Heading(q.out, "The nearest to a difference", "")
		q.tellDifferences(c, c.Readings[:min(len(c.Readings), mostAlike)])
	default:
		q.out.Tell(2, wording.Comparison(q.words, c)+" The most important first.")
		q.out.Say("")
		different := c.Readings[:min(c.Differ, mostDifferent)]
		q.tellDifferences(c, different)
		if n := c.Differ - len(different); n > 0 {
			q.out.Tell(2, fmt.Sprintf("and %d more; --json has all", n))
		}
		q.out.Say("")
		for _, d := range different[:min(len(different), mostAlike)] {
			q.out.Tell(2, wording.Difference(q.words, c, d))
		}
		for _, text := range wording.ComparisonRest(q.words, c) {
			q.out.Tell(2, text)
		}
	}
	q.out.Say("")
	q.remarks(c.Cautions)
	q.notCounted(x.About)
	if !q.brief {
		terminal.Glossary(q.out, q.words, "difference", "corrected", "interval")
	}
}

// tellRest is what there is to say of readings that do not differ.
func (q *question) tellRest(c yield.Comparison) {
	q.out.Tell(2, wording.Comparison(q.words, c))
	for _, text := range wording.ComparisonRest(q.words, c) {
		q.out.Tell(2, text)
	}
}

// tellDifferences shows readings side by side. In a narrow place each has its
// name above its figures.
func (q *question) tellDifferences(c yield.Comparison, list []yield.Difference) {
	head := []string{c.A, c.B, "difference", "between", "of the limits"}
	g := terminal.Grid{Right: "rrrll", Head: head}
	wide := q.out.Room() > 115
	if wide {
		g = terminal.Grid{Right: "lrrrll", Head: append([]string{"reading"}, head...)}
	}
	for _, d := range list {
		e := d.Level.Difference
		a, b := d.A.Mean, d.B.Mean
		if e.Method == yield.MethodShift && d.A.Median != nil && d.B.Median != nil {
			a, b = *d.A.Median, *d.B.Median
		}
		format := terminal.Quantities(d.Unit, max(10*math.Abs(e.Value), 5*spanOf(e)))
		between := ""
		if bench.Finite(e.Low) && bench.Finite(e.High) {
			between = format(e.Low) + " to " + format(e.High)
		}
		of := ""
		if l := d.Limit; l != nil && l.Share.Known() {
			of = terminal.WholePercent(math.Abs(l.Share.Value)) + map[string]string{"width": " of their width", "room": " of the room"}[l.Of]
		}
		row := []string{format(a), format(b), signedWith(format, e.Value), between, of}
		if wide {
			g.Add(append([]string{d.Name}, row...)...)
			continue
		}
		g.Title(d.Name)
		g.Add(row...)
	}
	g.Show(q.out)
}

// spanOf is how wide an interval is, 0 where it has no ends.
func spanOf(e yield.Estimate) float64 {
	if w := e.High - e.Low; bench.Finite(w) {
		return w
	}
	return 0
}

func signedWith(format func(float64) string, v float64) string {
	if v > 0 {
		return "+" + format(v)
	}
	return format(v)
}
