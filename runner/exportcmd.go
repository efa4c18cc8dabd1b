package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/page"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

// exported is one kind of rows that can be exported.
type exported struct {
	name, about string
	columns     []string
	write       func(q *question, ctx context.Context, row func(...any) error) error
}

func exports() []exported {
	return []exported{
		{"runs", "one row a run, of every outcome, golden and not counted ones too", runColumns, (*question).exportRuns},
		{"readings", "one row a reading of each judged run, with its limits and verdict", readingColumns, (*question).exportReadings},
		{"failures", "one row a reading that did not pass, with what it missed and why that is likely", failureColumns, (*question).exportFailures},
		{"repairs", "one row a repair", repairColumns, (*question).exportRepairs},
	}
}

func (a *app) exportCommand() *cobra.Command {
	q := a.question(review.AskExport)
	var out, format string
	var views bool
	var names []string
	long := "Runs, readings, failures or repairs as a table for other programs.\n\n"
	for _, e := range exports() {
		names = append(names, e.name)
		long += fmt.Sprintf("  %-9s %s\n", e.name, e.about)
	}
	long += `
CSV has a head line, numbers with a point, and text that no spreadsheet takes
for a formula; JSON Lines one object a line with the same names. Values are in
the unit that the row names, without prefix; times are UTC. The newest run
comes first. A program that reads databases need not export: --views shows what
it can ask, ` + "`--views --json`" + ` the same for programs.`
	c := &cobra.Command{
		Use:   "export " + strings.Join(names, "|"),
		Short: "Runs, readings, failures or repairs as a table for other programs",
		Long:  long,
		Example: `  fullthrow export runs --period 7d --out runs.csv
  fullthrow export failures --lot 24A --out failures.jsonl
  fullthrow export --views`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if views {
				return a.tellViews(q)
			}
			if len(args) != 1 {
				return input.Usage("export: say what: %s", strings.Join(names, ", ")).Hint("fullthrow help export")
			}
			i := slices.Index(names, args[0])
			if i < 0 {
				return input.Usage("export: there are no %s to export", args[0]).Hint(input.Meant(args[0], names))
			}
			switch {
			case format == "" && (q.asJSON || strings.HasSuffix(out, ".jsonl") || strings.HasSuffix(out, ".ndjson")):
				format = "jsonl"
			case format == "":
				format = "csv"
			case format != "csv" && format != "jsonl":
				return input.Usage("export: --format %q is neither csv nor jsonl", format)
			}
			return q.run(func(ctx context.Context) error {
				if err := q.review.Known(ctx, q.asked); err != nil {
					return err
				}
				return q.export(ctx, exports()[i], format, out)
			})(cmd, nil)
		},
	}
	c.Flags().StringVar(&out, "out", "", "write to `FILE`; default: standard output")
	c.Flags().StringVar(&format, "format", "", "`FORM` csv or jsonl; default: by the ending of --out, else csv")
	c.Flags().BoolVar(&views, "views", false, "show the SQL views that other programs can read instead")
	q.flags(c)
	c.Flags().Lookup("json").Usage = "the same as --format jsonl"
	return c
}

// export writes rows to the file, whole or not at all.
func (q *question) export(ctx context.Context, e exported, format, file string) (err error) {
	w := q.app.out
	if file != "" {
		f, err := os.CreateTemp(filepath.Dir(file), ".fullthrow-*")
		if err != nil {
			return input.Usage("cannot write %s: %w", file, err)
		}
		defer func() {
			f.Close()
			os.Remove(f.Name()) // gone already if all went well
		}()
		w = f
	}
	b := bufio.NewWriterSize(w, 1<<16)
	rows := 0
	row := csvRows(b, e.columns)
	if format == "jsonl" {
		row = jsonRows(b, e.columns)
	} else if err := row(toAny(e.columns)...); err != nil {
		return err
	}
	progress := terminal.NewScreen(q.app.errs)
	err = e.write(q, ctx, func(values ...any) error {
		if rows++; rows%500 == 0 {
			progress.Now("%d rows", rows)
		}
		return row(values...)
	})
	progress.Now("")
	if err = errors.Join(err, b.Flush()); err != nil {
		return err
	}
	if f, ok := w.(*os.File); ok && file != "" {
		if err := errors.Join(f.Chmod(0o644), f.Sync(), f.Close()); err != nil {
			return err
		}
		if err := os.Rename(f.Name(), file); err != nil {
			return err
		}
		fmt.Fprintf(q.app.errs, "written: %s, %s\n", file, wording.Count(rows, "row"))
	}
	return nil
}

