package main

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/product"
	"fullthrow/scripts"
)

func (a *app) unitCommand() *cobra.Command {
	q := a.question(review.AskUnit, "serial")
	c := &cobra.Command{
		Use:   "unit SERIAL",
		Short: "All that happened to one unit: runs, retests, causes, repairs",
		Long: `All that happened to one unit: runs, retests, causes, repairs.

SERIAL is typed or scanned: the plain serial number, a GS1 code that holds it,
or the code on the unit's page or certificate.`,
		Example: "  fullthrow unit K824A00003Y",
		Args:    takes("SERIAL"),
	}
	c.RunE = q.run(func(ctx context.Context) error {
		return answered(ctx, q, q.review.Unit, func(x *review.Unit) error {
			q.tellUnit(x)
			return nil
		})
	})
	q.flags(c)
	return c
}

// stockSerials lists the serial numbers that a typed or scanned text may hold
// by the formats of the products known here.
func stockSerials(text string) (list []string) {
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
	return list
}

func (q *question) tellUnit(x *review.Unit) {
	s, runs, repairs := q.out, x.Runs, x.Repairs
	unit, newest, judged, failed := reports.Unit{}, x.Of(), x.Judged, x.Failed
	if x.State == "" {
		newest = nil
	}
	if len(runs) > 0 {
		unit = runs[len(runs)-1].Unit
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
		text := fmt.Sprintf("Now %s; %s judged", x.State, wording.Count(judged, "run"))
		if failed > 0 {
			text += fmt.Sprintf(", %d failed", failed)
		}
		s.Tell(0, text+wording.Prefixed(", ", repairsWords(len(repairs)))+".")
	}
	s.Say("")
	for _, e := range x.Happened() {
		if e.Run != nil {
			q.tellRun(*e.Run)
		} else {
			q.tellRepair(*e.Repair, x.Found(*e.Repair))
		}
	}
	if newest != nil && newest.File != "" && !q.plantRead {
		s.Tell(0, "this one as a page: fullthrow report "+filepath.Join(q.review.Where, filepath.FromSlash(newest.File))+" --html page.html")
	}
}

func repairsWords(n int) string {
	if n == 0 {
		return ""
	}
	return wording.Count(n, "repair")
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
		s.Tell(6, q.words.Reason(r.Reason))
	}
}

func (q *question) tellRepair(r reports.Repair, cause string) {
	found := cmp.Or(cause, q.words.Finding(nil, r.Found, nil))
	by := ""
	if r.By != "" {
		by = "  by " + r.By
	}
	q.out.Say("  %s  %s%s", r.At.In(q.sel.Zone).Format("2006-01-02 15:04"), q.out.Strong(fmt.Sprintf("%-10s", "repair")), by)
	text := "found: " + found
	if r.Part != "" {
		text += ", at the " + strings.ReplaceAll(r.Part, "-", " ")
	}
	q.out.Tell(6, text+"; "+q.words.Remedy(r.Done)+wording.Prefixed(". ", r.Text))
}
