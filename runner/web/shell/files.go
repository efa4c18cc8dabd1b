package shell

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
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
