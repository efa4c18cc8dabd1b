package shell

import (
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/wording"
	"fullthrow/scripts"
)

func stockFile(t *testing.T, name string) []byte {
	t.Helper()
	folder, ok := scripts.Product("kittiwake-k8")
	require.True(t, ok)
	data, err := fs.ReadFile(folder, name)
	require.NoError(t, err)
	return data
}

func stockDrawing(t *testing.T) *Drawing {
	t.Helper()
	d, err := ParseDrawing("drawing.svg", stockFile(t, "drawing.svg"))
	require.NoError(t, err)
	return d
}

// texts finds the values of some keys anywhere in a TOML document.
func textsUnder(v any, keys ...string) (out []string) {
	switch v := v.(type) {
	case map[string]any:
		for k, x := range v {
			if s, ok := x.(string); ok && slices.Contains(keys, k) {
				out = append(out, s)
			}
			out = append(out, textsUnder(x, keys...)...)
		}
	case []any:
		for _, x := range v {
			out = append(out, textsUnder(x, keys...)...)
		}
	}
	return out
}

func tomlFile(t *testing.T, name string) map[string]any {
	t.Helper()
	var doc map[string]any
	require.NoError(t, toml.Unmarshal(stockFile(t, name), &doc))
	return doc
}

func planTexts(t *testing.T, pattern string) (out []string) {
	t.Helper()
	for _, m := range regexp.MustCompile(pattern).FindAllStringSubmatch(string(stockFile(t, "plan.lua")), -1) {
		out = append(out, m[1])
	}
	require.NotEmpty(t, out, pattern)
	return out
}

// The drawing has every part that the plan, the limits and the causes name, and
// no other.
func TestDrawingHasEveryPart(t *testing.T) {
	named := append(planTexts(t, `part = "([^"]+)"`), textsUnder(tomlFile(t, "causes.toml"), "part")...)
	named = append(named, textsUnder(tomlFile(t, "limits.toml"), "part")...)
	slices.Sort(named)
	named = slices.Compact(named)
	var has []string
	for _, p := range stockDrawing(t).Parts() {
		has = append(has, p.Name)
		assert.NotEmpty(t, p.Title, p.Name)
	}
	slices.Sort(has)
	assert.Equal(t, named, has)
}

// Each of the gimbals' directions can be shown.
func TestDrawingHasEveryAxis(t *testing.T) {
	svg := string(stockFile(t, "drawing.svg"))
	for _, axis := range []string{"left_x", "left_y", "right_x", "right_y"} {
		assert.Contains(t, svg, `id="axis-`+axis+`"`)
	}
}

// Every sentence of the stock product stands in every language.
func TestStockTextsAreComplete(t *testing.T) {
	causes, limits := tomlFile(t, "causes.toml"), tomlFile(t, "limits.toml")
	sentences := append(planTexts(t, `check\("([a-z]+)"`), planTexts(t, `about = "([^"]+)"`)...)
	sentences = append(sentences, textsUnder(causes, "words", "cause", "inspect")...)
	sentences = append(sentences, textsUnder(limits, "why", "cause", "inspect", "cause_above", "inspect_above", "cause_below", "inspect_below")...)
	sentences = append(sentences, stockDrawing(t).Titles()...)
	require.Greater(t, len(sentences), 150)
	for _, lang := range wording.Languages()[1:] {
		texts, err := wording.ParseTexts(wording.TextsFile(lang.Tag), stockFile(t, wording.TextsFile(lang.Tag)))
		require.NoError(t, err)
		for _, s := range texts.Missing(sentences) {
			t.Errorf("%s: no translation of %q", wording.TextsFile(lang.Tag), s)
		}
		for english, translation := range texts {
			if !slices.Contains(sentences, english) {
				t.Errorf("%s: %q stands nowhere in the plan, its limits, causes or drawing", wording.TextsFile(lang.Tag), english)
			}
			if english == translation && regexp.MustCompile(`\p{L}{2}`).MatchString(english) {
				t.Errorf("%s: %q is still English", wording.TextsFile(lang.Tag), english)
			}
			if lang.Tag == "zh-Hans" {
				assert.Regexp(t, `\p{Han}`, translation)
			}
			// Figures stay what they are; only their writing may differ.
			figures := regexp.MustCompile(`[0-9]+(?:[.,][0-9]+)?`)
			same := func(s string) []string {
				out := figures.FindAllString(strings.ReplaceAll(s, ",", "."), -1)
				slices.Sort(out)
				return out
			}
			for _, f := range same(translation) {
				if !slices.Contains(same(english), f) && len(f) > 1 {
					t.Errorf("%s: %q: the figure %s is not in the English", wording.TextsFile(lang.Tag), translation, f)
				}
			}
		}
	}
}

