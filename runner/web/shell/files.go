package shell

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"path"
	"slices"
	"strings"
	"time"

	"fullthrow/reports/draw"
	"fullthrow/reports/page"
	"fullthrow/reports/wording"
)

// Files are style sheets, scripts and words, each served under a name that
// changes with what it holds: browsers keep it and never ask again.
type Files struct {
	under string
	data  map[string][]byte // by the path it is served at
	paths map[string]string // by its plain name
}

var medias = map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
	".svg": "image/svg+xml", ".json": "application/json"}

// NewFiles are those of a folder, served below a path ("/look/").
func NewFiles(under string, dir fs.FS, names ...string) (*Files, error) {
	f := &Files{under, map[string][]byte{}, map[string]string{}}
	for _, name := range names {
		data, err := fs.ReadFile(dir, name)
		if err != nil {
			return nil, err
		}
		if medias[path.Ext(name)] == "" {
			return nil, fmt.Errorf("%s: neither a style sheet, a script nor a drawing", name)
		}
		f.add(name, data)
	}
	return f, nil
}

func (f *Files) add(name string, data []byte) {
	sum := sha256.Sum256(data)
	ext := path.Ext(name)
	p := f.under + strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext
	f.data[p], f.paths[name] = data, p
}

// Path is where a file is served, by its plain name.
func (f *Files) Path(name string) string { return f.paths[name] }

func (f *Files) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	data, ok := f.data[r.URL.Path]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Content-Type", medias[path.Ext(r.URL.Path)])
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("X-Content-Type-Options", "nosniff")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
}

// sheets are the style sheets of every page, in order.
var sheets = []string{"tokens.css", "base.css", "layout.css", "parts.css", "plot.css", "chart.css", "paper.css",
	"print.css"}

// drawnSheets are those that drawings and the parts of a unit's page have with
// them.
var drawnSheets = map[string]string{"unit.css": page.Style, "tokens.css": draw.Tokens, "plot.css": draw.Style,
	"paper.css": "@media print {" + draw.Paper + "}"}

// newAssets are the files below /look/.
func newAssets(l *Look) (*Files, error) {
	entries, err := fs.ReadDir(styleFiles, "styles")
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	dir, err := fs.Sub(styleFiles, "styles")
	if err != nil {
		return nil, err
	}
	a, err := NewFiles("/look/", dir, names...)
	if err != nil {
		return nil, fmt.Errorf("look: styles/%w", err)
	}
	var all bytes.Buffer // one file for what every page needs: one request
	for _, name := range sheets {
		css := []byte(drawnSheets[name])
		if len(css) == 0 {
			if css, err = fs.ReadFile(dir, name); err != nil {
				return nil, err
			}
		}
		all.Write(css)
	}
	a.add("look.css", all.Bytes())
	a.add("unit.css", []byte(drawnSheets["unit.css"]))
	pages := map[string]bool{}
	for id := range l.Messages["en"] {
		page, _, _ := strings.Cut(id, ".")
		pages[page+"."] = true
	}
	for _, lang := range wording.Languages() {
		for prefix := range pages {
			data, err := json.Marshal(l.Strings(lang.Tag, prefix)) // keys in order
			if err != nil {
				return nil, err
			}
			a.add(prefix+lang.Tag+".json", data)
		}
	}
	return a, nil
}

// Asset is the path at which a file of the look is served ("handset.css").
func (l *Look) Asset(name string) (string, error) {
	if p := l.assets.Path(name); p != "" {
		return p, nil
	}
	known := slices.Sorted(maps.Keys(l.assets.paths))
	return "", fmt.Errorf("the look has no file %q, only %s", name, strings.Join(known, ", "))
}

// Assets serves the style sheets and words below /look/.
func (l *Look) Assets() http.Handler { return l.assets }
