package wording

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"sync"
	"time"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"github.com/pelletier/go-toml/v2"
	"golang.org/x/text/language"
)

//go:embed languages/*.toml
var languageFiles embed.FS

// Language is one that the program speaks: a row here, its words in
// languages/*.<tag>.toml, and how it writes numbers and joins texts.
type Language struct {
	Tag  string // BCP 47: "en", "es", "zh-Hans"
	Name string // in that language

	decimal string // between whole and fraction
	percent string // between number and %
	comma   string // between a day and the time of day
	join    string // between sentences
}

// Languages lists what the pages speak, English first.
func Languages() []Language {
	return []Language{
		{"en", "English", ".", nbsp, ", ", " "},
		{"es", "Español", ",", nbsp, ", ", " "},
		{"zh-Hans", "简体中文", ".", "", " ", ""},
	}
}

// Book is all words in all languages.
type Book struct {
	bundle      *i18n.Bundle
	Messages    map[string]map[string]*i18n.Message // by language, by id
	translators map[string]*Translator
	location    *time.Location
}

// NewBook reads the words that are built in. Times are shown as they are at a
// place.
func NewBook(at *time.Location) (*Book, error) {
	b, err := builtIn()
	if err != nil {
		return nil, err
	}
	return b.In(at), nil
}

var builtIn = sync.OnceValues(func() (*Book, error) { return newBook(languageFiles, time.Local) })

// In is the same book with times shown at another place.
func (b *Book) In(at *time.Location) *Book {
	other := *b
	other.location = at
	other.translators = map[string]*Translator{}
	for tag, t := range b.translators {
		moved := *t
		moved.location = at
		other.translators[tag] = &moved
	}
	return &other
}

func newBook(words fs.FS, at *time.Location) (*Book, error) {
	b := &Book{
		bundle: i18n.NewBundle(language.English), Messages: map[string]map[string]*i18n.Message{},
		translators: map[string]*Translator{}, location: at,
	}
	b.bundle.RegisterUnmarshalFunc("toml", toml.Unmarshal)
	known := map[string]bool{}
	for _, lang := range Languages() {
		b.Messages[lang.Tag] = map[string]*i18n.Message{}
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
		file, err := b.bundle.LoadMessageFileFS(words, name)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		for _, m := range file.Messages {
			if !strings.HasPrefix(m.ID, page+".") {
				return nil, fmt.Errorf("%s: id %q does not begin with %q", name, m.ID, page+".")
			}
			if b.Messages[tag][m.ID] != nil {
				return nil, fmt.Errorf("%s: id %q stands there twice", name, m.ID)
			}
			b.Messages[tag][m.ID] = m
		}
	}
	for _, lang := range Languages() {
		b.translators[lang.Tag] = newTranslator(b, lang)
	}
	return b, nil
}

// Translator speaks a language; one that is not known is English.
func (b *Book) Translator(lang string) *Translator {
	if t, ok := b.translators[lang]; ok {
		return t
	}
	return b.translators["en"]
}

// Speaks reports whether a language is known.
func (b *Book) Speaks(lang string) bool { return b.translators[lang] != nil }

// Strings are the words whose id begins with a prefix ("operator."), for a
// page's script; an empty prefix gives all. A message with plural forms gives
// one entry for each: "operator.units.one", "operator.units.other".
func (b *Book) Strings(lang, prefix string) map[string]string {
	out := map[string]string{}
	for id := range b.Messages["en"] {
		if !strings.HasPrefix(id, prefix) {
			continue
		}
		m, ok := b.Messages[lang][id]
		if !ok {
			m = b.Messages["en"][id]
		}
		if m.One == "" && (b.Messages["en"][id].One == "") {
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

var matcher = sync.OnceValue(func() language.Matcher {
	var tags []language.Tag
	for _, l := range Languages() {
		tags = append(tags, language.MustParse(l.Tag))
	}
	return language.NewMatcher(tags)
})

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
	_, i, confidence := matcher().Match(tags...)
	if confidence == language.No {
		return "en"
	}
	return Languages()[i].Tag
}
