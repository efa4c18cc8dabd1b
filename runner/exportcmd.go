package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/reports/page"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/export"
	"fullthrow/runner/input"
	"fullthrow/runner/terminal"
)

func (a *app) exportCommand() *cobra.Command {
	q := a.question(review.AskExport)
	var out, format string
	var views bool
	var names []string
	long := "Runs, readings, failures or repairs as a table for other programs.\n\n"
	for _, e := range export.Kinds() {
		names = append(names, e.Name)
		long += fmt.Sprintf("  %-9s %s\n", e.Name, e.About)
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
				if err := q.Review.Known(ctx, q.Asked); err != nil {
					return err
				}
				return q.export(ctx, export.Kinds()[i], format, out)
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
func (q *question) export(ctx context.Context, e export.Kind, format, file string) (err error) {
	w := terminal.Raw(q.app.out)
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
	row := export.CsvRows(b)
	if format == "jsonl" {
		row = export.JsonRows(b, e.Columns)
	} else if err := row(page.ToAny(e.Columns)...); err != nil {
		return err
	}
	progress := terminal.NewScreen(q.app.Errs)
	err = e.Write(&export.Exporter{Records: q.Review.Records, Sel: q.Sel, Errs: q.app.Errs}, ctx,
		func(values ...any) error {
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
		fmt.Fprintf(q.app.Errs, "written: %s, %s\n", file, wording.Count(rows, "row"))
	}
	return nil
}

// tellViews explains the SQL views.
func (a *app) tellViews(q *question) error {
	list := store.Views()
	if q.asJSON {
		out := viewsAnswer{Schema: viewsSchema}
		for _, v := range list {
			w := viewAnswer{v.Name, v.About, nil}
			for _, c := range v.Columns {
				w.Columns = append(w.Columns, viewColumn(c))
			}
			out.Views = append(out.Views, w)
		}
		return a.writeJSON(out)
	}
	terminal.NewScreen(a.out).Views(list)
	return nil
}

const viewsSchema = "fullthrow-views/1"

// viewsAnswer is what `export --views --json` writes.
type viewsAnswer struct {
	Schema string       `json:"schema"`
	Views  []viewAnswer `json:"views"`
}

type viewAnswer struct {
	Name    string       `json:"name"`
	About   string       `json:"about"`
	Columns []viewColumn `json:"columns"`
}

type viewColumn struct {
	Name  string `json:"name"`
	About string `json:"about"`
}
