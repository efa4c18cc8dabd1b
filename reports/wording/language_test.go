package wording

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func testBook(t *testing.T) *Book {
	t.Helper()
	b, err := NewBook(time.Local)
	require.NoError(t, err)
	return b
}

func placesOf(texts ...string) []string {
	var out []string
	for _, text := range texts {
		for _, p := range place().FindAllString(text, -1) {
			if !slices.Contains(out, p) {
				out = append(out, p)
			}
		}
	}
	slices.Sort(out)
	return out
}

// same reports whether a message is marked to be the same in every language.
func same(m *i18n.Message) bool { return strings.HasPrefix(m.Description, "same") }

// plain reports whether a text has no words to translate: places, numbers and
// signs only.
func plain(text string) bool {
	return !regexp.MustCompile(`\p{L}{2}`).MatchString(place().ReplaceAllString(text, ""))
}

// Every message stands in every language, with the same places, and is not the
// English text again.
func TestEveryMessageInEveryLanguage(t *testing.T) {
	l := testBook(t)
	english := l.Messages["en"]
	require.NotEmpty(t, english)
	for id, en := range english {
		if en.One != "" && !slices.Contains(placesOf(en.Other), "{count}") {
			t.Errorf("%s: has a form for one, but no {count}", id)
		}
	}
	for _, lang := range Languages() {
		if lang.Tag == "en" {
			continue
		}
		for id, en := range english {
			m := l.Messages[lang.Tag][id]
			if m == nil {
				t.Errorf("%s: missing in %s", id, lang.Tag)
				continue
			}
			if got, want := placesOf(m.Other), placesOf(en.Other); !slices.Equal(got, want) {
				t.Errorf("%s: %s has places %v, English %v", id, lang.Tag, got, want)
			}
			if m.Other == en.Other && !same(en) && !same(m) && !plain(en.Other) {
				t.Errorf("%s: %s is still English (%q): translate it, or describe it as \"same\"", id, lang.Tag, m.Other)
			}
			if lang.Tag == "zh-Hans" && !same(en) && !same(m) && !plain(en.Other) && !regexp.MustCompile(`\p{Han}`).MatchString(m.Other) {
				t.Errorf("%s: %s has no Chinese character: %q", id, lang.Tag, m.Other)
			}
			if lang.Tag == "es" && en.One != "" && m.One == "" {
				t.Errorf("%s: %s has no form for one", id, lang.Tag)
			}
		}
		for id := range l.Messages[lang.Tag] {
			if english[id] == nil {
				t.Errorf("%s: in %s, but not in English", id, lang.Tag)
			}
		}
	}
}

// quoted finds what looks like the id of a message, or the beginning of one
// ("operator.state."), in a template, a script or Go.
var quoted = regexp.MustCompile("[\"'`]((?:[a-z]+)\\.[a-z0-9_.-]*)[\"'`]")

// Every id that a template, a script or Go names exists, and every message is
// named somewhere; a literal that ends with a point stands for all that begin
// so.
func TestMessagesAreThoseInUse(t *testing.T) {
	l := testBook(t)
	english := l.Messages["en"]
	pages := map[string]bool{}
	for id := range english {
		page, _, _ := strings.Cut(id, ".")
		pages[page] = true
	}
	used := map[string]bool{}
	for _, root := range []string{"..", "../../runner"} {
		require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || strings.HasSuffix(path, "_test.go") || !slices.Contains([]string{".go", ".html", ".tmpl", ".js"}, filepath.Ext(path)) {
				return err
			}
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			for i, line := range strings.Split(string(data), "\n") {
				if strings.HasPrefix(strings.TrimSpace(line), "//") {
					continue
				}
				for _, m := range quoted.FindAllStringSubmatch(line, -1) {
					id := m[1]
					page, _, _ := strings.Cut(id, ".")
					if !pages[page] || slices.Contains([]string{".js", ".css", ".html", ".toml", ".json", ".svg", ".tmpl"}, filepath.Ext(id)) {
						continue
					}
					if strings.HasSuffix(id, ".") || strings.HasSuffix(id, "_") {
						found := false
						for other := range english {
							if strings.HasPrefix(other, id) {
								used[other], found = true, true
							}
						}
						if !found {
							t.Errorf("%s:%d: no message begins with %q", path, i+1, id)
						}
						continue
					}
					used[id] = true
					if english[id] == nil {
						t.Errorf("%s:%d: there is no message %q", path, i+1, id)
					}
				}
			}
			return nil
		}))
	}
	for id := range english {
		if !used[id] {
			t.Errorf("%s: no template, script or Go file uses it", id)
		}
	}
}

func TestLanguageFilesAreRead(t *testing.T) {
	l := testBook(t)
	for _, lang := range Languages() {
		assert.NotEmpty(t, l.Messages[lang.Tag], lang.Name)
	}
	assert.Equal(t, "Skip to content", l.Translator("en").T("shell.skip"))
	assert.Equal(t, "Ir al contenido", l.Translator("es").T("shell.skip"))
	assert.Equal(t, "跳到正文", l.Translator("zh-Hans").T("shell.skip"))
	assert.Equal(t, "Skip to content", l.Translator("tlh").T("shell.skip"), "an unknown language is English")
	assert.Equal(t, "[shell.nothing]", l.Translator("es").T("shell.nothing"))
}
