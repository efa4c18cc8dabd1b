package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"sync"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
	"fullthrow/reports/serial"
)

//go:embed certificate.tmpl
var certificateTemplate string

//go:embed certificate.css
var certificateStyle string

var certificatePage = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("certificate").Parse(certificateTemplate))
})

// Rows of a certificate; checks beyond them are named in one line, so that it
// stays on one page.
const certificateRows = 10

// WriteCertificate writes what goes to the customer with a unit: one page, A4
// or Letter, saying in words what was tested, with the reading of each check
// that came nearest to its limit, and where the sealed report is found. It
// needs nothing else, and a browser makes a PDF of it by printing.
//
// Only a sealed run that passed has one, as an [*HintedError] says: not a
// report that is not as it was sealed or contradicts itself, not a golden unit, and not a unit of
// which opts.History knows a later run that failed. That of a simulated unit
// says across the page that it is invented.
func WriteCertificate(w io.Writer, s archive.Sealed, opts Options) error {
	if err := certifiable(s, opts); err != nil {
		return err
	}
	said, err := opts.speak()
	if err != nil {
		return fmt.Errorf("certificate: %w", err)
	}
	if err := certificatePage().Execute(w, newCertificate(s, opts, said)); err != nil {
		return fmt.Errorf("certificate: %w", err)
	}
	return nil
}

func certifiable(s archive.Sealed, opts Options) error {
	refuse := func(hint, format string, args ...any) error {
		return &reports.HintedError{Err: fmt.Errorf("certificate: "+format, args...), Hint: hint}
	}
	r := s.Report
	check := s.Check()
	if check.Own && opts.Check != nil {
		check = *opts.Check
	}
	switch {
	case r.Outcome != reports.Passed:
		return refuse("only a unit that passed goes out with one; --html shows what was found",
			"run %.80s did not pass: it ended as %s", r.Run, r.Outcome)
	case check.Text != "":
		return refuse("fullthrow verify names every report that was touched; test the unit again", "run %.80s: %s",
			r.Run, check.Text)
	case s.Report.Contradiction() != nil:
		return refuse("fullthrow verify names it; test the unit again", "run %.80s: its report contradicts itself (%s)",
			r.Run, s.Report.Contradiction().Code)
	case opts.Flagged:
		return refuse("fullthrow verify says why; test the unit again", "run %.80s is not counted", r.Run)
	case !check.Own:
		return refuse("seal the run first", "run %.80s is not sealed", r.Run)
	case r.Unit.Golden:
		return refuse("a golden unit proves the bench and stays with it", "unit %.80s is a golden unit",
			r.Unit.SerialNumber)
	}
	after := false
	var later *reports.HistoryRow
	for i, row := range opts.History {
		switch {
		case row.Repair != nil:
		case row.Run == r.Run:
			after = true
		case after && row.Outcome == "":
			return refuse("fullthrow verify names it; test the unit again",
				"unit %.80s has a later run, %.80s, whose report is not as it was sealed", r.Unit.SerialNumber, row.Run)
		case after && row.Flagged: // it may have said anything
			return refuse("fullthrow verify says why; test the unit again", "unit %.80s has a later run, %.80s, which is "+
				"not counted", r.Unit.SerialNumber, row.Run)
		case after && (row.Outcome == reports.Failed || row.Outcome == reports.Passed || row.CutShort):
			later = &opts.History[i]
		}
	}
	if later != nil && later.CutShort {
		return refuse("test the unit again; the certificate is that of the newest run",
			"unit %.80s broke a limit later, in run %.80s, which was then cut short", r.Unit.SerialNumber, later.Run)
	}
	if later != nil && later.Outcome == reports.Failed {
		return refuse("repair the unit and test it again; the certificate is that of the newest run",
			"unit %.80s failed later, in run %.80s", r.Unit.SerialNumber, later.Run)
	}
	return nil
}

