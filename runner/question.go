package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
	"github.com/spf13/cobra"

	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

// question is what every command has that asks about many runs: its options,
// where the records are, and how to show the answer.
type question struct {
	app    *app
	name   string            // of the question, see [review.Names]
	args   []string          // options that are given as arguments
	values map[string]string // options as given
	plant  string            // --plant

	asJSON, brief bool

	review *review.Review
	asked  review.Question
	sel    store.Selection // of asked
	// plantRead says that the store is a plant's: no files beside it.
	plantRead bool
	out       *terminal.Screen
	words     *wording.Translator
}

// question begins a question whose options named by args are arguments.
func (a *app) question(name string, args ...string) *question {
	return &question{app: a, name: name, args: args, values: map[string]string{}}
}

// optionWords say what an option is for: as a flag, with what it takes.
var optionWords = map[string]string{
	"period": "`WHEN` the runs began, in one word: shift, today, yesterday, 24h, 7d (calendar days, today\n" +
		"included), 4w, 2026-03, 2026-W10, 2026-03-02, all; default: ",
	"since": "`WHEN` the runs began at the earliest, instead of --period: as there, or \"2026-03-02 06:00\";\n" +
		"kept to half hours",
	"until":          "`WHEN` they began at the latest; a day is meant to its end",
	"product":        "only of `NAME`",
	"revision":       "only of `REV` of the product",
	"lot":            "only of `LOT`",
	"station":        "only of `NAME`",
	"nest":           "only of `NAME` of a nest",
	"operator":       "only of `NAME`",
	"shifts":         "`TIMES` at which shifts begin; default: 06:00,14:00,22:00",
	"confidence":     "how sure intervals are, in `%`; default: 95",
	"target":         "compare with this first-pass yield, in `%`",
	"takt":           "the line wants one unit every so many `SECONDS`; default: as the station's bench file says",
	"reading":        "compare this `READING` (check.reading) only",
	"chart":          "`KIND` of chart; default: by how many values there are, or p for the yield",
	"every":          "one point for `N` units after one another",
	"first":          "take the limits from the first `N` points only",
	"rules":          "`RULES` that tell change from chance: western-electric or nelson",
	"retests":        "take in runs after a unit's first one too",
	"golden":         "the runs of golden units instead: has the bench changed?",
	"without-failed": "leave out values that broke their limit: do the others hold still?",
	"run":            "tell the unit by this `RUN`; default: its newest judged one",
}

// byWords say what --by is of a question.
var byWords = map[string]string{
	review.AskToday: "show the yield by `WHAT`: hour, shift, day, week, month, lot, revision, station, nest,\n" +
		"operator, product",
	review.AskFails:   "count by `WHAT`: cause (default), check or reading",
	review.AskDrift:   "one point each `WHAT`: unit, hour, shift, day, week, lot, revision, station, nest, operator",
	review.AskDiffers: "without A and B: what is compared, `WHAT`: lot (default), station, revision, product, nest, operator",
}

// mapFlag is a flag whose text stands in a map.
type mapFlag struct {
	values map[string]string
	name   string
}

// Set implements [pflag.Value].
func (f mapFlag) Set(text string) error {
	f.values[f.name] = text
	return nil
}

func (f mapFlag) String() string { return f.values[f.name] }
func (f mapFlag) Type() string   { return "string" }

// flags adds the flags of a question that is answered by figures.
func (q *question) flags(c *cobra.Command) {
	f := c.Flags()
	f.SortFlags = false
	for _, option := range review.Options(q.name) {
		if slices.Contains(q.args, option) {
			continue
		}
		words := optionWords[option]
		switch option {
		case "by":
			words = byWords[q.name]
		case "period":
			words += review.UsualPeriod(q.name)
		}
		flag := f.VarPF(mapFlag{q.values, option}, option, "", words)
		if slices.Contains(review.Switches(), option) {
			flag.NoOptDefVal = "1"
		}
	}
	q.app.readFlags(c, &q.plant)
	f.BoolVar(&q.asJSON, "json", false, "write everything as JSON, in SI units without prefix, shares as parts of 1")
	if q.name != review.AskUnit && q.name != review.AskExport {
		f.BoolVar(&q.brief, "brief", false, "leave out what the words mean")
	}
}

