package shell

import (
	"net/http"

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
