package shell

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"sort"
	"strings"
	"time"

	"fullthrow/reports/wording"

	"fullthrow/reports/draw"
	"fullthrow/reports/page"
)

// assets are the files below /look/, each under a name that changes with what
// it holds, so that a browser may keep it for ever.
type assets struct {
	look  *Look
	files map[string]asset  // by the path it is served at
	paths map[string]string // by its plain name
}

type asset struct {
	media string
	data  []byte
}

// sheets are the style sheets of every page, in order.
var sheets = []string{"tokens.css", "base.css", "layout.css", "parts.css", "plot.css", "chart.css", "paper.css",
	"print.css"}

// drawnSheets are those that drawings and the parts of a unit's page have with
// them.
var drawnSheets = map[string]string{"unit.css": page.Style, "tokens.css": draw.Tokens, "plot.css": draw.Style,
	"paper.css": "@media print {" + draw.Paper + "}"}

func newAssets(l *Look) (*assets, error) {
	a := &assets{look: l, files: map[string]asset{}, paths: map[string]string{}}
	entries, err := fs.ReadDir(styleFiles, "styles")
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		data, err := fs.ReadFile(styleFiles, "styles/"+e.Name())
		if err != nil {
			return nil, err
		}
		media := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
			".svg": "image/svg+xml"}[path.Ext(e.Name())]
		if media == "" {
			return nil, fmt.Errorf("look: styles/%s: neither a style sheet, a script nor a drawing", e.Name())
		}
		a.add(e.Name(), media, data)
	}
	var all bytes.Buffer // one file for what every page needs: one request
	for _, name := range sheets {
		if css, ok := drawnSheets[name]; ok {
			all.WriteString(css)
			continue
		}
		data, err := fs.ReadFile(styleFiles, "styles/"+name)
		if err != nil {
			return nil, err
		}
		all.Write(data)
	}
	a.add("look.css", "text/css; charset=utf-8", all.Bytes())
	a.add("unit.css", "text/css; charset=utf-8", []byte(drawnSheets["unit.css"]))
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
			a.add(prefix+lang.Tag+".json", "application/json", data)
		}
	}
	return a, nil
}

func (a *assets) add(name, media string, data []byte) {
	sum := sha256.Sum256(data)
	ext := path.Ext(name)
	p := "/look/" + strings.TrimSuffix(name, ext) + "." + hex.EncodeToString(sum[:6]) + ext
	a.files[p], a.paths[name] = asset{media, data}, p
}

// path is where a file of the look is served.
func (a *assets) path(name string) (string, error) {
	p, ok := a.paths[name]
	if !ok {
		var known []string
		for n := range a.paths {
			known = append(known, n)
		}
		sort.Strings(known)
		return "", fmt.Errorf("the look has no file %q, only %s", name, strings.Join(known, ", "))
	}
	return p, nil
}

// words is where the words of a page are served.
func (a *assets) words(lang, prefix string) (string, error) { return a.path(prefix + lang + ".json") }

// Asset is the path at which a file of the look is served ("handset.css").
func (l *Look) Asset(name string) (string, error) { return l.assets.path(name) }

// Assets serves the style sheets and words below /look/. A file's name holds a
// hash of what is in it: browsers keep it and never ask again.
func (l *Look) Assets() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		f, ok := l.assets.files[r.URL.Path]
		if !ok {
			http.NotFound(w, r)
			return
		}
		h := w.Header()
		h.Set("Content-Type", f.media)
		h.Set("Cache-Control", "public, max-age=31536000, immutable")
		h.Set("X-Content-Type-Options", "nosniff")
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(f.data))
	})
}
