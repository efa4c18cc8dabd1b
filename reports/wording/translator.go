package wording

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nicksnyder/go-i18n/v2/i18n"
	"github.com/nicksnyder/go-i18n/v2/i18n/template"
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
