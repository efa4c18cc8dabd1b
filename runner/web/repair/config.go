package repair

import (
	"cmp"
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

//go:embed pages
var pageFiles embed.FS

// Records are the runs and repairs that the pages tell of, as the index of the
// records has them.
type Records interface {
	Run(ctx context.Context, run string) (store.Run, error)
	Runs(ctx context.Context, s store.Selection, f store.RunFilter, after string, limit int) ([]store.Run, error)
	Report(ctx context.Context, run string) (archive.Sealed, error)
	History(ctx context.Context, product, serial string) ([]store.Run, []reports.Repair, error)
	Repairs(ctx context.Context, s store.Selection, limit int) ([]reports.Repair, error)
	Series(ctx context.Context, s store.Selection, reading string, first bool, limit int) (yield.Series, error)
}

// Config is what the pages are made of. Fields without "optional" are required.
type Config struct {
	// Store knows the units; optional: while it is nil, the pages say that it is
	// not open.
	Store   Records
	Archive Archive
	// Recorded is told each repair once it is sealed, before the page answers:
	// it takes the repair into the store and tells the line. Optional.
	Recorded func(context.Context, reports.Repair)
	Station  string
	Product  Product
	// Scan reads what a scanner gave and returns the serial number; its error is
	// for the log only.
	Scan func(text string) (serial string, err error)
	Look *shell.Look
	// Causes are those of the product's rules, each once; optional.
	Causes  []reports.Cause
	Texts   map[string]wording.Texts // the product's own sentences by language; optional
	Drawing *shell.Drawing           // of the handset; optional
	// Retests is how often the line tests a failed unit again by itself.
	Retests int
	// Unit is the page of a unit's history, to which ?serial= is added;
	// Attachments where captures are served, by <sha256>.<ext>; optional.
	Unit, Attachments string
	Nav               func(shell.Page) []shell.Link // to other pages; optional
	Patience          time.Duration                 // how long one page may ask the store; 0 means 10 s
	Now               func() time.Time              // optional
	Log               *slog.Logger                  // optional
}

// Product is what the pages call the product.
type Product struct{ Name, Title string }

// Archive is where repairs are sealed: a [*reports.Archive].
type Archive interface {
	RepairOf(r reports.Repair, of archive.Sealed) (archive.SealedRepair, error)
	Repairs() []archive.SealedRepair
}

var _ Archive = (*archive.Archive)(nil)

// Patterns are what the pages answer, as patterns of [http.ServeMux].
func Patterns() []string { return []string{"/repair", "/repair/"} }

// Bench is the pages. Make it with [New].
type Bench struct {
	c      Config
	pages  map[string]*template.Template
	files  *shell.Files
	mux    *http.ServeMux
	rules  map[string]reports.Cause
	saving sync.Mutex
}

// New reads the templates that are built in.
func New(c Config) (*Bench, error) {
	if c.Look == nil || c.Archive == nil || c.Scan == nil {
		return nil, errors.New("repair: look, archive and scan are required")
	}
	if c.Patience <= 0 {
		c.Patience = 10 * time.Second
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	b := &Bench{c: c, pages: map[string]*template.Template{},
		rules: map[string]reports.Cause{}, mux: http.NewServeMux()}
	for _, name := range []string{"list", "unit", "hints", "record"} {
		t, err := c.Look.Parse(pageFiles, "pages/parts.html", "pages/"+name+".html")
		if err != nil {
			return nil, fmt.Errorf("repair: %w", err)
		}
		b.pages[name] = t
	}
	dir, err := fs.Sub(pageFiles, "pages")
	if err != nil {
		return nil, err
	}
	if b.files, err = shell.NewFiles("/repair/", dir, "repair.css", "repair.js"); err != nil {
		return nil, err
	}
	for _, k := range c.Causes {
		b.rules[k.Rule] = k
	}
	b.mux.HandleFunc("GET /repair", b.of)
	b.mux.HandleFunc("GET /repair/{$}", func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Query().Get("run") != "" {
			b.of(w, r)
			return
		}
		b.page((*Bench).list)(w, r)
	})
	b.mux.HandleFunc("GET /repair/scan", b.scan)
	b.mux.HandleFunc("GET /repair/unit", b.page((*Bench).unit))
	b.mux.HandleFunc("POST /repair/unit", b.save)
	b.mux.HandleFunc("GET /repair/hints", b.page((*Bench).hints))
	b.mux.HandleFunc("GET /repair/record", b.page((*Bench).record))
	b.mux.Handle("GET /repair/{file}", b.files)
	return b, nil
}

// ServeHTTP answers whatever [Patterns] names.
func (b *Bench) ServeHTTP(w http.ResponseWriter, r *http.Request) { b.mux.ServeHTTP(w, r) }

// request is one question to the pages.
type request struct {
	*http.Request
	page shell.Page
	w    *wording.Translator
	now  time.Time
}

func (b *Bench) read(r *http.Request) *request {
	q := &request{Request: r, now: b.c.Now()}
	q.page = b.c.Look.Page(r, "")
	q.w = q.page.Words()
	return q
}

func (q *request) t(id string, args ...any) string { return q.w.T(id, args...) }

// answer is a page ready to be written.
type answer struct {
	template string
	status   int
	data     viewer
}

// viewer is the data of a template.
type viewer interface{ set(*Bench, *request) }

// base is what every page's data embeds.
type base struct {
	shell.Page
	Style   string
	Scan    string // what was scanned last, to be put right
	Notices []shell.Notice
	Product string
}

func (v *base) set(b *Bench, q *request) {
	v.Page = q.page
	v.Style, v.Product = b.files.Path("repair.css"), b.c.Product.Title
	v.Page.Styles = []string{"handset.css", "unit.css"}
	v.Page.Scripts = []string{b.files.Path("repair.js")}
	v.Page.Nav = []shell.Link{
		{Href: "/repair/", Text: q.t("repair.nav.waiting"), Current: q.URL.Path == "/repair/"},
		{Href: "/repair/hints", Text: q.t("repair.nav.hints"), Current: q.URL.Path == "/repair/hints"},
	}
	if b.c.Nav != nil {
		v.Page.Nav = append(v.Page.Nav, b.c.Nav(q.page)...)
	}
}

// page makes a handler of what answers a page.
func (b *Bench) page(make func(*Bench, *request) (*answer, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), b.c.Patience)
		defer cancel()
		q := b.read(r.WithContext(ctx))
		var a *answer
		err := shell.ErrClosed
		if b.c.Store != nil {
			a, err = make(b, q)
		}
		if err != nil {
			if r.Context().Err() != nil {
				return // nobody waits any more
			}
			a = b.excuse(q, err)
		}
		if a != nil { // nil: it was answered already
			b.write(w, q, a)
		}
	}
}

// excuse is the page that stands where an answer cannot.
func (b *Bench) excuse(q *request, err error) *answer {
	n, status := q.page.Excuse(err, "repair.excuse.", b.c.Log)
	q.page.Title = q.t("repair.title")
	return &answer{template: "list", status: status,
		data: &listView{Bare: true, base: base{Notices: []shell.Notice{n}}}}
}

// write writes a page.
func (b *Bench) write(w http.ResponseWriter, q *request, a *answer) {
	a.data.set(b, q)
	shell.Write(w, b.c.Log, b.pages[a.template], a.data, cmp.Or(a.status, http.StatusOK))
}
