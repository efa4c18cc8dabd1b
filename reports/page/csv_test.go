package page

import (
	"bytes"
	"encoding/csv"
	"slices"
	"strings"
	"testing"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/reports/wording"
)

func TestWriteCSV(t *testing.T) {
	s := archive.Sealed{Seal: archive.Seal{Number: 7}, Report: reports.Report{
		Start: recordtest.Start("r1"), Started: recordtest.T0, Outcome: reports.Failed,
		Checks: []reports.Check{
			{Name: "standby", Verdict: reports.Fail, Readings: []reports.Reading{
				{Check: "standby", Name: "current", Value: reports.Number(-15.3e-6), Unit: "A", Verdict: reports.Fail, Limit: &reports.Limit{Upper: new(12e-6)}, Cause: "=HYPERLINK(\"x\")"},
				{Check: "standby", Name: "mark", Value: reports.Text("-1+1"), Verdict: reports.Unlimited, Problem: &reports.Reason{Code: reports.NoValue}},
			}},
			{Name: "@check", Verdict: reports.Error, Problem: &reports.Reason{Code: reports.PlanError, Text: "+a \"quoted\", long\ntext"}},
		},
	}}
	var b bytes.Buffer
	if err := WriteCSV(&b, s, wording.English()); err != nil {
		t.Fatal(err)
	}
	if strings.Count(b.String(), "\r\n") < 4 {
		t.Error("lines do not end in CR LF as RFC 4180 has it")
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 4 {
		t.Fatalf("got %d rows, want header, two readings, and the check without any", len(rows))
	}
	cell := func(row int, column string) string { return rows[row][slices.Index(rows[0], column)] }
	for _, tt := range []struct {
		row          int
		column, want string
	}{
		{1, "value [unit]", "-1.53e-05"}, {1, "unit", "A"}, {1, "upper limit [unit]", "1.2e-05"}, {1, "lower limit [unit]", ""},
		{1, "likely cause", `'=HYPERLINK("x")`}, {1, "number", "7"}, {1, "started [UTC]", "2026-11-25T09:42:57Z"},
		{2, "value [unit]", "'-1+1"}, {2, "problem", "no_value"}, {2, "problem in words", "no value"},
		{3, "check", "'@check"}, {3, "problem", "plan_error"}, {3, "problem in words", "'+a \"quoted\", long\ntext"}, {3, "value [unit]", ""},
	} {
		if got := cell(tt.row, tt.column); got != tt.want {
			t.Errorf("row %d, %s: got %q, want %q", tt.row, tt.column, got, tt.want)
		}
	}
	for _, bad := range []string{"=1", "+1", "-1", "@x", "\t=1", "\r=1", " =1", "\u00a0=1", "＝1"} {
		if got := CSVText(bad); got != "'"+bad {
			t.Errorf("%q becomes %q", bad, got)
		}
	}
}