func toAny(list []string) []any {
	out := make([]any, len(list))
	for i, s := range list {
		out[i] = s
	}
	return out
}

// csvRows writes RFC 4180 as [reports.WriteCSV] does.
func csvRows(w io.Writer, columns []string) func(...any) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	return func(values ...any) error {
		cells := make([]string, len(columns))
		for i, v := range values {
			cells[i] = csvCell(v)
		}
		if err := c.Write(cells); err != nil {
			return err
		}
		c.Flush()
		return c.Error()
	}
}

func csvCell(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		return page.CSVText(v)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	case time.Time:
		return v.UTC().Format(time.RFC3339Nano)
	default:
		return fmt.Sprint(v)
	}
}

// jsonRows writes one object a line, its keys in the order of the columns.
func jsonRows(w io.Writer, columns []string) func(...any) error {
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
func (q *question) eachRun(ctx context.Context, f func(store.Run) error) error {
	const page = 500
	after := ""
	for {
		runs, err := q.review.Records.Runs(ctx, q.sel, store.RunFilter{}, after, page)
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
	"run", "number", "product", "revision", "lot", "serial_number", "golden", "attempt", "first", "station", "nest", "operator",
	"started", "ended", "seconds", "outcome", "reason", "failed", "cause", "rule", "part", "simulated", "not_counted", "file", "sha256",
}

func (q *question) exportRuns(ctx context.Context, row func(...any) error) error {
	return q.eachRun(ctx, func(r store.Run) error {
		u := r.Unit
		return row(r.Run, r.Number, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.Attempt, r.First, r.Station, r.Nest, r.Operator,
			r.Started, r.Ended, r.Ended.Sub(r.Started).Seconds(), string(r.Outcome), codeOf(r.Reason), strings.Join(r.Failed, "; "), r.Cause, r.Rule, r.Part,
			r.Simulated, r.Flag, r.File, r.SHA256)
	})
}

// eachReport hands on the sealed reports of the selection's judged runs. One
// that cannot be had is told on standard error and left out.
func (q *question) eachReport(ctx context.Context, f func(store.Run, reports.Report) error) error {
	return q.eachRun(ctx, func(r store.Run) error {
		if r.Outcome != reports.Passed && r.Outcome != reports.Failed {
			return nil
		}
		s, err := q.review.Records.Report(ctx, r.Run)
		if err != nil {
			if ctx.Err() != nil {
				return err
			}
			fmt.Fprintf(q.app.errs, "note: left out: %v\n", err)
			return nil
		}
		return f(r, s.Report)
	})
}

var readingColumns = []string{
	"run", "product", "revision", "lot", "serial_number", "golden", "first", "station", "nest", "started", "outcome", "not_counted",
	"check", "reading", "value", "text", "bound", "unit", "lower", "upper", "limit", "uncertainty", "verdict",
}

func (q *question) exportReadings(ctx context.Context, row func(...any) error) error {
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
				if err := row(r.Run, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.First, r.Station, r.Nest, r.Started, string(r.Outcome), r.Flag,
					c.Name, x.Name, value, text, x.Bound, x.Unit, lower, upper, limit, uncertainty, string(x.Verdict)); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// valueColumns is a value as a number, or else as text.
func valueColumns(x reports.Reading) (value, text any) {
	if n, ok := x.Value.Number(); ok && bench.Finite(n) {
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
	"run", "product", "revision", "lot", "serial_number", "golden", "first", "station", "nest", "operator", "started", "not_counted",
	"check", "reading", "value", "text", "bound", "unit", "lower", "upper", "limit", "verdict", "problem", "cause", "inspect", "likeliest_cause", "rule", "part",
}

func (q *question) exportFailures(ctx context.Context, row func(...any) error) error {
	return q.eachReport(ctx, func(r store.Run, rep reports.Report) error {
		for _, x := range review.Broken(rep) {
			u := r.Unit
			value, text := valueColumns(x)
			lower, upper, limit := limitColumns(x)
			if err := row(r.Run, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.First, r.Station, r.Nest, r.Operator, r.Started, r.Flag,
				x.Check, x.Name, value, text, x.Bound, x.Unit, lower, upper, limit, string(x.Verdict), codeOf(x.Problem), x.Cause, x.Inspect, r.Cause, r.Rule, r.Part); err != nil {
				return err
			}
		}
		return nil
	})
}

var repairColumns = []string{
	"id", "run", "product", "revision", "lot", "serial_number", "golden", "at", "by", "found", "part", "done", "text", "suggested",
}

// mostRepairs bounds what is read at once; repairs are few.
const mostRepairs = 1_000_000

func (q *question) exportRepairs(ctx context.Context, row func(...any) error) error {
	list, err := q.review.Records.Repairs(ctx, q.sel, mostRepairs)
	if err != nil {
		return err
	}
	for _, r := range list {
		u := r.Unit
		if err := row(r.ID, r.Run, u.Product, u.Revision, u.Lot, u.SerialNumber, u.Golden, r.At, r.By, r.Found, r.Part, r.Done, r.Text, r.Suggested); err != nil {
			return err
		}
	}
	return nil
}

// tellViews explains the SQL views.
func (a *app) tellViews(q *question) error {
	list := store.Views()
	if q.asJSON {
		type column struct {
			Name  string `json:"name"`
			About string `json:"about"`
		}
		type view struct {
			Name    string   `json:"name"`
			About   string   `json:"about"`
			Columns []column `json:"columns"`
		}
		out := struct {
			Schema string `json:"schema"`
			Views  []view `json:"views"`
		}{Schema: "fullthrow-views/1"}
		for _, v := range list {
			w := view{v.Name, v.About, nil}
			for _, c := range v.Columns {
				w.Columns = append(w.Columns, column(c))
			}
			out.Views = append(out.Views, w)
		}
		return a.writeJSON(out)
	}
	s := terminal.NewScreen(a.out)
	s.Tell(0, "Programs that read databases (spreadsheets through a database driver, programs for business figures) can ask these views: at a station in the file "+store.IndexFile+" beside the records (SQLite; open it for reading only), at a plant in its PostgreSQL database. Figures that count use only rows with counts = 1. Times are UTC, values in the unit that the row names.")
	for _, v := range list {
		s.Say("")
		s.Tell(0, s.Strong(v.Name)+": "+v.About)
		var g terminal.Grid
		for _, c := range v.Columns {
			g.Add(c.Name, c.About)
		}
		g.Show(s)
	}
	s.Say("")
	s.Tell(0, "For example, first-pass yield by lot, and the readings of a unit:")
	s.Say("%s", `  SELECT lot, SUM(first_passed) * 1.0 / SUM(units) FROM v_daily_yield GROUP BY lot;
  SELECT check_name, reading, value, unit, verdict FROM v_readings
    WHERE run IN (SELECT run FROM v_runs WHERE serial_number = 'K824A00017M');`)
	return nil
}

// codeOf is a reason as a table has it, "" where there is none.
func codeOf(r *reports.Reason) string {
	if r == nil {
		return ""
	}
	return string(r.Code)
}
