package shell

import (
	"io/fs"
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func styleText(t *testing.T, name string) string {
	t.Helper()
	data, err := []byte(drawnSheets[name]), error(nil)
	if len(data) == 0 {
		data, err = fs.ReadFile(styleFiles, "styles/"+name)
	}
	require.NoError(t, err)
	return regexp.MustCompile(`(?s)/\*.*?\*/`).ReplaceAllString(string(data), "")
}

// tokensAfter reads the tokens of the block that follows some text.
func tokensAfter(t *testing.T, css, head string) map[string]string {
	t.Helper()
	_, rest, ok := strings.Cut(css, head)
	require.True(t, ok, head)
	block, _, _ := strings.Cut(rest, "}")
	out := map[string]string{}
	for _, m := range regexp.MustCompile(`--([a-z0-9-]+): ([^;]+);`).FindAllStringSubmatch(block, -1) {
		out[m[1]] = m[2]
	}
	require.NotEmpty(t, out, head)
	return out
}

func themes(t *testing.T) map[string]map[string]string {
	css := styleText(t, "tokens.css")
	return map[string]map[string]string{
		"light": tokensAfter(t, css, ":root {"),
		"dark":  tokensAfter(t, css, `:root[data-theme="dark"] {`),
		"paper": tokensAfter(t, styleText(t, "paper.css"), `:root:not([data-theme="light"]) {`),
	}
}

// rgb is a colour in linear light.
type rgb [3]float64

func colour(t *testing.T, s string) rgb {
	t.Helper()
	require.Regexp(t, `^#[0-9a-f]{6}$`, s)
	var c rgb
	for i := range c {
		v, err := strconv.ParseUint(s[1+2*i:3+2*i], 16, 8)
		require.NoError(t, err)
		x := float64(v) / 255
		if x <= 0.04045 {
			c[i] = x / 12.92
		} else {
			c[i] = math.Pow((x+0.055)/1.055, 2.4)
		}
	}
	return c
}

func (c rgb) luminance() float64 { return 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2] }

