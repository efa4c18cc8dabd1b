package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/serial"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/scripts"
)

const historySchema = "fullthrow-history/1"

// historyAnswer is what `history --json` writes.
type historyAnswer struct {
	Schema       string           `json:"schema"`
	Where        string           `json:"where"`
	SerialNumber string           `json:"serial_number"`
	Runs         []store.Run      `json:"runs"` // oldest first
	Repairs      []reports.Repair `json:"repairs"`
}

func (a *app) historyCommand() *cobra.Command {
	q := a.question("history")
	c := &cobra.Command{
		Use:   "history SERIAL",
		Short: "All that happened to one unit: runs, retests, causes, repairs",
		Long: `All that happened to one unit: runs, retests, causes, repairs.

SERIAL is typed or scanned: the plain serial number, a GS1 code that holds it,
or the code on the unit's page or certificate.`,
		Example: "  fullthrow history K824A00003Y",
		Args:    takes("SERIAL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return q.ask(cmd.Context(), func(ctx context.Context) error { return q.history(ctx, args[0]) })
		},
	}
	q.whence(c)
	c.Flags().StringVar(&q.product, "product", "", "only as `NAME`, where products share serial numbers")
	return c
}

func (q *question) history(ctx context.Context, text string) error {
	serial, runs, repairs, err := q.historyOf(ctx, text)
	if err != nil {
		return err
	}
	if q.asJSON {
		return q.json(historyAnswer{historySchema, q.where, serial, runs, append([]reports.Repair{}, repairs...)})
	}
	q.tellHistory(runs, repairs)
	return nil
}

// historyOf finds a unit by what was typed or scanned.
func (q *question) historyOf(ctx context.Context, text string) (serial string, runs []store.Run, repairs []reports.Repair, err error) {
	tried := serialsIn(text)
	for _, serial = range tried {
		runs, repairs, err = q.store.History(ctx, q.sel.Product, serial)
		if err != nil || len(runs)+len(repairs) > 0 {
			return serial, runs, repairs, err
		}
	}
	f := input.Usage("%s: no run of a unit %s is in %s", q.name, tried[0], q.where)
	if newest, err := q.store.Runs(ctx, store.Selection{Product: q.sel.Product}, store.RunFilter{}, "", 1000); err == nil {
		var serials []string
		for _, r := range newest {
			serials = append(serials, r.Unit.SerialNumber)
		}
		// One letter misread, not a third of them.
		if n := input.Near(tried[0], serials); n != "" && levenshtein.ComputeDistance(tried[0], n) <= 2 {
			f.Hint(`did you mean "` + n + `"?`)
		}
	}
	return tried[0], nil, nil, f
}

// serialsIn lists the serial numbers that a typed or scanned text may hold: as
// it is, from our own code, and by the formats of the products known here.
func serialsIn(text string) []string {
	text = strings.TrimSpace(text)
	list := []string{text}
	if number, _, ok := serial.ParseCode(text); ok {
		list = []string{number}
	}
	for _, name := range scripts.Products() {
		home, err := product.StockFolder(name)
		if err != nil {
			continue
		}
		if p, err := home.Product(); err == nil {
			if serial, _, err := p.Format().ParseScan(text); err == nil {
				list = append(list, serial)
			}
		}
	}
	list = append(list, strings.ToUpper(text))
	var once []string
	for _, s := range list {
		if !slices.Contains(once, s) {
			once = append(once, s)
		}
	}
	return once
}

