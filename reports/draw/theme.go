package draw

import (
	_ "embed"
	"regexp"
	"strings"
	"sync"
)

// Tokens is the theme: colours of light and dark, of more contrast and of those
// the system forces, and type and space, as CSS. Nothing else names a colour.
//
//go:embed theme/tokens.css
var Tokens string

// Paper is the theme on paper: the same colours, to stand after the [Tokens] and
// within @media print, or without it for what is paper on a screen too.
//
//go:embed theme/paper.css
var Paper string

// Style is the style sheet of figures, which wants the [Tokens].
//
//go:embed theme/plot.css
var Style string

// Shapes are the templates "shapes", the signs of states to stand once in a page,
// and "shape", which shows one by its name: pass, fail, doubt, error, aborted,
// repair, none, running, mark.
//
//go:embed theme/shapes.html
var Shapes string

// pattern makes a pattern when it is first needed: most commands draw nothing.
func pattern(p string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(p) })
}

var (
	comment    = pattern(`(?s)/\*.*?\*/`)
	assignment = pattern(`--([a-z0-9-]+): ([^;]+);`)
	variable   = pattern(`var\(--([a-z0-9-]+)\)`)
)

// ThemeOf lists the tokens of the block of a style sheet that follows a head:
// ":root {" of [Tokens] are those of light.
func ThemeOf(css, head string) map[string]string {
	_, rest, _ := strings.Cut(comment().ReplaceAllString(css, ""), head)
	block, _, _ := strings.Cut(rest, "}")
	out := map[string]string{}
	for _, m := range assignment().FindAllStringSubmatch(block, -1) {
		out[m[1]] = m[2]
	}
	return out
}

// fileStyle is the style of a file of its own: rules with the colours in place
// of the tokens, which many programs that show SVG do not know. The dark ones
// are rules of their own.
var fileStyle = sync.OnceValue(func() string {
	rules := strings.Split(comment().ReplaceAllString(Style, ""), "\n")
	var light, dark strings.Builder
	for _, to := range []struct {
		b     *strings.Builder
		theme map[string]string
		all   bool
	}{{&light, ThemeOf(Tokens, ":root {"), true}, {&dark, ThemeOf(Tokens, `:root[data-theme="dark"] {`), false}} {
		for _, rule := range rules {
			if to.all || strings.Contains(rule, "(--") && !strings.Contains(rule, "--sans") {
				colour := func(v string) string { return to.theme[v[len("var(--"):len(v)-1]] }
				to.b.WriteString(variable().ReplaceAllStringFunc(rule, colour))
			}
		}
	}
	return light.String() + "@media screen and (prefers-color-scheme: dark) {" + dark.String() +
		"}@media print { .plot .paper { fill: #fff; } }"
})