// contrast by WCAG 2.2: (L1 + 0.05) / (L2 + 0.05).
func contrast(a, b rgb) float64 {
	x, y := a.luminance(), b.luminance()
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func TestContrastOfBlackAndWhite(t *testing.T) {
	assert.InDelta(t, 21, contrast(colour(t, "#000000"), colour(t, "#ffffff")), 1e-9, "WCAG 2.2: the largest there is")
	assert.InDelta(t, 4.54, contrast(colour(t, "#767676"), colour(t, "#ffffff")), 0.01, "the lightest grey for text on white, common knowledge")
}

// Every pair of colours in use is contrast enough: 4.5 for text, 3 for lines,
// shapes and edges (WCAG 2.2, 1.4.3 and 1.4.11, level AA).
func TestContrast(t *testing.T) {
	text := [][2]string{
		{"ink", "paper"}, {"ink", "wash"}, {"ink", "raise"}, {"soft", "paper"}, {"soft", "wash"}, {"soft", "raise"},
		{"link", "paper"}, {"link", "wash"}, {"paper", "ink"}, {"on", "pass"}, {"ink", "band"}, {"ink", "lit"}, {"ink", "faint"},
		{"on", "fail"}, {"on", "error"}, {"on", "doubt"}, {"on", "aborted"},
	}
	for _, state := range []string{"pass", "fail", "doubt", "error", "aborted", "none"} {
		text = append(text, [2]string{state, "paper"}, [2]string{state, "wash"}, [2]string{state, "raise"})
	}
	for _, state := range []string{"pass", "fail", "doubt", "error"} {
		text = append(text, [2]string{state, state + "-wash"}, [2]string{"ink", state + "-wash"}, [2]string{"soft", state + "-wash"})
	}
	shapes := [][2]string{{"edge", "paper"}, {"edge", "wash"}, {"edge", "raise"}, {"ink", "lit"}, {"l0", "band"}, {"fail", "fail-wash"}, {"pass", "raise"}, {"fail", "raise"}, {"error", "raise"}}
	for _, s := range []string{"l0", "l1", "l2", "l3", "l4", "l5"} {
		shapes = append(shapes, [2]string{s, "paper"}, [2]string{s, "wash"})
	}
	for name, theme := range themes(t) {
		for _, p := range text {
			if got := contrast(colour(t, theme[p[0]]), colour(t, theme[p[1]])); got < 4.5 {
				t.Errorf("%s: text %s on %s has contrast %.2f, want 4.5", name, p[0], p[1], got)
			}
		}
		for _, p := range shapes {
			if got := contrast(colour(t, theme[p[0]]), colour(t, theme[p[1]])); got < 3 {
				t.Errorf("%s: %s on %s has contrast %.2f, want 3", name, p[0], p[1], got)
			}
		}
	}
}

// lab is CIE L*a*b* for the white of sRGB (D65).
func (c rgb) lab() [3]float64 {
	x := (0.4124*c[0] + 0.3576*c[1] + 0.1805*c[2]) / 0.9505
	y := 0.2126*c[0] + 0.7152*c[1] + 0.0722*c[2]
	z := (0.0193*c[0] + 0.1192*c[1] + 0.9505*c[2]) / 1.0890
	f := func(v float64) float64 {
		if v > 216.0/24389 {
			return math.Cbrt(v)
		}
		return (24389.0/27*v + 16) / 116
	}
	return [3]float64{116*f(y) - 16, 500 * (f(x) - f(y)), 200 * (f(y) - f(z))}
}

// distance of two colours by CIE 1976.
func distance(a, b rgb) float64 {
	x, y := a.lab(), b.lab()
	return math.Sqrt((x[0]-y[0])*(x[0]-y[0]) + (x[1]-y[1])*(x[1]-y[1]) + (x[2]-y[2])*(x[2]-y[2]))
}

// eyes are how people see colours, as matrices in linear light: Machado,
// Oliveira and Fernandes 2009, severity 1; from memory.
var eyes = map[string][3]rgb{
	"usual":        {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
	"protanopia":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranopia": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanopia":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
}

func seen(eye [3]rgb, c rgb) (out rgb) {
	for i, row := range eye {
		out[i] = min(max(row[0]*c[0]+row[1]*c[1]+row[2]*c[2], 0), 1)
	}
	return out
}

// White stays white to every eye; else the matrices are mistyped.
func TestEyesKeepWhite(t *testing.T) {
	for name, eye := range eyes {
		for i, row := range eye {
			assert.InDelta(t, 1, row[0]+row[1]+row[2], 2e-5, "%s %d", name, i)
		}
	}
}

// Colours of states keep apart for people who see colours differently; shapes
// tell them apart as well.
func TestColoursKeepApart(t *testing.T) {
	for name, theme := range themes(t) {
		for eye, m := range eyes {
			for _, set := range []struct {
				names []string
				least float64
			}{
				{[]string{"pass", "fail", "doubt", "error"}, 17},
				{[]string{"pass", "fail"}, 60},
				{[]string{"l0", "l1", "l2"}, 20},
			} {
				for i, a := range set.names {
					for _, b := range set.names[:i] {
						if d := distance(seen(m, colour(t, theme[a])), seen(m, colour(t, theme[b]))); d < set.least {
							t.Errorf("%s: %s and %s are only %.1f apart with %s, want %.0f", name, a, b, d, eye, set.least)
						}
					}
				}
			}
		}
	}
}

// The dark colours stand twice in tokens.css, and those of light again in
// print.css: each time all of them, and the same.
func TestThemesAgree(t *testing.T) {
	css := styleText(t, "tokens.css")
	chosen, system := tokensAfter(t, css, `:root[data-theme="dark"] {`), tokensAfter(t, css, `:root:not([data-theme="light"]) {`)
	assert.Equal(t, chosen, system)
	all := themes(t)
	for name, theme := range all {
		for token := range all["light"] {
			if !slices.Contains([]string{"sans", "round"}, token) && !strings.HasPrefix(token, "s") || token == "soft" {
				assert.Contains(t, theme, token, name)
			}
		}
	}
	forced := tokensAfter(t, css, `:root, :root[data-theme="dark"], :root:not([data-theme="light"]) {`)
	for token := range chosen {
		assert.Contains(t, forced, token, "forced colours")
	}
}

// No style sheet but the tokens names a colour, every token exists and is used,
// and nothing is loaded from elsewhere.
func TestStylesUseTokens(t *testing.T) {
	entries, err := fs.ReadDir(styleFiles, "styles")
	require.NoError(t, err)
	tokens := tokensAfter(t, styleText(t, "tokens.css"), ":root {")
	local := []string{"c", "tint", "s", "part", "fill", "good", "bad", "unknown", "waves"} // set and used within one sheet
	used := map[string]bool{}
	names := slices.Collect(maps.Keys(drawnSheets))
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), ".css") {
			names = append(names, e.Name())
		}
	}
	for _, name := range names {
		css := styleText(t, name)
		if name != "tokens.css" && name != "print.css" && name != "paper.css" {
			assert.NotRegexp(t, `#[0-9a-fA-F]{3,8}\b|rgba?\(|hsla?\(|[: ](white|black|red|grey|gray)[;} ]`, css, name)
		}
		assert.NotRegexp(t, `@import|https?:|url\((?:"|')?[^#"']`, css, name)
		assert.Equal(t, strings.Count(css, "{"), strings.Count(css, "}"), name)
		for _, m := range regexp.MustCompile(`var\(--([a-z0-9-]+)`).FindAllStringSubmatch(css, -1) {
			used[m[1]] = true
			if tokens[m[1]] == "" && !slices.Contains(local, m[1]) {
				t.Errorf("%s: there is no token --%s", name, m[1])
			}
		}
	}
	for _, token := range slices.Sorted(maps.Keys(tokens)) {
		if !used[token] && token != "s7" {
			t.Errorf("token --%s is not used", token)
		}
	}
	for _, media := range []string{"prefers-color-scheme: dark", "prefers-contrast: more", "forced-colors: active"} {
		assert.Contains(t, styleText(t, "tokens.css"), media)
	}
	assert.Contains(t, styleText(t, "handset.css"), "prefers-reduced-motion: reduce")
	assert.Contains(t, styleText(t, "print.css"), "@page")
}
