package page

import (
	"encoding/csv"
	"fmt"
	"io"
	"reflect"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/statistics"
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

// WriteCSV writes one row per reading (and one for a check without readings).
// All is in names and codes, but for what could not be judged, which t says in
// words too.
func WriteCSV(w io.Writer, s archive.Sealed, t *wording.Translator) error {
	row := CSVRows(w)
	if err := row(ToAny(csvHeader)...); err != nil {
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
			var oneOf []string
			for _, v := range l.OneOf {
				oneOf = append(oneOf, v.String())
			}
			var value any
			if rd.Name != "" {
				value = rd.Value
			}
			if err := row(r.Run, s.Seal.Number, r.Unit.Product, r.Unit.Revision, r.Unit.Lot, r.Unit.SerialNumber,
				r.Attempt, r.Station, r.Nest, r.Operator, r.Started.UTC().Format(time.RFC3339), r.Outcome, c.Name,
				c.Verdict, rd.Name, value, rd.Bound, rd.Unit, given(rd.Uncertainty), l.Lower, l.Upper, l.Equal,
				strings.Join(oneOf, "; "), l.Rule, given(l.Guard), rd.Verdict, rd.Problem.CodeText(),
				t.Reason(rd.Problem), rd.Cause, rd.Inspect, simulated, rd.Conformance); err != nil {
				return fmt.Errorf("csv: %w", err)
			}
		}
	}
	return nil
}

// given is a number that is 0 where there is none.
func given(x float64) any {
	if x == 0 {
		return nil
	}
	return x
}

// CSVRows writes rows for a spreadsheet: RFC 4180, UTF-8, see [CSVCell].
func CSVRows(w io.Writer) func(cells ...any) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	return func(cells ...any) error {
		row := make([]string, len(cells))
		for i, v := range cells {
			row[i] = CSVCell(v)
		}
		if err := c.Write(row); err != nil {
			return err
		}
		c.Flush()
		return c.Error()
	}
}

// ToAny makes cells of names.
func ToAny(list []string) []any {
	out := make([]any, len(list))
	for i, s := range list {
		out[i] = s
	}
	return out
}

// CSVCell writes a value: numbers with a point, texts so that no spreadsheet
// takes one for a formula. What is not known or no number is empty.
func CSVCell(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case time.Time:
		if v.IsZero() {
			return ""
		}
		return v.UTC().Format(time.RFC3339)
	case reports.Value:
		if x, ok := v.Number(); ok {
			return CSVCell(x)
		}
		if v.IsNone() {
			return ""
		}
		return CSVText(v.String())
	}
	switch x := reflect.ValueOf(v); {
	case x.Kind() == reflect.String:
		return CSVText(x.String())
	case x.Kind() == reflect.Float64 && !statistics.Finite(x.Float()), x.Kind() == reflect.Pointer && x.IsNil():
		return ""
	case x.Kind() == reflect.Float64:
		return strconv.FormatFloat(x.Float(), 'g', -1, 64)
	case x.Kind() == reflect.Pointer:
		return CSVCell(x.Elem().Interface())
	}
	return fmt.Sprint(v)
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
