package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

//go:embed operator
var operatorFiles embed.FS

// operatorPage is GET /: the page at the fixture.
type operatorPage struct {
	s        *Server
	template *template.Template
	files    files
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
	if p.files, err = newFiles("/operator/", dir, "operator.js", "operator.css", "fixture.js",
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
	page.Scripts = []string{p.files.path["operator.js"]}
	d := operatorData{Page: page, Product: p.s.c.Product.Title, Station: p.s.c.Station,
		Style:   p.files.path["operator.css"],
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
	render(w, p.template, d, p.s)
}

// render writes a page whole or not at all.
func render(w http.ResponseWriter, t *template.Template, data any, s *Server) {
	var b bytes.Buffer
	if err := t.Execute(&b, data); err != nil {
		s.c.Log.Error("a page could not be made", "error", err)
		http.Error(w, "internal error", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Write(b.Bytes())
}

func (p *operatorPage) assets() http.Handler { return p.files }

// files are served under names that change with what they hold.
type files struct {
	path map[string]string // by plain name
	data map[string][]byte // by path
}

func newFiles(prefix string, dir fs.FS, names ...string) (files, error) {
	f := files{map[string]string{}, map[string][]byte{}}
	for _, name := range names {
		data, err := fs.ReadFile(dir, name)
		if err != nil {
			return f, err
		}
		sum := sha256.Sum256(data)
		ext := path.Ext(name)
		at := prefix + strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext
		f.path[name], f.data[at] = at, data
	}
	return f, nil
}

func (f files) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	data, ok := f.data[r.URL.Path]
	if !ok {
		http.NotFound(w, r)
		return
	}
	media := map[string]string{".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8"}[path.Ext(
		r.URL.Path)]
	w.Header().Set("Content-Type", media)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
}
