package reports

import (
	"slices"
	"strings"
	"time"
)

// HistoryRow is one thing that happened to a unit: a run, or a repair.
type HistoryRow struct {
	At      time.Time
	Run     string // of a repair: the run it answers
	Station string
	Outcome Outcome // of a run; "" where that is not known
	What    string  // what was found, in words
	Cause   string  // the likeliest cause of a failed run, in words
	Note    string  // what the technician wrote
	By      string  // operator or technician
	Repair  bool
	Link    string // where to read more; "" no link
}

// RunRow is a run's row in the history of its unit.
func RunRow(r Report) HistoryRow {
	row := HistoryRow{At: r.Started, Run: r.Run, Station: r.Station, Outcome: r.Outcome, What: r.Reason, By: r.Operator}
	if len(r.Causes) > 0 {
		row.Cause = r.Causes[0].String()
	} else if r.Outcome == Failed {
		for _, c := range r.Checks {
			for _, rd := range c.Readings {
				if row.Cause == "" && rd.Verdict == Fail {
					row.Cause = rd.Cause
				}
			}
		}
	}
	return row
}

// RepairRow is a repair's row; causes are those of the run it answers, whose
// words stand in for the name of a rule.
func RepairRow(r Repair, causes []Cause) HistoryRow {
	found := FindingWords(r.Found)
	for _, c := range causes {
		if c.Rule == r.Found {
			found = c.String()
		}
	}
	if r.Part != "" {
		found += " (" + strings.ReplaceAll(r.Part, "-", " ") + ")"
	}
	return HistoryRow{At: r.At, Run: r.Run, By: r.By, Repair: true, What: "found: " + found + "; " + RemedyWords(r.Done), Note: r.Text}
}

// FindingWords says a coded finding to people; the name of a rule is given
// with blanks for hyphens.
func FindingWords(found string) string {
	if found == "other" {
		return "something else"
	}
	return strings.ReplaceAll(found, "-", " ")
}

// RemedyWords says what was done to people.
func RemedyWords(done string) string {
	if done == "nothing" {
		return "nothing was done"
	}
	return done
}

// SortHistory puts rows in the order of their time; a repair comes after the
// run it answers, whatever its clock said.
func SortHistory(rows []HistoryRow) {
	slices.SortStableFunc(rows, func(a, b HistoryRow) int { return a.At.Compare(b.At) })
	for i := 0; i < len(rows); i++ {
		row := rows[i]
		if !row.Repair {
			continue
		}
		if k := slices.IndexFunc(rows, func(r HistoryRow) bool { return !r.Repair && r.Run == row.Run }); k > i {
			copy(rows[i:k], rows[i+1:k+1])
			rows[k] = row
			i--
		}
	}
}
