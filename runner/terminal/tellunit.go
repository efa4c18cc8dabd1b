package terminal

import (
	"cmp"
	"fmt"
	"path/filepath"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/product"
)

func (q *Answer) Unit(x *review.Unit) {
	s, runs, repairs := q.Out, x.Runs, x.Repairs
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
	head := unit.SerialNumber + ", a " + cmp.Or(product.Title(unit.Product), unit.Product) +
		wording.Prefixed(" revision ", unit.Revision) + wording.Prefixed(", lot ", unit.Lot)
	if unit.Golden {
		head += ", a golden unit"
	}
	s.Say("%s", s.Strong(head))
	switch {
	case newest == nil:
		s.Tell(0, "No run that counts has judged it so far.")
	default:
		now := string(x.State)
		if judging := x.Newest(); judging.CutShort {
			now = "not passed: its newest run broke a limit and was then cut short"
		}
		text := fmt.Sprintf("Now %s; %s judged", now, wording.Count(judged, "run"))
		if failed > 0 {
			text += fmt.Sprintf(", %d failed", failed)
		}
		if x.CutShort > 0 {
			text += fmt.Sprintf(", %d cut short after a broken limit", x.CutShort)
		}
		s.Tell(0, text+wording.Prefixed(", ", repairsWords(len(repairs)))+".")
	}
	if x.Aborted > 0 {
		s.Tell(0, fmt.Sprintf("%s, %d of them after a limit was broken.", wording.Count(x.Aborted, "aborted run"),
			x.AbortedCutShort))
	}
	s.Say("")
	for _, e := range x.Happened() {
		if e.Run != nil {
			q.tellRun(*e.Run)
		} else {
			q.tellRepair(*e.Repair, x.Found(*e.Repair))
		}
	}
	if newest != nil && newest.File != "" && !q.PlantRead {
		s.Tell(0, "this one as a page: fullthrow report "+filepath.Join(q.Review.Where,
			filepath.FromSlash(newest.File))+" --html page.html")
	}
}

func repairsWords(n int) string {
	if n == 0 {
		return ""
	}
	return wording.Count(n, "repair")
}

func (q *Answer) tellRun(r store.Run) {
	s := q.Out
	word := map[reports.Outcome]string{reports.Passed: "passed", reports.Failed: "FAILED", reports.Aborted: "aborted",
		reports.Errored: "not tested"}[r.Outcome]
	line := fmt.Sprintf("  %s  %s  at %s, nest %s", r.Started.In(q.Sel.Zone).Format("2006-01-02 15:04"),
		s.Strong(fmt.Sprintf("%-10s", word)), r.Station, r.Nest)
	if r.Operator != "" {
		line += " by " + r.Operator
	}
	switch {
	case r.First:
		line += "; first run"
	case r.Flag == "" && !r.Unit.Golden && (r.Outcome == reports.Passed || r.Outcome == reports.Failed || r.CutShort):
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
		if r.CutShort {
			text += ", then cut short: " + q.Words.Reason(r.Reason)
		}
		s.Tell(6, "not kept: "+text)
	}
	for i := range r.Clock {
		s.Tell(6, "clock: "+q.Words.Reason(&r.Clock[i]))
	}
	if c := r.Likeliest(); c != nil {
		s.Tell(6, "likely cause: "+q.Words.Cause(nil, *c))
	} else if r.Outcome != reports.Passed && r.Reason != nil && len(r.Failed) == 0 {
		s.Tell(6, q.Words.Reason(r.Reason))
	}
}

func (q *Answer) tellRepair(r reports.Repair, cause *reports.Cause) {
	found := q.Words.Finding(nil, r.Found, cause)
	by := ""
	if r.By != "" {
		by = "  by " + r.By
	}
	q.Out.Say("  %s  %s%s", r.At.In(q.Sel.Zone).Format("2006-01-02 15:04"),
		q.Out.Strong(fmt.Sprintf("%-10s", "repair")), by)
	text := "found: " + found
	if r.Part != "" {
		text += ", at the " + strings.ReplaceAll(r.Part, "-", " ")
	}
	q.Out.Tell(6, text+"; "+q.Words.Remedy(r.Done)+wording.Prefixed(". ", r.Text))
}

// Views explains the SQL views to people.
func (s *Screen) Views(list []store.View) {
	s.Tell(0, "Programs that read databases (spreadsheets through a database driver, programs for business figures) "+
		"can ask these views: at a station in the file "+store.IndexFile+
		" beside the records (SQLite; open it for reading only), at a plant in its PostgreSQL database. Figures "+
		"that count use only rows with counts = 1. Times are UTC, values in the unit that the row names.")
	for _, v := range list {
		s.Say("")
		s.Tell(0, s.Strong(v.Name)+": "+v.About)
		var g Grid
		for _, c := range v.Columns {
			g.Add(c.Name, c.About)
		}
		g.Show(s)
	}
	s.Say("")
	s.Tell(0, "For example, first-pass yield by lot, and the readings of a unit:")
	s.Say("%s", `  SELECT lot, SUM(first_passed) * 1.0 / SUM(units) FROM v_daily_yield GROUP BY lot;
  SELECT check_name, reading, value, unit, verdict FROM v_readings
    WHERE run IN (SELECT run FROM v_runs WHERE serial_number = 'K824A00017M');`)
}
