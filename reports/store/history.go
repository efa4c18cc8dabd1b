package store

import "fullthrow/reports"

// HistoryRows are a unit's runs, in the order given, and its repairs as its page
// lists them, oldest first.
func HistoryRows(runs []Run, repairs []reports.Repair) []reports.HistoryRow {
	var rows []reports.HistoryRow
	causes := map[string][]reports.Cause{}
	for _, r := range runs {
		row := reports.HistoryRow{At: r.Started, Run: r.Run, Station: r.Station, Nest: r.Nest, Outcome: r.Outcome,
			Reason: r.Reason, By: r.Operator, CutShort: r.CutShort, Flagged: r.Flag != ""}
		if row.Cause = r.Likeliest(); row.Cause != nil {
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

// Likeliest is the likeliest cause of the run, nil if there is none.
func (r *Run) Likeliest() *reports.Cause {
	if r.Cause == "" {
		return nil
	}
	return &reports.Cause{Where: r.Where, Cause: r.Cause, Rule: r.Rule, Part: r.Part}
}
