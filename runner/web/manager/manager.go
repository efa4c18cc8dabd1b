package manager

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"path"
	"slices"
	"strings"
	"time"

	"fullthrow/reports/archive"
	"fullthrow/reports/review"
	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

//go:embed pages
var pageFiles embed.FS

// Config is what the pages are made of. Fields without "optional" are required.
type Config struct {
	// Store answers; optional: while it is nil, pages say that it is not open.
	Store review.Records
	Look  *shell.Look
	// Files holds the captures that reports refer to; optional.
	Files   Files
	Product Product
	Checks  []Check                  // of the plan, in order; optional
	Texts   map[string]wording.Texts // the product's own sentences by language; optional
	Drawing *shell.Drawing           // of the handset; optional
	// Zone is where the plant is, nil the machine's; Shifts are when its shifts
	// begin, as in [store.Selection].
	Zone   *time.Location
	Shifts []time.Duration
	// Serials are the serial numbers that a scan may hold; optional.
	Serials func(scan string) []string
	// Around proves a report further than its own seal does: by the station's
	// key and its neighbours in the chain; optional.
	Around func(context.Context, archive.Sealed) archive.SealCheck
	// Witness is the newest report as somebody else is to keep it, one line, for the
	// printed page of a day; optional.
	Witness func() string
	// Repair is where a failed run is repaired: a path that the run is added to
	// as ?run=; optional.
	Repair string
	// Patience is how long one page may ask the store; 0 means 10 s.
	Patience time.Duration
	Now      func() time.Time // optional
	Log      *slog.Logger     // optional
}

// Product is what the pages call the product.
type Product struct{ Name, Title string }

// Check is a check of the plan: what it is about, in English.
type Check struct{ Name, About, Part string }

// Files finds captures.
type Files interface {
	// Attachment is the content of a file by its name, <sha256>.<ext>; an error
	// wrapping [fs.ErrNotExist] if there is none.
	Attachment(ctx context.Context, name string) ([]byte, error)
}

// Manager is the pages. Make it with [New].
type Manager struct {
	c     Config
	look  *shell.Look
	page  *template.Template
	unit  *template.Template
	files *shell.Files
	style string // path of the style sheet
	mux   *http.ServeMux
	zone  *time.Location
}

// Patterns are what the pages answer, as patterns of [http.ServeMux].
func Patterns() []string {
	var list []string
	for _, r := range routes {
		list = append(list, "GET "+r.path)
	}
	return list
}

// route is a page, or something beside the pages.
type route struct {
	path   string
	answer func(*Manager, *query) (*view, error)
	plain  func(*Manager, http.ResponseWriter, *http.Request)
}

var routes = []route{
	{path: "/today", answer: (*Manager).today},
	{path: "/fails", answer: (*Manager).fails},
	{path: "/drift", answer: (*Manager).drift},
	{path: "/hold", answer: (*Manager).hold},
	{path: "/differs", answer: (*Manager).differs},
	{path: "/unit", answer: (*Manager).history},
	{path: "/units", answer: (*Manager).units},
	{path: "/report/{run}", plain: (*Manager).report},
	{path: "/certificate/{run}", plain: (*Manager).report},
	{path: "/attachment/{name}", plain: (*Manager).attachment},
	{path: "/manager/", plain: func(m *Manager, w http.ResponseWriter, r *http.Request) { m.files.ServeHTTP(w, r) }},
}

