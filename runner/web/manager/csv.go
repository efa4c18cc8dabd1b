package manager

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

// sheet is a table of a page for a spreadsheet: raw values, not words.
type sheet struct {
	name string
	head []string
	rows [][]any // string, int64, int, float64, time.Time, bool or nil
}

func (s *sheet) row(cells ...any) { s.rows = append(s.rows, cells) }

// writeData writes what a page shows for programs: as JSON, or a table as CSV.
func (v *view) writeData(w http.ResponseWriter, q *query) error {
	if q.format == "csv" {
		return v.writeCSV(w, q)
	}
	if v.answer == nil {
		return shell.Refuse(http.StatusNotFound, "manager.bad.no_table")
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(v.answer); err != nil {
		return err
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store")
	w.Write(b.Bytes())
	return nil
}

// writeCSV writes the table that was asked for, or the first.
func (v *view) writeCSV(w http.ResponseWriter, q *query) error {
	var names []string
	for i := range v.sheets {
		s := &v.sheets[i]
		if q.table != "" && s.name != q.table {
			names = append(names, s.name)
			continue
		}
		var b bytes.Buffer
		if err := s.write(&b); err != nil {
			return err
		}
		h := w.Header()
		h.Set("Content-Type", "text/csv; charset=utf-8")
		h.Set("Content-Disposition", fmt.Sprintf(`attachment; filename="fullthrow-%s-%s.csv"`, q.name(), s.name))
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cache-Control", "no-store")
		w.Write(b.Bytes())
		return nil
	}
	if len(names) == 0 {
		return shell.Refuse(http.StatusNotFound, "manager.bad.no_table")
	}
	return q.wrong("table", q.table, names...)
}

func (s *sheet) write(b *bytes.Buffer) error {
	w := csv.NewWriter(b)
	w.UseCRLF = true
	if err := w.Write(s.head); err != nil {
		return err
	}
	for _, row := range s.rows {
		cells := make([]string, len(row))
		for i, c := range row {
			cells[i] = cellText(c)
		}
		if err := w.Write(cells); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

// cellText writes a value; what is not known is empty. A text that a
// spreadsheet would take for a formula is given a leading apostrophe.
func cellText(c any) string {
	switch x := c.(type) {
	case nil:
		return ""
	case float64:
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return ""
		}
		return strconv.FormatFloat(x, 'g', -1, 64)
	case yield.Probability:
		return cellText(float64(x))
	case *float64:
		if x == nil {
			return ""
		}
		return cellText(*x)
	case time.Time:
		if x.IsZero() {
			return ""
		}
		return x.UTC().Format(time.RFC3339)
	case string:
		if x != "" && strings.ContainsRune("=+-@\t\r", rune(x[0])) {
			return "'" + x
		}
		return x
	}
	return fmt.Sprint(c)
}