func (q *question) tellHistory(runs []store.Run, repairs []reports.Repair) {
	s := q.out
	unit := reports.Unit{}
	judged, failed := 0, 0
	var newest *store.Run
	for i, r := range runs {
		unit = r.Unit
		if r.Flag == "" && (r.Outcome == reports.Passed || r.Outcome == reports.Failed) {
			judged++
			newest = &runs[i]
			if r.Outcome == reports.Failed {
				failed++
			}
		}
	}
	if len(runs) == 0 {
		unit = repairs[0].Unit
	}
	head := unit.SerialNumber + ", a " + cmp.Or(productTitle(unit.Product), unit.Product) + wording.Prefixed(" revision ", unit.Revision) + wording.Prefixed(", lot ", unit.Lot)
	if unit.Golden {
		head += ", a golden unit"
	}
	s.Say("%s", s.Strong(head))
	switch {
	case newest == nil:
		s.Tell(0, "No run that counts has judged it so far.")
	default:
		text := fmt.Sprintf("Now %s; %s judged", newest.Outcome, wording.Count(judged, "run"))
		if failed > 0 {
			text += fmt.Sprintf(", %d failed", failed)
		}
		s.Tell(0, text+wording.Prefixed(", ", repairsWords(len(repairs)))+".")
	}
	s.Say("")
	shown := map[string]bool{}
	for _, e := range merged(runs, repairs) {
		if e.run != nil {
			q.tellRun(*e.run)
			shown[e.run.Run] = true
		} else {
			q.tellRepair(*e.repair, runs)
		}
	}
	if newest != nil && newest.File != "" && !q.plantRead {
		s.Tell(0, "the newest judged one as a page: fullthrow report "+filepath.Join(q.where, filepath.FromSlash(newest.File))+" --html page.html")
	}
}

func repairsWords(n int) string {
	if n == 0 {
		return ""
	}
	return wording.Count(n, "repair")
}

// happened is one thing that happened to a unit.
type happened struct {
	run    *store.Run
	repair *reports.Repair
}

// merged puts runs and repairs in the order of time, a repair after the run it
// answers whatever its clock said.
func merged(runs []store.Run, repairs []reports.Repair) []happened {
	var list []happened
	for i := range runs {
		list = append(list, happened{run: &runs[i]})
	}
	for i := range repairs {
		at := 0
		for k, e := range list {
			switch {
			case e.run != nil && (e.run.Run == repairs[i].Run || !e.run.Started.After(repairs[i].At)),
				e.repair != nil && !e.repair.At.After(repairs[i].At):
				at = k + 1
			}
		}
		list = slices.Insert(list, at, happened{repair: &repairs[i]})
	}
	return list
}

func (q *question) tellRun(r store.Run) {
	s := q.out
	word := map[reports.Outcome]string{reports.Passed: "passed", reports.Failed: "FAILED", reports.Aborted: "aborted", reports.Errored: "not tested"}[r.Outcome]
	line := fmt.Sprintf("  %s  %s  at %s, nest %s", r.Started.In(q.sel.Zone).Format("2006-01-02 15:04"), s.Strong(fmt.Sprintf("%-10s", word)), r.Station, r.Nest)
	if r.Operator != "" {
		line += " by " + r.Operator
	}
	switch {
	case r.First:
		line += "; first run"
	case r.Flag == "" && !r.Unit.Golden && (r.Outcome == reports.Passed || r.Outcome == reports.Failed):
		line += "; retest"
	}
	line += fmt.Sprintf("; report %d", r.Number)
	if r.Simulated {
		line += "; simulated"
	}
	s.Say("%s", line)
	if r.Flag != "" {
		s.Tell(6, s.Strong("not counted: "+r.Flag))
	}
	const most = 6
	if n := len(r.Failed); n > 0 {
		text := strings.Join(r.Failed[:min(n, most)], ", ")
		if n > most {
			text += fmt.Sprintf(" and %d more", n-most)
		}
		s.Tell(6, "not kept: "+text)
	}
	if r.Cause != "" {
		s.Tell(6, "likely cause: "+r.Cause)
	} else if r.Outcome != reports.Passed && r.Reason != nil && len(r.Failed) == 0 {
		s.Tell(6, wording.English().Reason(r.Reason))
	}
}

func (q *question) tellRepair(r reports.Repair, runs []store.Run) {
	english := wording.English()
	found := english.Finding(nil, r.Found, nil)
	for _, run := range runs {
		if run.Run == r.Run && run.Rule == r.Found && run.Cause != "" {
			found = run.Cause
		}
	}
	by := ""
	if r.By != "" {
		by = "  by " + r.By
	}
	q.out.Say("  %s  %s%s", r.At.In(q.sel.Zone).Format("2006-01-02 15:04"), q.out.Strong(fmt.Sprintf("%-10s", "repair")), by)
	text := "found: " + found
	if r.Part != "" {
		text += ", at the " + strings.ReplaceAll(r.Part, "-", " ")
	}
	q.out.Tell(6, text+"; "+english.Remedy(r.Done)+wording.Prefixed(". ", r.Text))
}
