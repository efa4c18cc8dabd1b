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
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/page"
	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/runner/web/shell"
)

// unitView is what became of one unit.
type unitView struct {
	Asked   string // the serial number that was asked for
	Serial  string
	Product string
	State   shell.Notice
	Facts   []fact
	CSV     string

	Title, Shape, Word string // of the run that is told
	Links              []shell.Link
	Run                *page.View    // nil where its report cannot be read
	Unreadable         *shell.Notice // and that it cannot
	Past               *page.View    // what happened to the unit
}

type fact struct{ Name, Value, Href string }

// history answers: what happened to this unit?
func (m *Manager) history(q *query) (*view, error) {
	q.page.Title = q.t("manager.title.unit")
	u := &unitView{Asked: q.values["serial"]}
	v := &view{Unit: u}
	if q.asked.Serial == "" && q.asked.Run == "" {
		v.Answer = q.t("manager.unit.ask")
		return v, nil
	}
	a, err := q.review.Unit(q.ctx, q.asked)
	if err != nil {
		return nil, err
	}
	v.answer, u.Asked, u.Serial, u.Product = a, a.SerialNumber, a.SerialNumber, a.Product
	q.page.Title = a.SerialNumber
	q.unitFacts(v, a)
	q.historySheet(v, a)
	opts := page.Options{Words: q.w, Texts: q.texts(), ProductTitle: q.m.product(u.Product),
		History: historyOf(a.Runs, a.Repairs, func(run string) string { return unitOf(u.Product, u.Serial, run) })}
	if u.Past, err = page.NewHistory(opts); err != nil {
		return nil, err
	}
	if run := a.Of(); run != nil {
		err = q.runDetail(v, *run, opts)
	}
	return v, err
}

func (q *query) unitFacts(v *view, a review.Unit) {
	u, runs := v.Unit, a.Runs
	if len(runs) == 0 {
		return
	}
	last := runs[len(runs)-1]
	v.Simulated = last.Simulated
	u.Facts = append(u.Facts, fact{q.field("product"), strings.TrimSpace(q.m.product(last.Unit.Product) + " " +
		last.Unit.Revision), ""})
	if last.Unit.Lot != "" {
		u.Facts = append(u.Facts, fact{q.field("lot"), last.Unit.Lot, encode("/today", url.Values{},
			[]string{"lot", last.Unit.Lot, "period", "all"})})
	}
	u.Facts = append(u.Facts, fact{q.t("manager.unit.runs"), q.t("manager.unit.runs_repairs", "runs", len(runs),
		"repairs", len(a.Repairs)), ""})
	for _, p := range a.Also {
		u.Facts = append(u.Facts, fact{q.t("manager.unit.also"), q.m.product(p), unitOf(p, u.Serial, "")})
	}
	if a.Aborted > 0 {
		u.Facts = append(u.Facts, fact{q.t("manager.unit.aborted"), q.t("manager.unit.aborted_of", "count", a.Aborted,
			"broken", a.AbortedCutShort), ""})
	}
	state := last
	for _, r := range runs { // what does not count says nothing
		if r.Flag == "" {
			state = r
		}
	}
	if newest := a.Newest(); newest != nil {
		state = *newest
	}
	shape, _ := q.outcome(state.Outcome)
	id := "manager.unit.state_" + string(state.Outcome)
	if state.CutShort {
		id = "manager.unit.state_cut_short"
	}
	if state.Flag != "" {
		id, shape = "manager.unit.state_not_counted", "error"
	}
	if state.Unit.Golden {
		id, shape = "manager.unit.state_golden", "none"
	}
	v.Answer = q.t(id, "when", q.w.When(state.Started), "station", state.Station)
	u.State = shell.Notice{Shape: shape}
}

// historySheet lists runs and repairs, the newest first.
func (q *query) historySheet(v *view, a review.Unit) {
	s := sheet{name: "history", head: []string{"time", "kind", "run", "outcome", "found", "done", "by", "station",
		"nest", "text", "cut_short", "clock"}}
	for _, h := range slices.Backward(a.Happened()) {
		if r := h.Run; r != nil {
			s.row(r.Started, "run", r.Run, string(r.Outcome), q.found(*r), "", r.Operator, r.Station, r.Nest,
				r.Reason.CodeText(), r.CutShort, reports.CodeTexts(r.Clock))
		} else {
			r := h.Repair
			s.row(r.At, "repair", r.Run, "", r.Found, r.Done, r.By, "", "", r.Text, "", "")
		}
	}
	v.sheets = append(v.sheets, s)
	v.Unit.CSV = q.csvOf("history")
}

