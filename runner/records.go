package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/page"
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/terminal"
)

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
	c.Flags().StringVar(&to.certificate, "certificate", "", "write one page for the customer of a unit that passed "+
		"to `OUT`; - is standard output")
	c.Flags().StringVar(&to.csv, "csv", "", "write the readings for a spreadsheet to `OUT`; - is standard output")
	c.Flags().StringVar(&to.language, "language", "en", "of page, certificate and table: "+spoken())
	return c
}

// reportFiles are where a report is written to.
type reportFiles struct{ html, certificate, csv, language string }

// spoken lists the languages that there are: "en, es or zh-Hans".
func spoken() string {
	var tags []string
	for _, l := range wording.Languages() {
		tags = append(tags, l.Tag)
	}
	last := len(tags) - 1
	return strings.Join(tags[:last], ", ") + " or " + tags[last]
}

func (a *app) report(file string, to reportFiles) error {
	if _, err := os.Stat(file); err != nil {
		return input.MissingFile("report", file, err)
	}
	sealed, err := archive.Load(file)
	if err != nil {
		return (&input.Failure{Code: input.ExitInput, Err: err}).Hint(input.HintOf(err))
	}
	book, err := wording.NewBook(time.Local)
	if err != nil {
		return err
	}
	if !book.Speaks(to.language) {
		return input.Usage("report: there is no language %q: it is %s", to.language, spoken())
	}
	o, err := pageOptions(sealed, file)
	if err != nil {
		return err
	}
	if o.Words = book.Translator(to.language); to.language != "en" {
		o.Texts = product.Texts(sealed.Report.Unit.Product, to.language)
	}
	for _, f := range []struct {
		out   string
		write func(io.Writer, archive.Sealed) error
		note  string
	}{
		{to.html, func(w io.Writer, s archive.Sealed) error { return page.WriteHTML(w, s, o) }, ""},
		{to.certificate, func(w io.Writer, s archive.Sealed) error { return page.WriteCertificate(w, s, o) },
			" (one page; for a PDF, print it to a file from a browser)"},
		{to.csv, func(w io.Writer, s archive.Sealed) error { return page.WriteCSV(w, s, o.Words) }, ""},
	} {
		var err error
		switch f.out {
		case "":
			continue
		case "-":
			err = f.write(terminal.Raw(a.out), sealed)
		default:
			err = writeFile(f.out, sealed, f.write)
		}
		var refused *reports.HintedError
		if errors.As(err, &refused) {
			return &input.Failure{Code: input.ExitInput, Err: err}
		}
		if err != nil {
			return err
		}
		if f.out != "-" {
			fmt.Fprintf(a.Errs, "written: %s%s\n", f.out, f.note)
		}
	}
	contradicts := sealed.Report.Contradiction()
	stamp := func(to io.Writer) {
		if contradicts != nil {
			fmt.Fprintf(to, "THIS REPORT CONTRADICTS ITSELF: %s\nhint: do not rely on it; fullthrow verify names every "+
				"report that was touched\n", terminal.Line(book.Translator("en").Reason(contradicts)))
		}
	}
	if to == (reportFiles{language: to.language}) {
		stamp(a.out)
		terminal.NewScreen(a.out).Report(sealed.Report, file)
	} else {
		stamp(a.Errs)
	}
	if contradicts != nil {
		return quiet(input.ExitFailed)
	}
	return nil
}

func writePage(file string, s archive.Sealed) error { return writeFile(file, s, htmlPage) }

func htmlPage(w io.Writer, s archive.Sealed) error {
	return page.WriteHTML(w, s, page.Options{ProductTitle: product.Title(s.Report.Unit.Product)})
}

// pageOptions is what is known here of a report beside itself: the title that
// its product has, and what the archive around its file tells.
func pageOptions(s archive.Sealed, file string) (page.Options, error) {
	o := page.Options{ProductTitle: product.Title(s.Report.Unit.Product)}
	if dir, ok := archive.ArchiveOf(file); ok {
		around, err := archive.Around(dir, s)
		if err != nil {
			return o, err
		}
		o.History, o.Check = around.History, &around.Check
		o.Said = func(sha256 string) (string, bool) { return archive.Talk(dir, sha256) }
	}
	return o, nil
}

// writeFile writes a rendering beside the file's place and then moves it there:
// half a page never stands under its name.
func writeFile(file string, s archive.Sealed, write func(io.Writer, archive.Sealed) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(file), ".fullthrow-*")
	if err != nil {
		return input.Usage("cannot write %s: %w", file, err)
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
