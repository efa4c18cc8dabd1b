package export

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/page"
	"fullthrow/reports/review"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
)

// Exporter makes rows of the records.
type Exporter struct {
	Records review.Records
	Sel     store.Selection
	Errs    io.Writer // what is left out
}

// Kind is one kind of rows that can be exported.
type Kind struct {
	Name, About string
	Columns     []string
	Write       func(q *Exporter, ctx context.Context, row func(...any) error) error
}

func Kinds() []Kind {
	return []Kind{
		{"runs", "one row a run, of every outcome, golden and not counted ones too", runColumns,
			(*Exporter).exportRuns},
		{"readings", "one row a reading of each judged run, with its limits and verdict", readingColumns,
			(*Exporter).exportReadings},
		{"failures", "one row a reading that did not pass, with what it missed and why that is likely", failureColumns,
			(*Exporter).exportFailures},
		{"repairs", "one row a repair", repairColumns, (*Exporter).exportRepairs},
	}
}

// CsvRows writes as [page.CSVRows] does, times as exact as they are known.
func CsvRows(w io.Writer) func(...any) error {
	row := page.CSVRows(w)
	return func(values ...any) error {
		for i, v := range values {
			if t, ok := v.(time.Time); ok {
				values[i] = t.UTC().Format(time.RFC3339Nano)
			}
		}
		return row(values...)
	}
}

// JsonRows writes one object a line, its keys in the order of the columns.
func JsonRows(w io.Writer, columns []string) func(...any) error {
	return func(values ...any) error {
		line := []byte{'{'}
		for i, v := range values {
			if i > 0 {
				line = append(line, ',')
			}
			if t, ok := v.(time.Time); ok {
				v = t.UTC()
			}
			data, err := json.Marshal(v)
			if err != nil {
				return err
			}
			line = append(append(strconv.AppendQuote(line, columns[i]), ':'), data...)
		}
		_, err := w.Write(append(line, '}', '\n'))
		return err
	}
}

// eachRun hands on the runs of the selection, the newest first.
func (q *Exporter) eachRun(ctx context.Context, f func(store.Run) error) error {
	const page = 500
	after := ""
	for {
		runs, err := q.Records.Runs(ctx, q.Sel, store.RunFilter{}, after, page)
		if err != nil {
			return err
		}
		for _, r := range runs {
			if err := f(r); err != nil {
				return err
			}
		}
		if len(runs) < page {
			return nil
		}
		after = runs[len(runs)-1].Run
	}
}

var runColumns = []string{
	"run", "number", "product", "revision", "lot", "serial_number", "golden", "attempt", "first", "station", "nest",
	"operator",
	"started", "ended", "seconds", "outcome", "cut_short", "reason", "clock", "failed", "where", "cause", "rule",
	"part", "simulated", "not_counted", "file", "sha256",
}

func (q *Exporter) exportRuns(ctx context.Context, row func(...any) error) error {
	return q.eachRun(ctx, func(r store.Run) error {
		u := r.Unit
		return row(r.Run, r.Number, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.Attempt, r.First,
			r.Station, r.Nest, r.Operator,
			r.Started, r.Ended, r.Ended.Sub(r.Started).Seconds(), string(r.Outcome), r.CutShort,
			r.Reason.CodeText(), reports.CodeTexts(r.Clock), strings.Join(r.Failed, "; "), r.Where, r.Cause, r.Rule, r.Part,
			r.Simulated, r.Flag, r.File, r.SHA256)
	})
}

// eachReport hands on the sealed reports of the selection's judged runs. One
// that cannot be had is told on standard error and left out.
func (q *Exporter) eachReport(ctx context.Context, f func(store.Run, reports.Report) error) error {
	return q.eachRun(ctx, func(r store.Run) error {
		if r.Outcome != reports.Passed && r.Outcome != reports.Failed && !r.CutShort {
			return nil
		}
		s, err := q.Records.Report(ctx, r.Run)
		if err != nil {
			if ctx.Err() != nil {
				return err
			}
			fmt.Fprintf(q.Errs, "note: left out: %v\n", err)
			return nil
		}
		return f(r, s.Report)
	})
}

var readingColumns = []string{
	"run", "product", "revision", "lot", "serial_number", "golden", "first", "station", "nest", "started", "outcome",
	"not_counted",
	"check", "reading", "value", "text", "bound", "unit", "lower", "upper", "limit", "uncertainty", "verdict",
}

func (q *Exporter) exportReadings(ctx context.Context, row func(...any) error) error {
	return q.eachReport(ctx, func(r store.Run, rep reports.Report) error {
		for _, c := range rep.Checks {
			for _, x := range c.Readings {
				u := r.Unit
				value, text := valueColumns(x)
				lower, upper, limit := limitColumns(x)
				var uncertainty any
				if x.Uncertainty > 0 {
					uncertainty = x.Uncertainty
				}
				if err := row(r.Run, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.First, r.Station, r.Nest,
					r.Started, string(r.Outcome), r.Flag,
					c.Name, x.Name, value, text, x.Bound, x.Unit, lower, upper, limit, uncertainty,
					string(x.Verdict)); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// valueColumns is a value as a number, or else as text.
func valueColumns(x reports.Reading) (value, text any) {
	if n, ok := x.Value.Number(); ok && statistics.Finite(n) {
		return n, nil
	}
	if x.Value.IsNone() {
		return nil, nil
	}
	return nil, x.Value.String()
}

// limitColumns are the lower and the upper limit, and in words any other.
func limitColumns(x reports.Reading) (lower, upper, other any) {
	l := x.Limit
	if l == nil {
		return nil, nil, nil
	}
	if l.Lower != nil {
		lower = *l.Lower
	}
	if l.Upper != nil {
		upper = *l.Upper
	}
	if lower == nil && upper == nil {
		other = wording.English().Limit(l, x.Unit)
	}
	return lower, upper, other
}

var failureColumns = []string{
	"run", "product", "revision", "lot", "serial_number", "golden", "first", "station", "nest", "operator", "started",
	"not_counted",
	"check", "reading", "value", "text", "bound", "unit", "lower", "upper", "limit", "verdict", "problem", "cause",
	"inspect", "likeliest_where", "likeliest_cause", "rule", "part",
}

func (q *Exporter) exportFailures(ctx context.Context, row func(...any) error) error {
	return q.eachReport(ctx, func(r store.Run, rep reports.Report) error {
		for _, x := range review.Broken(rep) {
			u := r.Unit
			value, text := valueColumns(x)
			lower, upper, limit := limitColumns(x)
			if err := row(r.Run, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.First, r.Station, r.Nest,
				r.Operator, r.Started, r.Flag,
				x.Check, x.Name, value, text, x.Bound, x.Unit, lower, upper, limit, string(x.Verdict),
				x.Problem.CodeText(), x.Cause, x.Inspect, r.Where, r.Cause, r.Rule, r.Part); err != nil {
				return err
			}
		}
		return nil
	})
}

var repairColumns = []string{
	"id", "run", "product", "revision", "lot", "serial_number", "golden", "at", "by", "found", "part", "done", "text",
	"suggested",
}

// mostRepairs bounds what is read at once; repairs are few.
const mostRepairs = 1_000_000

func (q *Exporter) exportRepairs(ctx context.Context, row func(...any) error) error {
	list, err := q.Records.Repairs(ctx, q.Sel, mostRepairs)
	if err != nil {
		return err
	}
	for _, r := range list {
		u := r.Unit
		if err := row(r.ID, r.Run, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.At, r.By, r.Found, r.Part,
			r.Done, r.Text, r.Suggested); err != nil {
			return err
		}
	}
	return nil
}
