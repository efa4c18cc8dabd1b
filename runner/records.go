package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/page"
	"fullthrow/reports/wording"
)

// verifyCommand proves an archive.
func (a *app) verifyCommand() *cobra.Command {
	return &cobra.Command{
		Use: "verify DIR", Short: "Prove that no report was changed, removed or slipped in",
		Args: takes("DIR"),
		RunE: func(cmd *cobra.Command, args []string) error { return a.verify(cmd.Context(), args[0]) },
	}
}

func (a *app) verify(ctx context.Context, dir string) error {
	if _, err := os.Stat(dir); err != nil {
		return missingFile("records", dir, err)
	}
	dir = archiveDir(dir)
	v, err := archive.Verify(dir)
	if err != nil {
		return err
	}
	if v.Reports == 0 && len(v.Problems) == 0 && len(v.Pending) == 0 {
		return usage("%s holds no reports", dir).hint("give the folder that --data of test, serve or demo named")
	}
	var ends []string
	for _, o := range []reports.Outcome{reports.Passed, reports.Failed, reports.Errored, reports.Aborted} {
		if v.Outcomes[o] > 0 {
			ends = append(ends, fmt.Sprintf("%d %s", v.Outcomes[o], o))
		}
	}
	fmt.Fprintf(a.out, "%s read: %s\n", count(v.Reports, "report"), strings.Join(ends, ", "))
	if v.Repairs > 0 {
		fmt.Fprintf(a.out, "%s read\n", count(v.Repairs, "repair"))
	}
	if len(v.Key) > 0 {
		fmt.Fprintf(a.out, "station key %s\n", archive.Fingerprint(v.Key))
	}
	if v.Number > 0 {
		fmt.Fprintf(a.out, "newest is number %d, %s\n", v.Number, v.Head[:min(16, len(v.Head))])
	}
	for _, p := range v.Pending {
		fmt.Fprintf(a.out, "under way or cut short: %s\n", p)
	}
	a.proveIndex(ctx, dir)
	if len(v.Problems) == 0 {
		fmt.Fprintln(a.out, "every report is as it was sealed, and none is missing")
		return nil
	}
	fmt.Fprintf(a.out, "%s:\n", count(len(v.Problems), "problem"))
	for _, p := range v.Problems {
		printProblem(a.out, problem{File: p.File, Text: p.Text, Hint: p.Hint})
	}
	if len(v.Key) > 0 {
		fmt.Fprintln(a.out, "every report not named here fits its seal and the station's key")
	}
	return quiet(exitFailed)
}

// reportCommand shows one sealed report.
func (a *app) reportCommand() *cobra.Command {
	var to reportFiles
	c := &cobra.Command{
		Use: "report FILE", Short: "Show a sealed report, or write it as a page, a certificate or a table",
		Long: `Show a sealed report, or write it as a page, a certificate or a table.

Where FILE lies in its archive, the page also tells the unit's history and
whether the report stands in its place in the chain. Pages need nothing else
and print well; for a PDF, print them to a file from a browser.`,
		Args: takes("FILE"),
		RunE: func(_ *cobra.Command, args []string) error { return a.report(args[0], to) },
	}
	c.Flags().StringVar(&to.html, "html", "", "write a page that prints well to `OUT`; - is standard output")
	c.Flags().StringVar(&to.certificate, "certificate", "", "write one page for the customer of a unit that passed to `OUT`; - is standard output")
	c.Flags().StringVar(&to.csv, "csv", "", "write the readings for a spreadsheet to `OUT`; - is standard output")
	return c
}

// reportFiles are where a report is written to.
type reportFiles struct{ html, certificate, csv string }

func (a *app) report(file string, to reportFiles) error {
	if _, err := os.Stat(file); err != nil {
		return missingFile("report", file, err)
	}
	sealed, err := archive.Load(file)
	if err != nil {
		return (&failure{code: exitInput, err: err}).hint(hintOf(err))
	}
	o, err := pageOptions(sealed, file)
	if err != nil {
		return err
	}
	for _, f := range []struct {
		out   string
		write func(io.Writer, archive.Sealed) error
		note  string
	}{
		{to.html, func(w io.Writer, s archive.Sealed) error { return page.WriteHTML(w, s, o) }, ""},
		{to.certificate, func(w io.Writer, s archive.Sealed) error { return page.WriteCertificate(w, s, o) }, " (one page; for a PDF, print it to a file from a browser)"},
		{to.csv, func(w io.Writer, s archive.Sealed) error { return page.WriteCSV(w, s, wording.English()) }, ""},
	} {
		var err error
		switch f.out {
		case "":
			continue
		case "-":
			err = f.write(a.out, sealed)
		default:
			err = writeFile(f.out, sealed, f.write)
		}
		var refused *reports.HintedError
		if errors.As(err, &refused) {
			return &failure{code: exitInput, err: err}
		}
		if err != nil {
			return err
		}
		if f.out != "-" {
			fmt.Fprintf(a.errs, "written: %s%s\n", f.out, f.note)
		}
	}
	if to == (reportFiles{}) {
		a.tellReport(sealed.Report, file)
	}
	return nil
}

// tellReport shows a report as it was shown while it ran.
func (a *app) tellReport(r reports.Report, file string) {
	p := &passage{full: true, s: newScreen(a.out), started: r.Started, takt: r.Takt, ranked: len(r.Causes) > 0}
	p.s.say("%s\n%s", p.head(r.Start), r.Started.Local().Format("2006-01-02 15:04:05"))
	for _, c := range r.Checks {
		p.tell(reports.Event{Kind: reports.CheckStarted, Time: c.Started, Check: &c})
		for _, x := range c.Readings {
			p.reading(x)
		}
		for _, n := range c.Notes {
			p.tell(reports.Event{Kind: reports.NoteMade, Text: n})
		}
		p.tell(reports.Event{Kind: reports.CheckEnded, Check: &c})
	}
	for _, f := range r.Faults {
		p.tell(reports.Event{Kind: reports.BenchFault, Fault: &f})
	}
	p.s.now("")
	p.finish(r, file)
}

func writePage(file string, s archive.Sealed) error { return writeFile(file, s, htmlPage) }

func htmlPage(w io.Writer, s archive.Sealed) error {
	return page.WriteHTML(w, s, page.HTMLOptions{ProductTitle: productTitle(s.Report.Unit.Product)})
}

// pageOptions is what is known here of a report beside itself: the title that
// its product has, and what the archive around its file tells.
func pageOptions(s archive.Sealed, file string) (page.HTMLOptions, error) {
	o := page.HTMLOptions{ProductTitle: productTitle(s.Report.Unit.Product)}
	if dir, ok := archive.ArchiveOf(file); ok {
		around, err := archive.Around(dir, s)
		if err != nil {
			return o, err
		}
		o.History, o.Check = around.History, &around.Check
	}
	return o, nil
}

// productTitle is a product's name for people, "" where it is not known here.
func productTitle(product string) string {
	if home, err := stockFolder(product); err == nil {
		if p, err := home.product(); err == nil {
			return p.Title
		}
	}
	return ""
}

// writeFile writes a rendering beside the file's place and then moves it there:
// half a page never stands under its name.
func writeFile(file string, s archive.Sealed, write func(io.Writer, archive.Sealed) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(file), ".fullthrow-*")
	if err != nil {
		return usage("cannot write %s: %w", file, err)
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	w := bufio.NewWriter(f)
	if err := write(w, s); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if err := f.Chmod(0o644); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), file)
}
