package reports

import (
	"slices"
	"time"
)

// HistoryRow is one thing that happened to a unit: a run, or a repair.
type HistoryRow struct {
	At      time.Time
	Run     string // of a repair: the run it answers
	Station string
	Nest    string
	Outcome Outcome // of a run; "" where that is not known
	Reason  *Reason // why the run did not pass
	Cause   *Cause  // the likeliest of a failed run; of a repair, that which was found; nil none
	By      string  // operator or technician
	Repair  *Repair // nil for a run
	Link    string  // where to read more; "" no link
	Flagged bool    // the report is not as it was sealed: it counts nowhere
}

// RunRow is a run's row in the history of its unit.
func RunRow(r Report) HistoryRow {
	row := HistoryRow{At: r.Started, Run: r.Run, Station: r.Station, Nest: r.Nest, Outcome: r.Outcome, Reason: r.Reason,
		By: r.Operator}
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

// SortHistory puts rows in the order of their time; a repair comes after the
// run it answers, whatever its clock said.
func SortHistory(rows []HistoryRow) {
	slices.SortStableFunc(rows, func(a, b HistoryRow) int { return a.At.Compare(b.At) })
	for i := 0; i < len(rows); i++ {
		row := rows[i]
		if row.Repair == nil {
			continue
		}
		if k := slices.IndexFunc(rows, func(r HistoryRow) bool { return r.Repair == nil && r.Run == row.Run }); k > i {
			copy(rows[i:k], rows[i+1:k+1])
			rows[k] = row
			i--
		}
	}
}
