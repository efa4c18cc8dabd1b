package shell

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"net/http"
	"slices"
	"strings"

	"fullthrow/reports/wording"

	"fullthrow/reports/draw"
	"fullthrow/reports/page"
)

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
