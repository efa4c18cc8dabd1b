package wording

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
)

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
