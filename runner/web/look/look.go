package look

import (
	"embed"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"github.com/pelletier/go-toml/v2"
	"golang.org/x/text/language"
)

//go:embed languages/*.toml
var languageFiles embed.FS

//go:embed styles
var styleFiles embed.FS

//go:embed shell/*.html
var shellFiles embed.FS

// Language is one that the pages speak.
type Language struct {
	Tag  string // BCP 47: "en", "es", "zh-Hans"
	Name string // in that language
}

// Languages lists what the pages speak, English first.
func Languages() []Language {
	return []Language{{"en", "English"}, {"es", "Español"}, {"zh-Hans", "简体中文"}}
}

// Look is what the pages have in common.
type Look struct {
	bundle      *i18n.Bundle
	messages    map[string]map[string]*i18n.Message // by language, by id
	translators map[string]*Translator
	assets      *assets
	location    *time.Location
}

// New reads the words and styles that are built in. Times are shown in the
// machine's location.
func New() (*Look, error) { return newLook(languageFiles, time.Local) }

// In is the same look with times shown at another place.
func (l *Look) In(at *time.Location) *Look {
	other := *l
	other.location = at
	other.translators = map[string]*Translator{}
	for tag, t := range l.translators {
		moved := *t
		moved.location = at
		other.translators[tag] = &moved
	}
	return &other
}

func newLook(words fs.FS, at *time.Location) (*Look, error) {
	l := &Look{bundle: i18n.NewBundle(language.English), messages: map[string]map[string]*i18n.Message{}, translators: map[string]*Translator{}, location: at}
	l.bundle.RegisterUnmarshalFunc("toml", toml.Unmarshal)
	known := map[string]bool{}
	for _, lang := range Languages() {
		l.messages[lang.Tag] = map[string]*i18n.Message{}
		known[lang.Tag] = true
	}
	names, err := fs.Glob(words, "languages/*.toml")
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		page, tag, _ := strings.Cut(strings.TrimSuffix(path.Base(name), ".toml"), ".")
		if !known[tag] {
			return nil, fmt.Errorf("%s: no language %q: a file is named page.language.toml", name, tag)
		}
		file, err := l.bundle.LoadMessageFileFS(words, name)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		for _, m := range file.Messages {
			if !strings.HasPrefix(m.ID, page+".") {
				return nil, fmt.Errorf("%s: id %q does not begin with %q", name, m.ID, page+".")
			}
			if l.messages[tag][m.ID] != nil {
				return nil, fmt.Errorf("%s: id %q stands there twice", name, m.ID)
			}
			l.messages[tag][m.ID] = m
		}
	}
	for _, lang := range Languages() {
		l.translators[lang.Tag] = newTranslator(l, lang.Tag)
	}
	if l.assets, err = newAssets(l); err != nil {
		return nil, err
	}
	return l, nil
}

// Translator speaks a language; one that is not known is English.
func (l *Look) Translator(lang string) *Translator {
	if t, ok := l.translators[lang]; ok {
		return t
	}
	return l.translators["en"]
}

// Strings are the words whose id begins with a prefix ("operator."), for a
// page's script; an empty prefix gives all. A message with plural forms gives
// one entry for each: "operator.units.one", "operator.units.other".
func (l *Look) Strings(lang, prefix string) map[string]string {
	out := map[string]string{}
	for id := range l.messages["en"] {
		if !strings.HasPrefix(id, prefix) {
			continue
		}
		m, ok := l.messages[lang][id]
		if !ok {
			m = l.messages["en"][id]
		}
		if m.One == "" && (l.messages["en"][id].One == "") {
			out[id] = m.Other
			continue
		}
		out[id+".other"] = m.Other
		if m.One != "" {
			out[id+".one"] = m.One
		}
	}
	return out
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
		http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: int(cookieLife.Seconds()), HttpOnly: true, SameSite: http.SameSiteLaxMode})
	}
	if lang := r.PostForm.Get("lang"); l.translators[lang] != nil {
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

var matcher = func() language.Matcher {
	var tags []language.Tag
	for _, l := range Languages() {
		tags = append(tags, language.MustParse(l.Tag))
	}
	return language.NewMatcher(tags)
}()

// Match chooses a language: the one a reader chose (the cookie's value) if the
// pages speak it, else the best for what the browser asks for, else English.
func Match(cookie, acceptLanguage string) string {
	for _, l := range Languages() {
		if l.Tag == cookie {
			return cookie
		}
	}
	if len(acceptLanguage) > 1000 {
		return "en"
	}
	tags, _, err := language.ParseAcceptLanguage(acceptLanguage)
	if err != nil || len(tags) == 0 {
		return "en"
	}
	_, i, confidence := matcher.Match(tags...)
	if confidence == language.No {
		return "en"
	}
	return Languages()[i].Tag
}