// New reads the templates that are built in.
func New(c Config) (*Manager, error) {
	if c.Look == nil {
		return nil, errors.New("manager: no look")
	}
	if c.Zone == nil {
		c.Zone = time.Local
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
	m := &Manager{c: c, look: c.Look.In(c.Zone), zone: c.Zone, mux: http.NewServeMux()}
	var err error
	if m.page, err = m.look.Parse(pageFiles, "pages/blocks.html", "pages/page.html"); err != nil {
		return nil, fmt.Errorf("manager: %w", err)
	}
	if m.unit, err = m.look.Parse(pageFiles, "pages/blocks.html", "pages/unit.html"); err != nil {
		return nil, fmt.Errorf("manager: %w", err)
	}
	dir, err := fs.Sub(pageFiles, "pages")
	if err != nil {
		return nil, err
	}
	if m.files, err = shell.NewFiles("/manager/", dir, "manager.css"); err != nil {
		return nil, err
	}
	m.style = m.files.Path("manager.css")
	for _, r := range routes {
		if r.plain != nil {
			m.mux.HandleFunc("GET "+r.path, func(w http.ResponseWriter, req *http.Request) { r.plain(m, w, req) })
			continue
		}
		m.mux.HandleFunc("GET "+r.path, func(w http.ResponseWriter, req *http.Request) { m.serve(w, req, r) })
	}
	return m, nil
}

// ServeHTTP answers whatever [Patterns] names.
func (m *Manager) ServeHTTP(w http.ResponseWriter, r *http.Request) { m.mux.ServeHTTP(w, r) }

// serve answers one page, or says in plain words why it cannot.
func (m *Manager) serve(w http.ResponseWriter, r *http.Request, to route) {
	ctx, cancel := context.WithTimeout(r.Context(), m.c.Patience)
	defer cancel()
	q, err := m.read(r.WithContext(ctx), to.path)
	if err == nil && q.tidied != "" && q.format == "" {
		http.Redirect(w, r, q.tidied, http.StatusSeeOther)
		return
	}
	var v *view
	if err == nil {
		if m.c.Store == nil {
			err = shell.ErrClosed
		} else {
			v, err = to.answer(m, q)
		}
	}
	if err == nil && q.format != "" {
		if err = v.writeData(w, q); err == nil {
			return
		}
	}
	status := http.StatusOK
	if err != nil {
		if r.Context().Err() != nil {
			return // nobody waits any more
		}
		v, status = m.excuse(q, err)
	}
	v.Page = q.page
	v.Nav, v.Styles, v.Style = m.nav(q), []string{"handset.css", "unit.css"}, m.style
	t := m.page
	if v.Unit != nil {
		t = m.unit
	}
	shell.Write(w, m.c.Log, t, v, status)
}

// nav leads to the other questions, about the same choice of units.
func (m *Manager) nav(q *query) []shell.Link {
	var links []shell.Link
	for _, name := range review.Names() {
		href := q.link("/" + name)
		if name == "unit" {
			href = "/unit"
		}
		links = append(links, shell.Link{Href: href, Text: q.t("manager.nav." + name), Current: "/"+name == q.path})
	}
	return links
}

// excuse is the page that stands where an answer cannot.
func (m *Manager) excuse(q *query, err error) (*view, int) {
	var no *shell.Refusal
	var problem *review.Problem
	link := shell.Link{Href: "/today", Text: q.t("manager.excuse.today")}
	if errors.As(err, &problem) {
		status := http.StatusBadRequest
		if slices.Contains(nowhere, problem.Code) {
			status = http.StatusNotFound
		}
		err, link = shell.Refuse(status, "review.bad."+problem.Code, q.problemArgs(problem)...), q.wayOut(problem, link)
	} else if errors.As(err, &no) && no.Link.Href != "" {
		link = shell.Link{Href: no.Link.Href, Text: q.t(no.Link.Text)}
	}
	notice, status := q.page.Excuse(err, "manager.excuse.", m.c.Log)
	if problem != nil {
		notice.Title = wording.Capital(notice.Title)
	}
	q.page.Title = q.t("manager.title." + q.name())
	v := &view{}
	v.add(block{Notice: &notice}, block{Links: []shell.Link{link}})
	return v, status
}

// nowhere are the codes of problems with what does not exist.
var nowhere = []string{review.BadNone, review.BadReading, review.BadUnit, review.BadRun, review.BadSide,
	review.BadNoRuns}

// problemArgs are a problem's arguments in the reader's language.
func (q *query) problemArgs(p *review.Problem) []any {
	args := slices.Clone(p.Args)
	for i := 1; i < len(args); i += 2 {
		switch x := args[i].(type) {
		case review.Side:
			args[i] = q.sideName(x)
		case string:
			if args[i-1] == "name" {
				args[i] = q.field(x)
			}
		}
	}
	return args
}

// wayOut is where to go instead.
func (q *query) wayOut(p *review.Problem, otherwise shell.Link) shell.Link {
	switch p.Code {
	case review.BadNone, review.BadOption:
		return shell.Link{Href: q.same(p.Arg("name"), ""), Text: q.t("manager.bad.none_back")}
	case review.BadReading:
		return shell.Link{Href: q.same("reading", ""), Text: q.t("manager.bad.all_readings")}
	case review.BadUnit:
		return shell.Link{Href: "/unit", Text: q.t("manager.bad.other_unit")}
	}
	return otherwise
}

// name is the page's, as messages name it.
func (q *query) name() string { return strings.TrimPrefix(path.Clean(q.path), "/") }
