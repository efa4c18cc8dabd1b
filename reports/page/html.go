package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"sync"

	"fullthrow/reports/archive"
	"fullthrow/reports/draw"
)

// Parts are the templates of a unit's page, "unit-first" to "unit-provenance":
// each takes a [*View]. They want those of [draw.Shapes] beside them and look
// as [Style] says.
//
//go:embed unit.tmpl
var Parts string

// Style is the style sheet of the [Parts]; it wants [draw.Tokens] and
// [draw.Style].
//
//go:embed unit.css
var Style string

//go:embed report.tmpl
var reportTemplate string

//go:embed report.css
var reportStyle string

var reportPage = sync.OnceValue(func() *template.Template {
	t := template.Must(template.New("report").Parse(reportTemplate))
	template.Must(t.New("shapes.html").Parse(draw.Shapes))
	template.Must(t.New("unit.tmpl").Parse(Parts))
	return t
})

// file is the report as a file of its own.
type file struct {
	*View
	Style template.CSS
}

// WriteHTML writes the report of one unit as a page that needs nothing else:
// no script, no font, no network. It follows the reader's light or dark
// setting and prints on A4 and Letter. Whatever text the report holds is shown
// as text. Where the seal does not fit, the page says so before anything else.
func WriteHTML(w io.Writer, s archive.Sealed, opts Options) error {
	v, err := New(s, opts)
	if err == nil { // the styles are our own files
		style := draw.Tokens + draw.Style + reportStyle + Style + "@media print {" + draw.Paper + "}"
		err = reportPage().Execute(w, file{v, template.CSS(style)})
	}
	if err != nil {
		return fmt.Errorf("html: %w", err)
	}
	return nil
}
