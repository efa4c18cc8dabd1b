package manager

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"

	"fullthrow/reports/page"
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
	row := page.CSVRows(b)
	for _, cells := range append([][]any{page.ToAny(s.head)}, s.rows...) {
		if err := row(cells...); err != nil {
			return err
		}
	}
	return nil
}
