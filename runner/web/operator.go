package web

import (
	"embed"
	"html/template"
	"io/fs"
	"net/http"

	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

//go:embed operator
var operatorFiles embed.FS

// operatorPage is GET /: the page at the fixture.
type operatorPage struct {
	s        *Server
	template *template.Template
	files    *shell.Files
	drawings map[string]template.HTML // by language
}

// operatorData is what its template gets.
type operatorData struct {
	shell.Page
	Product, Station string
	Style            string
	Drawing          template.HTML
	Nests            []nestKey
	Operator         string
	Operators        []string
	Links            []shell.Link
	Simulated        bool
}

// nestKey is a nest and the key that chooses it.
type nestKey struct{ Name, Key string }

// nestKeys are for the first nests; more are chosen by touch.
var nestKeys = []string{"F1", "F2", "F3", "F4"}

func newOperatorPage(s *Server) (*operatorPage, error) {
	p := &operatorPage{s: s, drawings: map[string]template.HTML{}}
	dir, err := fs.Sub(operatorFiles, "operator")
	if err != nil {
		return nil, err
	}
	if p.files, err = shell.NewFiles("/operator/", dir, "operator.js", "operator.css", "fixture.js",
		"fixture.css"); err != nil {
		return nil, err
	}
	if p.template, err = s.c.Look.Parse(dir, "operator.html"); err != nil {
		return nil, err
	}
	for _, l := range wording.Languages() {
		if s.c.Drawing != nil {
			p.drawings[l.Tag] = s.c.Drawing.HTML(s.c.Texts[l.Tag])
		}
	}
	return p, nil
}

func (p *operatorPage) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	page := p.s.c.Look.Page(r, p.s.c.Product.Title)
	page.Bare, page.Class = true, "op-body"
	page.Styles = []string{"handset.css"}
	page.Scripts = []string{p.files.Path("operator.js")}
	d := operatorData{Page: page, Product: p.s.c.Product.Title, Station: p.s.c.Station,
		Style:   p.files.Path("operator.css"),
		Drawing: p.drawings[page.Lang], Operator: operatorOf(r), Operators: p.s.prefs.names(),
		Simulated: p.s.fixture != nil}
	if len(d.Operators) > 8 {
		d.Operators = d.Operators[:8]
	}
	for i, n := range p.s.nests {
		k := nestKey{Name: n.Name}
		if i < len(nestKeys) {
			k.Key = nestKeys[i]
		}
		d.Nests = append(d.Nests, k)
	}
	for _, l := range p.s.c.Pages {
		if l.Link != "" {
			d.Links = append(d.Links, shell.Link{Href: l.Link, Text: page.T(l.Title)})
		}
	}
	shell.Write(w, p.s.c.Log, p.template, d, http.StatusOK)
}
