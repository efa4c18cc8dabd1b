package shell

import (
	"bytes"
	"context"
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"strings"

	"fullthrow/reports/store"
	"fullthrow/reports/wording"
)

// Page is what every page's data embeds: by it the shell and the template's
// functions know the reader's language and theme.
type Page struct {
	Lang     string // "en", "es", "zh-Hans"
	Theme    string // "light", "dark", or "" for what the system says
	Title    string // of the window, in the reader's language
	Question string // what the page answers; stands below the title if given
	Path     string // path and query of this page, to come back to
	Nav      []Link
	Styles   []string // style sheets besides the shell's: "handset.css"
	Scripts  []string // paths of modules, served by the page's own handler
	Class    string   // of the body: "operator", "print"
	Bare     bool     // without head and foot: the page fills the screen

	words *wording.Translator
}

// Link leads somewhere.
type Link struct {
	Href, Text string
	Current    bool // it is the page that is shown
}

// Page begins the data of a page for a request, by its cookies and headers.
func (l *Look) Page(r *http.Request, title string) Page {
	cookie := func(name string) string {
		if c, err := r.Cookie(name); err == nil {
			return c.Value
		}
		return ""
	}
	p := Page{Lang: wording.Match(cookie(LanguageCookie), r.Header.Get("Accept-Language")), Title: title,
		Path: r.URL.RequestURI()}
	if theme := cookie(ThemeCookie); knownTheme(theme) {
		p.Theme = theme
	}
	p.words = l.Translator(p.Lang)
	return p
}

// Words is the translator of the page's language.
func (p Page) Words() *wording.Translator { return p.words }

// T translates in the page's language: see [Translator.T].
func (p Page) T(id string, args ...any) string { return p.words.T(id, args...) }

// Languages and themes to choose from, for the shell.
func (p Page) Languages() []wording.Language { return wording.Languages() }

// Item is a part of a page's data for a template of its own, with the page's
// language: {{template "row" (in $ .)}}, and there {{t . "id"}}, {{.Item.Name}}.
type Item struct {
	Item  any
	words *wording.Translator
}

// Words is the translator of the page that the item stands on.
func (i Item) Words() *wording.Translator { return i.words }

// speaker is data that knows its language: a [Page], what embeds one, an [Item],
// a [Translator].
type speaker interface{ Words() *wording.Translator }

// Write writes a page whole or not at all.
func Write(w http.ResponseWriter, log *slog.Logger, t *template.Template, data any, status int) {
	var b bytes.Buffer
	if err := t.Execute(&b, data); err != nil {
		log.Error("a page could not be made", "error", err)
		http.Error(w, "internal error", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(b.Bytes())
}

// Refusal is why an address cannot be answered: a message, whose hint is the
// same with "_hint".
type Refusal struct {
	Status int
	ID     string
	Args   []any
	Link   Link // where to go instead; its text is an ID. Optional
}

func (r *Refusal) Error() string { return "refused: " + r.ID }

// Refuse is a [Refusal].
func Refuse(status int, id string, args ...any) error {
	return &Refusal{Status: status, ID: id, Args: args}
}

// ErrClosed is the error of pages whose store is not open.
var ErrClosed = errors.New("the store is not open")

// Excuse is what stands on a page where an answer cannot: a [Refusal], or one of
// the messages closed, slow, unknown and unreachable below a prefix.
func (p Page) Excuse(err error, prefix string, log *slog.Logger) (Notice, int) {
	var no *Refusal
	path, _, _ := strings.Cut(p.Path, "?")
	id, status, shape := "unreachable", http.StatusServiceUnavailable, "doubt"
	switch {
	case errors.As(err, &no):
		return p.Notice(shape, no.ID, no.Args...), no.Status
	case errors.Is(err, ErrClosed):
		id = "closed"
	case errors.Is(err, context.DeadlineExceeded):
		id = "slow"
		log.Warn("a page took too long", "path", path, "error", err)
	case errors.Is(err, store.ErrUnknown):
		id, status = "unknown", http.StatusNotFound
	default:
		shape = "error"
		log.Warn("a page cannot be answered", "path", path, "error", err)
	}
	return p.Notice(shape, prefix+id), status
}

// Notice is a message with its hint, if it has one.
func (p Page) Notice(shape, id string, args ...any) Notice {
	n := Notice{Shape: shape, Title: p.T(id, args...)}
	if p.words.Has(id + "_hint") {
		n.Text = []string{p.T(id+"_hint", args...)}
	}
	return n
}