func TestTexts(t *testing.T) {
	texts, err := wording.ParseTexts("t.toml", []byte("# x\n\"left stick\" = \"palanca <izquierda>\"\n\"Is heard\" = 'Se oye'\n"))
	require.NoError(t, err)
	assert.Equal(t, "Se oye", texts.T("Is heard"))
	assert.Equal(t, "Palanca <izquierda>", texts.T("Left stick"))
	assert.Equal(t, "other", texts.T("other"))
	assert.Equal(t, "", texts.T(""))
	assert.Equal(t, "x", wording.Texts(nil).T("x"))
	assert.Equal(t, []string{"a", "b"}, texts.Missing([]string{"a", "Is heard", "", "b", "a", "Left stick"}))
	for text, want := range map[string]string{
		"\"a\" = \"b\"\n\"c\" = 3\n":      "t.toml:2: ",
		"\"a\" = \"b\"\n\n\"c\" = \"\"\n": `t.toml:3: the translation of "c" is empty`,
		"\"a\" = \"b\"\n\"a\" = \"c\"\n":  "t.toml:",
		"x\n":                             "t.toml:1: ",
		"[a]\nb = \"c\"":                  "t.toml:1: ",
	} {
		_, err := wording.ParseTexts("t.toml", []byte(text))
		assert.ErrorContains(t, err, want, text)
	}
}

func TestDrawingInAPage(t *testing.T) {
	d := stockDrawing(t)
	texts, err := wording.ParseTexts("t", []byte(`"Antenna" = "Antena <b>"`))
	require.NoError(t, err)
	svg := string(d.HTML(texts))
	assert.Contains(t, svg, `<title>Antena &lt;b&gt;</title>`)
	assert.Contains(t, svg, `<title>Sounder</title>`)
	p, ok := d.Part("left-stick")
	assert.True(t, ok)
	assert.Equal(t, Part{"left-stick", "Left stick", 240, 240, "left"}, p)
	_, ok = d.Part("wing")
	assert.False(t, ok)
	again, err := ParseDrawing("again", []byte(svg))
	require.NoError(t, err, "what was written can be read")
	assert.Equal(t, len(d.Parts()), len(again.Parts()))
}

func TestHostileDrawingsAreRefused(t *testing.T) {
	in := func(s string) string {
		return "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 9 9\">\n" + s + "</svg>"
	}
	for text, want := range map[string]string{
		"":                                    "d:1: there is no drawing",
		"<html></html>":                       "may not hold <html>",
		"<g></g>":                             "begins with <svg>",
		"<svg></svg>":                         "viewBox",
		in("<script>alert(1)</script>"):       "d:2: a drawing may not hold <script>",
		in("<style>*{}</style>"):              "<style>",
		in(`<foreignObject></foreignObject>`): "<foreignObject>",
		in(`<a href="x"></a>`):                "<a>",
		in(`<path onclick="x()"/>`):           "attribute onclick",
		in(`<path style="fill:red"/>`):        "attribute style",
		in(`<use href="http://x/#a"/>`):       "nothing outside itself",
		in(`<use xmlns:xlink="http://www.w3.org/1999/xlink" xlink:href="#a"/>`): "attribute href",
		in(`<path fill="URL(http://x)"/>`):                                      "url(",
		in(`<g id="part-a"></g>`):                                               "is \"\", not a number",
		in(`<g id="part-a" data-x="1" data-y="1" data-side="up"></g>`):          `data-side is "up"`,
		in(`<g id="part-a" data-x="99" data-y="1" data-side="top"></g>`):        "outside the drawing",
		in(`<g id="part-a" data-x="1" data-y="1" data-side="top"></g>`):         "has no <title>",
		in(`<g id="a"/><g id="a"/>`):                                            "twice",
		in("<g>"):                                                               "d:2: ",
		in("&x;"):                                                               "d:2: ",
	} {
		_, err := ParseDrawing("d", []byte(text))
		assert.ErrorContains(t, err, want, text)
	}
}
