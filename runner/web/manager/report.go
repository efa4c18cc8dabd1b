package manager

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"io/fs"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/page"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
)

// Directory finds the captures of a station's archive in its directory.
type Directory string

// largest is how large a capture may be to be served.
const largest = 256 << 20

// Attachment implements [Files].
func (d Directory) Attachment(_ context.Context, name string) ([]byte, error) {
	if !attachmentName().MatchString(name) {
		return nil, fs.ErrNotExist
	}
	root, err := os.OpenRoot(filepath.Join(string(d), "attachments"))
	if err != nil {
		return nil, err
	}
	defer root.Close()
	info, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() > largest {
		return nil, fs.ErrNotExist
	}
	return root.ReadFile(name)
}

// medias are the types that raw data are served as; anything else is a plain
// file to be saved.
var medias = map[string]string{"wav": "audio/wav", "csv": "text/csv; charset=utf-8",
	"txt": "text/plain; charset=utf-8"}

// attachment serves raw data of a report, proved by the hash that names it.
func (m *Manager) attachment(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if m.c.Files == nil || !attachmentName().MatchString(name) {
		http.NotFound(w, r)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), m.c.Patience)
	defer cancel()
	data, err := m.c.Files.Attachment(ctx, name)
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			m.c.Log.Warn("a capture cannot be read", "name", name, "error", err)
		}
		http.NotFound(w, r)
		return
	}
	hash, ext, _ := strings.Cut(name, ".")
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != hash {
		m.c.Log.Warn("a capture is not what its name says", "name", name)
		http.Error(w, "this capture is not what was recorded", http.StatusGone)
		return
	}
	h := w.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Cache-Control", "private, max-age=31536000, immutable")
	media, known := medias[ext]
	if !known {
		media = "application/octet-stream"
	}
	h.Set("Content-Type", media)
	if ext != "wav" {
		h.Set("Content-Disposition", `attachment; filename="`+hash[:12]+"."+ext+`"`)
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
}

var styled = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`(?s)<style>(.*?)</style>`) })

// report serves a unit's report or certificate. It carries its own style sheet,
// which the page's policy names by its hash; nothing else may load or run.
func (m *Manager) report(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), m.c.Patience)
	defer cancel()
	q, err := m.read(r.WithContext(ctx), "/unit")
	var b bytes.Buffer
	if err == nil {
		err = m.writeReport(q, &b, r.PathValue("run"), strings.HasPrefix(r.URL.Path, "/certificate/"))
	}
	if err != nil {
		if r.Context().Err() != nil {
			return
		}
		v, status := m.excuse(q, err)
		v.Page, v.Nav, v.Style = q.page, m.nav(q), m.style
		m.render(w, m.page, v, status)
		return
	}
	policy := "default-src 'none'; img-src data:; frame-ancestors 'self'; base-uri 'none'; form-action 'none'"
	if s := styled().FindSubmatch(b.Bytes()); s != nil {
		sum := sha256.Sum256(s[1])
		policy += "; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	h := w.Header()
	h.Set("Content-Security-Policy", policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	w.Write(b.Bytes())
}

func (m *Manager) writeReport(q *query, b *bytes.Buffer, run string, certificate bool) error {
	if m.c.Store == nil {
		return errClosed
	}
	sealed, err := m.c.Store.Report(q.ctx, run)
	if errors.Is(err, store.ErrUnknown) || errors.Is(err, fs.ErrNotExist) {
		return &review.Problem{Code: review.BadRun, Args: []any{"value", brief(run)}}
	}
	if err != nil {
		return err
	}
	unit := sealed.Report.Unit
	runs, repairs, err := m.c.Store.History(q.ctx, unit.Product, unit.SerialNumber)
	if err != nil {
		return err
	}
	o := page.Options{Words: q.w, Texts: m.c.Texts[q.page.Lang], History: historyOf(runs, repairs,
		func(run string) string { return "/report/" + url.PathEscape(run) })}
	if unit.Product == m.c.Product.Name {
		o.ProductTitle = m.c.Product.Title
	}
	if m.c.Around != nil {
		check := m.c.Around(q.ctx, sealed)
		o.Check = &check
	}
	if !certificate {
		return page.WriteHTML(b, sealed, o)
	}
	err = page.WriteCertificate(b, sealed, o)
	var hinted *reports.HintedError
	if errors.As(err, &hinted) {
		return &refusal{status: http.StatusConflict, id: "manager.bad.no_certificate",
			args: []any{"serial", unit.SerialNumber}, back: unitOf(unit.Product, unit.SerialNumber, run),
			backText: "manager.bad.to_unit"}
	}
	return err
}

// historyOf is what happened to a unit, each run with the address that tells it.
func historyOf(runs []store.Run, repairs []reports.Repair, link func(run string) string) []reports.HistoryRow {
	rows := store.HistoryRows(runs, repairs)
	for i, row := range rows {
		if row.Repair == nil {
			rows[i].Link = link(row.Run)
		}
	}
	return rows
}
