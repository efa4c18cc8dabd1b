package main

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"slices"

	"github.com/agnivade/levenshtein"
	"github.com/spf13/cobra"

	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
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

	asJSON bool
	*terminal.Answer
}

// question begins a question whose options named by args are arguments.
func (a *app) question(name string, args ...string) *question {
	return &question{app: a, name: name, args: args, values: map[string]string{}, Answer: &terminal.Answer{}}
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
	review.AskFails: "count by `WHAT`: cause (default), check or reading",
	review.AskDrift: "one point each `WHAT`: unit, hour, shift, day, week, lot, revision, station, nest, operator",
	review.AskDiffers: "without A and B: what is compared, `WHAT`: lot (default), station, revision, product, nest, " +
		"operator",
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
		f.BoolVar(&q.Brief, "brief", false, "leave out what the words mean")
	}
}

// run is the body of a question's command: it reads the options, opens the
// records, and shows what answer gives.
func (q *question) run(answer func(ctx context.Context) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) (err error) {
		for i, text := range args {
			q.values[q.args[i]] = text
		}
		q.Out, q.Words = terminal.NewScreen(q.app.out), terminal.English()
		r := &review.Review{Serials: product.Serials}
		if q.Asked, err = r.Parse(q.name, q.values); err != nil {
			return q.refused(err)
		}
		q.Sel = q.Asked.Runs
		out := &watched{Writer: terminal.Bare(q.app.out)}
		q.app.out = terminal.Shown(out)
		q.Out = terminal.NewScreen(q.app.out)
		for try := 0; ; try++ {
			err := q.once(cmd.Context(), r, answer)
			// Found damaged on the way: opened again, it is made anew.
			if try > 0 || out.written || !errors.Is(err, store.ErrDamaged) {
				return err
			}
		}
	}
}

func (q *question) once(ctx context.Context, r *review.Review, answer func(ctx context.Context) error) (err error) {
	records, where, plant, err := q.app.OpenStore(ctx, q.plant)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, records.Close()) }()
	live := terminal.NewScreen(q.app.Errs)
	r.Records, r.Where = records, where
	r.Progress = func(what string, done, total int) { live.Now("%s %d of %d", what, done, total) }
	q.Review, q.PlantRead = r, plant
	err = q.refused(answer(ctx))
	live.Now("")
	return err
}

// watched knows whether something was written.
type watched struct {
	io.Writer
	written bool
}

// File is what a screen asks for.
func (w *watched) File() *os.File {
	switch f := w.Writer.(type) {
	case *os.File:
		return f
	case interface{ File() *os.File }:
		return f.File()
	}
	return nil
}

func (w *watched) Write(b []byte) (int, error) {
	w.written = true
	return w.Writer.Write(b)
}

// answered asks and shows the answer: as JSON, or by tell.
func answered[T any](ctx context.Context, q *question, ask func(context.Context, review.Question) (T, error),
	tell func(*T) error) error {
	a, err := ask(ctx, q.Asked)
	if err != nil {
		return err
	}
	if q.asJSON {
		return q.app.writeJSON(a)
	}
	shown := terminal.Plain(a)
	return tell(&shown)
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
	f := input.Usage("%s: %s", q.name, q.Words.T(id, args...))
	if hint := hintFor(p); hint != "" {
		return f.Hint(hint)
	}
	if q.Words.Has(id + "_hint") {
		return f.Hint(q.Words.T(id+"_hint", args...))
	}
	return f
}

// hintFor says what was perhaps meant, "" if nobody knows.
func hintFor(p *review.Problem) string {
	switch {
	case p.Given == "":
		return ""
	case p.Code == review.BadReading:
		return terminal.ReadingHint(p.Given, p.Known)
	case p.Code == review.BadUnit: // one letter misread, not a third of them
		n := input.Near(p.Given, p.Known)
		if n == "" || levenshtein.ComputeDistance(p.Given, n) > 2 {
			return ""
		}
	}
	return input.Meant(p.Given, p.Known)
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