type certificate struct {
	words
	Style                  template.CSS
	Title, Serial          string
	Revision, Lot, Station string
	Simulated              bool
	Date, Software, Run    string
	Sentence               string
	Rows                   []certificateRow
	More                   string
	Number                 int64
	Key                    string
	Hash                   []string // in groups, to be read aloud
	Code                   *code
}

// certificateRow is a check as the customer reads it.
type certificateRow struct {
	About string
	Value string // of the reading that came nearest to its limit; without one, how many there are
	Name  string // of it
	Plus  string
	Scale template.HTML
}

func newCertificate(s archive.Sealed, opts Options, said words) certificate {
	r := s.Report
	c := certificate{
		words: said,
		Style: template.CSS(draw.Tokens + draw.Style + draw.Paper + certificateStyle), // our own file
		Title: reports.Brief(opts.ProductTitle, 36), Serial: reports.Brief(r.Unit.SerialNumber, serial.MaxCodeSerial),
		Revision: reports.Brief(r.Unit.Revision, 14), Lot: reports.Brief(r.Unit.Lot, 14),
		Station: reports.Brief(r.Station, 24), Simulated: r.Simulated, Software: reports.Brief(r.Software, 32),
		Run:    r.Run,
		Date:   said.When(r.Started) + " " + r.Started.In(said.Location()).Format("MST"),
		Number: s.Seal.Number, Key: archive.KeyName(s.Seal), Code: newCode(r.Unit.SerialNumber, s.Seal.SHA256),
	}
	if c.Title == "" {
		c.Title = reports.Brief(r.Unit.Product, 36)
	}
	for h := s.Seal.SHA256; h != ""; h = h[min(16, len(h)):] {
		c.Hash = append(c.Hash, h[:min(16, len(h))])
	}
	limited, checks := 0, 0
	var more []string
	for i, ch := range r.Checks {
		n := 0
		for _, rd := range ch.Readings {
			if rd.Limit != nil && rd.Verdict == reports.Pass {
				n++
			}
		}
		if n == 0 {
			continue // nothing was judged: nothing is claimed
		}
		limited, checks = limited+n, checks+1
		if len(c.Rows) == certificateRows {
			more = append(more, reports.Brief(ch.Name, 20))
			continue
		}
		c.Rows = append(c.Rows, said.newCertificateRow(ch, n, fmt.Sprint("c", i)))
	}
	c.Sentence = said.T("report.certificate.sentence", "checks", said.T("report.certificate.checks", "count", checks),
		"readings", said.T("report.certificate.readings", "count", limited))
	if len(more) > 0 {
		list := more
		if len(list) > 8 {
			list = list[:8]
		}
		names := strings.Join(list, ", ")
		c.More = said.T("report.certificate.more", "checks", names)
		if n := len(more) - len(list); n > 0 {
			c.More = said.T("report.certificate.more_and", "checks", names, "count", n)
		}
	}
	return c
}

func (w words) newCertificateRow(ch reports.Check, passed int, id string) certificateRow {
	row := certificateRow{About: reports.Brief(w.own(ch.About), 80)}
	if row.About == "" {
		row.About = strings.ReplaceAll(reports.Brief(ch.Name, 60), "_", " ")
	}
	best := 0.0
	var nearest *reports.Reading
	for i := range ch.Readings {
		rd := &ch.Readings[i]
		if rd.Verdict != reports.Pass || rd.Limit == nil {
			continue
		}
		s, ok := draw.ScaleOf(*rd)
		if m := s.Margin(); ok && (nearest == nil || m < best) {
			nearest, best = rd, m
		}
	}
	switch {
	case nearest != nil:
		v := w.newReading(*nearest, id)
		row.Scale = v.Scale
		row.Name, row.Value = reports.Brief(strings.ReplaceAll(nearest.Name, "_", " "), 28), reports.Brief(v.Shown, 18)
		if nearest.Uncertainty > 0 {
			row.Plus = reports.Brief("± "+w.Quantity(nearest.Uncertainty, nearest.Unit), 16)
		}
	default:
		row.Value, row.Name = w.T("report.certificate.readings", "count", passed), w.T("report.certificate.all_kept")
	}
	return row
}