// run is the body of a question's command: it reads the options, opens the
// records, and shows what answer gives.
func (q *question) run(answer func(ctx context.Context) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) (err error) {
		for i, text := range args {
			q.values[q.args[i]] = text
		}
		q.out, q.words = terminal.NewScreen(q.app.out), terminal.English()
		r := &review.Review{Serials: stockSerials}
		if q.asked, err = r.Parse(q.name, q.values); err != nil {
			return q.refused(err)
		}
		q.sel = q.asked.Runs
		records, where, plant, err := q.app.openStore(cmd.Context(), q.plant)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, records.Close()) }()
		live := terminal.NewScreen(q.app.errs)
		r.Records, r.Where = records, where
		r.Progress = func(what string, done, total int) { live.Now("%s %d of %d", what, done, total) }
		q.review, q.plantRead = r, plant
		err = q.refused(answer(cmd.Context()))
		live.Now("")
		return err
	}
}

// answered asks and shows the answer: as JSON, or by tell.
func answered[T any](ctx context.Context, q *question, ask func(context.Context, review.Question) (T, error),
	tell func(*T) error) error {
	a, err := ask(ctx, q.asked)
	if err != nil {
		return err
	}
	if q.asJSON {
		return q.app.writeJSON(a)
	}
	return tell(&a)
}

// refused puts into words why a question cannot be answered as it was put.
func (q *question) refused(err error) error {
	var p *review.Problem
	if !errors.As(err, &p) {
		return err
	}
	args := slices.Clone(p.Args)
	for i := 1; i < len(args); i += 2 {
		if args[i-1] == "name" && !slices.Contains(q.args, p.Arg("name")) {
			args[i] = "--" + p.Arg("name")
		}
	}
	id := "review.bad." + p.Code
	f := input.Usage("%s: %s", q.name, q.words.T(id, args...))
	if hint := hintFor(p); hint != "" {
		return f.Hint(hint)
	}
	if q.words.Has(id + "_hint") {
		return f.Hint(q.words.T(id+"_hint", args...))
	}
	return f
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
	for _, x := range []struct{ word, value string }{
		{"lot ", s.Lot}, {"station ", s.Station}, {"nest ", s.Nest}, {"operator ", s.Operator},
	} {
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
func (q *question) title(what string, b review.About) {
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
func (q *question) nothing(ctx context.Context, b review.About) error {
	q.out.Tell(0, "No unit of this selection was tested.")
	why, newest, err := q.review.Empty(ctx, &q.asked)
	if err != nil {
		return err
	}
	switch why {
	case review.EmptyRecord:
		q.hint("there is no report in " + q.review.Where + " at all: test a unit first, or name another folder by --data")
	case review.EmptyUnjudged:
		q.hint("all its runs ended by a fault of the bench, were aborted, were of golden units, or are not counted")
	default:
		q.hint("the newest run " + map[string]string{review.EmptyPeriod: "of it", review.EmptyChoice: "in " + q.review.Where}[why] +
			" is of " + newest.Started.In(q.sel.Zone).Format("2006-01-02 15:04") +
			wording.Prefixed(", lot ", newest.Unit.Lot) + ", at " + newest.Station)
	}
	if why == review.EmptyPeriod && q.asked.Period != "" {
		q.hint("--period all asks about all times")
	}
	q.notCounted(b)
	return nil
}

// hintFor says what was perhaps meant, "" if nobody knows.
func hintFor(p *review.Problem) string {
	switch {
	case p.Given == "":
		return ""
	case p.Code == review.BadReading:
		return readingHint(p.Given, p.Known)
	case p.Code == review.BadUnit: // one letter misread, not a third of them
		n := input.Near(p.Given, p.Known)
		if n == "" || levenshtein.ComputeDistance(p.Given, n) > 2 {
			return ""
		}
	}
	return input.Meant(p.Given, p.Known)
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
func (q *question) notCounted(b review.About) {
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
			q.hint("fullthrow verify " + q.review.Where + " says more")
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

// writeJSON writes a value as JSON, indented.
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