// runDetail tells one run.
func (q *query) runDetail(v *view, r store.Run, opts page.Options) error {
	u := v.Unit
	u.Shape, u.Word = q.ended(r)
	u.Title = q.t("manager.unit.run", "when", q.w.When(r.Started), "station", r.Station, "nest", r.Nest)
	sealed, err := q.m.c.Store.Report(q.ctx, r.Run)
	if err != nil {
		if errors.Is(err, context.DeadlineExceeded) || q.ctx.Err() != nil {
			return err
		}
		q.m.c.Log.Warn("a report cannot be read", "run", r.Run, "error", err)
		u.Unreadable = &shell.Notice{Shape: "error", Title: q.t("manager.unit.unreadable"),
			Text: []string{q.t("manager.unit.unreadable_hint")}}
		if why := q.w.Reason(r.Reason); why != "" {
			u.Unreadable.Text = append(u.Unreadable.Text, why)
		}
		return nil
	}
	opts.Flagged = r.Flag != ""
	if q.m.c.Around != nil {
		check := q.m.c.Around(q.ctx, sealed)
		opts.Check = &check
	}
	if opts.Handset = q.m.c.Drawing; q.m.c.Files != nil {
		opts.Attachments = "/attachment/"
		opts.Said = func(hash string) (string, bool) {
			data, err := q.m.c.Files.Attachment(q.ctx, hash+".txt")
			sum := sha256.Sum256(data)
			return string(data), err == nil && hex.EncodeToString(sum[:]) == hash
		}
	}
	opts.Reading = func(name string) string {
		return encode("/hold", url.Values{}, []string{"reading", name, "product", r.Unit.Product})
	}
	if u.Run, err = page.New(sealed, opts); err != nil {
		return err
	}
	u.Past = u.Run
	v.readingSheet(sealed.Report)
	link := func(href, id string, args ...any) {
		u.Links = append(u.Links, shell.Link{Href: href, Text: q.t(id, args...)})
	}
	link("/report/"+r.Run, "manager.unit.report")
	if r.Outcome == reports.Passed && !r.Unit.Golden && r.Flag == "" {
		link("/certificate/"+r.Run, "manager.unit.certificate")
	}
	if r.Outcome == reports.Failed && q.m.c.Repair != "" && r.Flag == "" {
		link(q.m.c.Repair+"?run="+r.Run, "manager.unit.to_repair")
	}
	if r.Unit.Lot != "" && !r.Unit.Golden {
		sides := []string{"a", "lot:" + r.Unit.Lot, "b", "run:" + r.Run, "period", "all"}
		link(encode("/differs", url.Values{}, sides), "manager.unit.to_differs", "lot", r.Unit.Lot)
	}
	return nil
}

// readingSheet lists all that was measured.
func (v *view) readingSheet(p reports.Report) {
	s := sheet{name: "readings", head: []string{"check", "reading", "value", "unit", "lower", "upper", "verdict",
		"uncertainty"}}
	for _, c := range p.Checks {
		for _, r := range c.Readings {
			var lower, upper *float64
			if r.Limit != nil {
				lower, upper = r.Limit.Lower, r.Limit.Upper
			}
			var value any = r.Value.String()
			if x, ok := r.Value.Number(); ok {
				value = x
			}
			s.row(c.Name, r.Name, value, r.Unit, lower, upper, string(r.Verdict), r.Uncertainty)
		}
	}
	v.sheets = append(v.sheets, s)
}

// attachmentName is that of raw data beside the reports.
var attachmentName = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[0-9a-f]{64}\.[a-z0-9]{1,8}$`)
})

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
	"txt": "text/plain; charset=utf-8", "png": "image/png", "jpg": "image/jpeg"}

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
		shell.Write(w, m.c.Log, m.page, v, status)
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
		return shell.ErrClosed
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
		return &shell.Refusal{Status: http.StatusConflict, ID: bad + "no_certificate",
			Args: []any{"serial", unit.SerialNumber},
			Link: shell.Link{Href: unitOf(unit.Product, unit.SerialNumber, run), Text: "manager.bad.to_unit"}}
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
