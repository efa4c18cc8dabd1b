package wording

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"github.com/nicksnyder/go-i18n/v2/i18n/template"
	"github.com/pelletier/go-toml/v2"
)

// Translator writes words, numbers and times in one language.
type Translator struct {
	Lang string

	localizer *i18n.Localizer
	location  *time.Location
	space     string // before a unit, where no line breaks
	minus     string
	decimal   string // between whole and fraction
	group     string // between thousands
	percent   string // between number and %
	comma     string // between a day and the time of day
	join      string // between sentences
}

func newTranslator(b *Book, l Language) *Translator {
	return &Translator{
		Lang: l.Tag, localizer: i18n.NewLocalizer(b.bundle, l.Tag), location: b.location, space: nbsp, minus: minus,
		decimal: l.decimal, group: "\u202f", percent: l.percent, comma: l.comma, join: l.join,
	}
}

// Words is the translator itself, so that it serves where a page does.
func (t *Translator) Words() *Translator { return t }

// Location is where times are shown as they are.
func (t *Translator) Location() *time.Location { return t.location }

// T is the message of an id, with values for its places given as name, value,
// name, value: T("operator.units", "count", 3). Numbers are written in the
// language's manner. The value named count chooses the plural form. A place
// without a value stays as it is; an id that is not known is shown between
// brackets, since a page with a missing word is better than no page.
func (t *Translator) T(id string, args ...any) string {
	config := i18n.LocalizeConfig{MessageID: id, TemplateParser: template.IdentityParser{}}
	values := map[string]string{}
	for i := 0; i+1 < len(args); i += 2 {
		name := fmt.Sprint(args[i])
		values[name] = t.show(args[i+1])
		if name == "count" {
			config.PluralCount = plural(args[i+1])
		}
	}
	text, err := t.localizer.Localize(&config)
	if text == "" && err != nil {
		return "[" + id + "]"
	}
	return fill(text, values)
}

// Has reports whether there is a message of that id.
func (t *Translator) Has(id string) bool {
	text, err := t.localizer.Localize(&i18n.LocalizeConfig{MessageID: id, TemplateParser: template.IdentityParser{}})
	return text != "" || err == nil
}

// plural is a count as plural rules take it.
func plural(v any) any {
	switch n := v.(type) {
	case float64:
		return strconv.FormatFloat(n, 'f', -1, 64)
	case int, int8, int16, int32, int64:
		return n
	case uint:
		return int64(n)
	}
	return nil
}

func (t *Translator) show(v any) string {
	switch n := v.(type) {
	case int:
		return t.Number(float64(n))
	case int64:
		return t.Number(float64(n))
	case uint:
		return t.Number(float64(n))
	case float64:
		return t.Number(n)
	case time.Time:
		return t.When(n)
	case time.Duration:
		return t.Duration(n)
	}
	return fmt.Sprint(v)
}

var place = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`\{([a-z_]+)\}`) })

// fill puts values into the places of a message; a value is never read for
// places itself.
func fill(text string, values map[string]string) string {
	if !strings.Contains(text, "{") {
		return text
	}
	return place().ReplaceAllStringFunc(text, func(p string) string {
		if v, ok := values[p[1:len(p)-1]]; ok {
			return v
		}
		return p
	})
}

// Count writes a number of things: "1 nest", "2 nests".
func Count(n int, thing string) string {
	if n == 1 {
		return fmt.Sprintf("%d %s", n, thing)
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

func Prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

// Wrap breaks lines longer than width at blanks, the rest indented a little
// more than the line itself. Style codes have no width. A word longer than a
// line (a path) is left whole.
func Wrap(text string, width int) string {
	var b strings.Builder
	for line := range strings.Lines(text) {
		body := strings.TrimLeft(line, " ")
		indent := strings.Repeat(" ", min(len(line)-len(body)+4, width/2))
		b.WriteString(line[:len(line)-len(body)])
		column := len(line) - len(body)
		for i, word := range strings.SplitAfter(body, " ") {
			n := Columns(strings.TrimRight(word, " \n"))
			if i > 0 && column+n > width && n > 0 {
				b.WriteString("\n" + indent)
				column = len(indent)
			}
			b.WriteString(word)
			column += Columns(strings.TrimRight(word, "\n"))
		}
	}
	return b.String()
}

// Columns is how many columns text takes.
func Columns(text string) int {
	n, code := 0, false
	for _, r := range text {
		switch {
		case r == '\x1b':
			code = true
		case code:
			code = r != 'm'
		default:
			n++
		}
	}
	return n
}

// Texts are a product's own sentences in one language: what a check is about,
// causes, what to look at, questions to the operator. They stand beside the
// plan in texts.<language>.toml, each under its English sentence:
//
//	"Is heard near and far" = "Se oye de cerca y de lejos"
//
// so that a plan stays readable by itself, and a sentence that changes falls
// back to English instead of keeping a translation that is no longer true. The
// nil Texts give every sentence back as it is.
type Texts map[string]string

// TextsFile is the name of a product's texts in a language; English has none.
func TextsFile(lang string) string { return "texts." + lang + ".toml" }

// ParseTexts reads a product's texts. name is what the error calls the file; it
// is FILE:LINE: and what is wrong.
func ParseTexts(name string, data []byte) (Texts, error) {
	texts := Texts{}
	if err := toml.Unmarshal(data, (*map[string]string)(&texts)); err != nil {
		var at *toml.DecodeError
		if errors.As(err, &at) {
			line, _ := at.Position()
			return nil, fmt.Errorf("%s:%d: %s", name, line, strings.TrimPrefix(at.Error(), "toml: "))
		}
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	for sentence, translation := range texts {
		if strings.TrimSpace(translation) == "" {
			return nil, fmt.Errorf("%s:%d: the translation of %q is empty", name, lineOf(data, sentence), sentence)
		}
	}
	return texts, nil
}

// lineOf finds the line of a key; 1 if it is written in a way of its own.
func lineOf(data []byte, key string) int {
	for i, line := range strings.Split(string(data), "\n") {
		if strings.HasPrefix(strings.TrimLeft(line, "\"' \t"), key) {
			return i + 1
		}
	}
	return 1
}

// T is the translation of a sentence, or the sentence itself where there is
// none. A sentence whose first letter only differs in size is found too.
func (t Texts) T(sentence string) string {
	if s, ok := t[sentence]; ok {
		return s
	}
	first, size := utf8.DecodeRuneInString(sentence)
	if size == 0 {
		return sentence
	}
	if s, ok := t[string(unicode.ToLower(first))+sentence[size:]]; ok && unicode.IsUpper(first) {
		return Capital(s)
	}
	return sentence
}

// Capital begins a sentence with a capital letter, where there are such.
func Capital(s string) string {
	first, size := utf8.DecodeRuneInString(s)
	if first == utf8.RuneError {
		return s
	}
	return string(unicode.ToUpper(first)) + s[size:]
}

// Missing lists those of some sentences that have no translation, each once, in
// their order; empty sentences need none.
func (t Texts) Missing(sentences []string) []string {
	var out []string
	seen := map[string]bool{"": true}
	for _, s := range sentences {
		if seen[s] {
			continue
		}
		seen[s] = true
		if _, ok := t[s]; !ok && t.T(s) == s {
			out = append(out, s)
		}
	}
	return out
}
