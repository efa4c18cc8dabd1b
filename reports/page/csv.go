package page

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
)

// csvHeader names the columns; units stand in brackets. Values, limits, guard
// band and uncertainty are in the unit that the row's unit column names.
var csvHeader = []string{
	"run", "number", "product", "revision", "lot", "serial number", "attempt", "station", "nest", "operator",
	"started [UTC]", "outcome", "check", "check verdict", "reading", "value [unit]", "bound", "unit",
	"uncertainty k=2 [unit]",
	"lower limit [unit]", "upper limit [unit]", "equal", "one of", "decision rule", "guard band [unit]", "verdict",
	"problem", "problem in words", "likely cause", "inspect", "simulated", "conformance probability",
}

// WriteCSV writes one row per reading (and one for a check without readings),
// for a spreadsheet: RFC 4180, UTF-8, numbers with a point. A text that a
// spreadsheet would take for a formula is given a leading apostrophe. All is in
// names and codes, but for what could not be judged, which t says in words too.
func WriteCSV(w io.Writer, s archive.Sealed, t *wording.Translator) error {
	cw := csv.NewWriter(w)
	cw.UseCRLF = true
	if err := cw.Write(csvHeader); err != nil {
		return fmt.Errorf("csv: %w", err)
	}
	r := s.Report
	simulated := ""
	if r.Simulated {
		simulated = "simulated"
	}
	for _, c := range r.Checks {
		readings := c.Readings
		if len(readings) == 0 {
			readings = []reports.Reading{{Problem: c.Problem}}
		}
		for _, rd := range readings {
			l := rd.Limit
			if l == nil {
				l = &reports.Limit{}
			}
			equal, oneOf := "", []string{}
			if l.Equal != nil {
				equal = csvValue(*l.Equal)
			}
			for _, v := range l.OneOf {
				oneOf = append(oneOf, v.String())
			}
			value := ""
			if rd.Name != "" {
				value = csvValue(rd.Value)
			}
			row := []string{
				CSVText(r.Run), strconv.FormatInt(s.Seal.Number, 10), CSVText(r.Unit.Product), CSVText(r.Unit.Revision),
				CSVText(r.Unit.Lot), CSVText(r.Unit.SerialNumber), strconv.Itoa(r.Attempt), CSVText(r.Station),
				CSVText(r.Nest),
				CSVText(r.Operator), r.Started.UTC().Format(time.RFC3339), CSVText(string(r.Outcome)), CSVText(c.Name),
				CSVText(string(c.Verdict)), CSVText(rd.Name), value, CSVText(rd.Bound), CSVText(rd.Unit),
				csvOptional(rd.Uncertainty), csvLimit(l.Lower), csvLimit(l.Upper), equal,
				CSVText(strings.Join(oneOf, "; ")),
				CSVText(l.Rule), csvOptional(l.Guard), CSVText(string(rd.Verdict)), CSVText(codeOf(rd.Problem)),
				CSVText(t.Reason(rd.Problem)), CSVText(rd.Cause),
				CSVText(rd.Inspect), simulated, csvLimit(rd.Conformance),
			}
			if err := cw.Write(row); err != nil {
				return fmt.Errorf("csv: %w", err)
			}
		}
	}
	cw.Flush()
	if err := cw.Error(); err != nil {
		return fmt.Errorf("csv: %w", err)
	}
	return nil
}

func codeOf(r *reports.Reason) string {
	if r == nil {
		return ""
	}
	return string(r.Code)
}

// CSVText makes a text safe to open: a spreadsheet takes what begins with one
// of = + - @ (also after blanks) for a formula.
func CSVText(s string) string {
	if s == "" {
		return s
	}
	first := strings.TrimLeft(s, " \u00a0\u3000")
	if strings.ContainsAny(s[:1], "\t\r\n") || first != "" && strings.ContainsRune("=+-@\t\r\n＝＋－＠", []rune(first)[0]) {
		return "'" + s
	}
	return s
}

func csvValue(v reports.Value) string {
	if x, ok := v.Number(); ok {
		return csvNumber(x)
	}
	if v.IsNone() {
		return ""
	}
	return CSVText(v.String())
}

func csvNumber(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	return strconv.FormatFloat(x, 'g', -1, 64)
}

func csvOptional(x float64) string {
	if x == 0 {
		return ""
	}
	return csvNumber(x)
}

func csvLimit(x *float64) string {
	if x == nil {
		return ""
	}
	return csvNumber(*x)
}
