package store

import (
	"strings"

	"fullthrow/reports"
)

// HistoryRows are a unit's runs and repairs as its page lists them, oldest first.
func HistoryRows(runs []Run, repairs []reports.Repair) []reports.HistoryRow {
	var rows []reports.HistoryRow
	causes := map[string][]reports.Cause{}
	for _, r := range runs {
		row := reports.HistoryRow{At: r.Started, Run: r.Run, Station: r.Station, Nest: r.Nest, Outcome: r.Outcome,
			Reason: r.Reason, By: r.Operator, Flagged: r.Flag != ""}
		if r.Cause != "" {
			row.Cause = &reports.Cause{Cause: r.Cause, Rule: r.Rule}
			if where, what, ok := strings.Cut(r.Cause, ": "); ok { // as [reports.Cause.String] joins them
				row.Cause.Where, row.Cause.Cause = where, what
			}
			causes[r.Run] = []reports.Cause{*row.Cause}
		}
		rows = append(rows, row)
	}
	for _, r := range repairs {
		rows = append(rows, reports.RepairRow(r, causes[r.Run]))
	}
	reports.SortHistory(rows)
	return rows
}
