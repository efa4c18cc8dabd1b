package reports

import (
	"slices"
	"time"
)

// HistoryRow is one thing that happened to a unit: a run, or a repair.
type HistoryRow struct {
	At       time.Time
	Run      string // of a repair: the run it answers
	Station  string
	Nest     string
	Outcome  Outcome // of a run; "" where that is not known
	Reason   *Reason // why the run did not pass
	Cause    *Cause  // the likeliest of a failed run; of a repair, that which was found; nil none
	By       string  // operator or technician
	Repair   *Repair // nil for a run
	Link     string  // where to read more; "" no link
	CutShort bool    // the run broke a limit and was then cut short: see [Report.WasCutShort]
	Flagged  bool    // the report is not as it was sealed, or contradicts itself: it counts nowhere
}

// RunRow is a run's row in the history of its unit.
func RunRow(r Report) HistoryRow {
	row := HistoryRow{At: r.Started, Run: r.Run, Station: r.Station, Nest: r.Nest, Outcome: r.Outcome, Reason: r.Reason,
		By: r.Operator, CutShort: r.WasCutShort(), Flagged: r.Contradiction() != nil}
	if len(r.Causes) > 0 {
		row.Cause = &r.Causes[0]
	} else if r.Outcome == Failed {
		for _, c := range r.Checks {
			for _, rd := range c.Readings {
				if row.Cause == nil && rd.Verdict == Fail && rd.Cause != "" {
					row.Cause = &Cause{Cause: rd.Cause}
				}
			}
		}
	}
	return row
}

// RepairRow is a repair's row; causes are those of the run it answers: one of
// them may be what was found.
func RepairRow(r Repair, causes []Cause) HistoryRow {
	row := HistoryRow{At: r.At, Run: r.Run, By: r.By, Repair: &r}
	for i, c := range causes {
		if c.Rule == r.Found {
			row.Cause = &causes[i]
		}
	}
	return row
}

// SortHistory puts repairs where they belong among runs, whose order it leaves
// as it is: see [PlaceOfRepair].
func SortHistory(rows []HistoryRow) {
	var repairs, sorted []HistoryRow
	for _, r := range rows {
		if r.Repair != nil {
			repairs = append(repairs, r)
		} else {
			sorted = append(sorted, r)
		}
	}
	slices.SortStableFunc(repairs, func(a, b HistoryRow) int { return a.At.Compare(b.At) })
	for _, p := range repairs {
		at := PlaceOfRepair(p.At, len(sorted),
			func(i int) bool { return sorted[i].Repair == nil && sorted[i].Run == p.Run },
			func(i int) time.Time { return sorted[i].At })
		sorted = slices.Insert(sorted, at, p)
	}
	copy(rows, sorted)
}

// PlaceOfRepair is where a repair made at a time belongs among n runs and
// repairs in their order: behind the run that it answers, whatever the clock
// said, and behind what follows there and was not later.
func PlaceOfRepair(made time.Time, n int, answers func(i int) bool, at func(i int) time.Time) int {
	place := 0
	for i := range n {
		if answers(i) {
			place = i + 1
		}
	}
	for place < n && !at(place).After(made) {
		place++
	}
	return place
}
