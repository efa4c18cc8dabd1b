package shell

import (
	"embed"
	"net/http"
	"strings"
	"time"

	"fullthrow/reports/wording"
)

//go:embed styles
var styleFiles embed.FS

//go:embed pages/*.html
var shellFiles embed.FS

// Look is what the pages have in common.
type Look struct {
	*wording.Book
	assets *Files
}

// New reads the words and styles that are built in. Times are shown in the
// machine's location.
func New() (*Look, error) {
	words, err := wording.NewBook(time.Local)
	if err != nil {
		return nil, err
	}
	return newLook(words)
}

// In is the same look with times shown at another place.
func (l *Look) In(at *time.Location) *Look { return &Look{Book: l.Book.In(at), assets: l.assets} }

func newLook(words *wording.Book) (*Look, error) {
	l := &Look{Book: words}
	var err error
	l.assets, err = newAssets(l)
	return l, err
}

// Handler serves everything below /look/: the [Look.Assets], and POST
// /look/choose, by which a reader chooses a language or a theme: the form's
// lang, theme (light, dark or system) and back, the page to return to.
func (l *Look) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /look/", l.Assets())
	mux.HandleFunc("POST /look/choose", l.choose)
	return mux
}

// Cookies that keep what a reader chose.
const (
	LanguageCookie = "fullthrow-language"
	ThemeCookie    = "fullthrow-theme"
)

const cookieLife = 400 * 24 * time.Hour // the longest that browsers keep

func (l *Look) choose(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 1<<14)
	if err := r.ParseForm(); err != nil {
		http.Error(w, "the form cannot be read", http.StatusBadRequest)
		return
	}
	keep := func(name, value string) {
		http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: int(cookieLife.Seconds()),
			HttpOnly: true, SameSite: http.SameSiteLaxMode})
	}
	if lang := r.PostForm.Get("lang"); l.Speaks(lang) {
		keep(LanguageCookie, lang)
	}
	if theme := r.PostForm.Get("theme"); theme == "system" || knownTheme(theme) {
		keep(ThemeCookie, theme)
	}
	http.Redirect(w, r, local(r.PostForm.Get("back")), http.StatusSeeOther)
}

func knownTheme(name string) bool { return name == "light" || name == "dark" }

// local keeps a way back on this server: a path, never another host.
func local(back string) string {
	if !strings.HasPrefix(back, "/") || strings.HasPrefix(back, "//") || strings.ContainsAny(back, "\\\r\n\t") {
		return "/"
	}
	return back
}
