package draw_test

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/draw"
)

func file(t *testing.T, f draw.Figure) string {
	t.Helper()
	svg := string(f.File(draw.Plain{}))
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err, svg)
	}
	assert.NotContains(t, svg, "NaN")
	assert.NotContains(t, svg, "Inf")
	return svg
}

func TestFileSaysWhatItIs(t *testing.T) {
	svg := file(t, draw.Figure{Title: "a <b> & c", Desc: "what it shows", Notes: []string{"mean -3.1 dB"}, Panels: []draw.Panel{{
		X: draw.Named("time / s"), Y: draw.Named("current / A"),
		Lines:  []draw.Line{{Name: "capture", X: []float64{0, 0.001, 0.002}, Y: []float64{1e-6, 3e-6, 2e-6}}},
		Points: []draw.Point{{X: 0.001, Y: 3e-6, Text: "peak", Shape: "ring"}},
		Rules:  []draw.Rule{{At: 2e-6, Text: "mean"}, {At: 0.001, Vertical: true, Text: "here"}},
	}}})
	for _, want := range []string{`role="img"`, ">a &lt;b&gt; &amp; c</title>", ">what it shows</desc>", ">current / µA<", ">time / ms<",
		">peak<", ">mean<", ">here<", ">mean −3.1 dB<", ">capture<"} {
		assert.Contains(t, svg, want)
	}
}

// A file has the colours of the theme in it, light and dark, and no token: many
// programs that show SVG know none.
func TestFileHasTheTheme(t *testing.T) {
	svg := file(t, draw.Figure{Title: "x", Panels: []draw.Panel{{Lines: []draw.Line{{Y: []float64{1, 2}}}}}})
	assert.NotContains(t, svg, "var(")
	assert.NotContains(t, svg, "--")
	light, dark := draw.ThemeOf(draw.Tokens, ":root {"), draw.ThemeOf(draw.Tokens, `:root[data-theme="dark"] {`)
	for _, token := range []string{"l0", "paper", "ink", "fail"} {
		assert.Contains(t, svg, light[token], token)
		assert.Contains(t, svg, dark[token], token)
	}
	assert.NotContains(t, svg, ": ;")
}

// Special inputs: nothing, one point, a constant, what is not finite, huge.
func TestPanelSpecialInputs(t *testing.T) {
	line := func(points ...float64) []draw.Line {
		l := draw.Line{}
		l.Add(points...)
		return []draw.Line{l}
	}
	for name, p := range map[string]draw.Panel{
		"nothing":   {},
		"one point": {Lines: line(1, 2)},
		"zero":      {Y: draw.Axis{Zero: true}, Bars: []draw.Bar{{To: 1}}},
		"constant":  {Lines: line(1, 5, 2, 5, 3, 5)},
		"not finite": {Lines: line(nan, 1, 1, nan, 2, 3, inf, 4), Points: []draw.Point{{X: nan, Y: 1, Text: "x"}},
			Rules: []draw.Rule{{At: inf, Text: "y"}, {At: nan, Vertical: true, Text: "y"}}, Bars: []draw.Bar{{To: inf, Height: 1}}},
		"huge":        {Lines: line(0, -1e308, 1, 1e308)},
		"tiny":        {Lines: line(0, 0, 1e-300, 5e-324)},
		"uneven":      {Lines: []draw.Line{{X: []float64{0}, Y: []float64{1, 2}}}},
		"below a log": {X: draw.Axis{Log: true}, Lines: line(-1, 1, 0, 2, 1e-3, 3, 1e5, 4)},
		"only below":  {X: draw.Axis{Log: true}, Lines: line(-1, 1, 0, 2)},
		"long words":  {Rules: []draw.Rule{{Text: strings.Repeat("W", 500), Vertical: true}, {Text: strings.Repeat("W", 500)}}},
		"many uprights": {Lines: line(0, 0, 1, 1), Rules: func() (list []draw.Rule) {
			for i := range 40 {
				list = append(list, draw.Rule{At: float64(i%3) / 3, Vertical: true, Text: fmt.Sprint("here ", i)})
			}
			return
		}()},
	} {
		t.Run(name, func(t *testing.T) {
			texts, _ := inspect(t, regexp.MustCompile(`(?s)<style>.*?</style>`).ReplaceAllString(file(t, draw.Figure{Title: "x", Panels: []draw.Panel{p}}), ""))
			apart(t, texts)
		})
	}
}

func apart(t *testing.T, texts []textBox) {
	t.Helper()
	for i, a := range texts {
		for _, b := range texts[:i] {
			if a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 {
				t.Errorf("%q lies on %q", a.text, b.text)
			}
		}
	}
}

// A line of many points keeps every extreme, and no more than can be seen.
func TestLineKeepsExtremes(t *testing.T) {
	values := make([]float64, 200_007)
	for i := range values {
		values[i] = math.Sin(float64(i))
	}
	values[3333], values[177_777] = 9, -9
	svg := file(t, draw.Figure{Title: "x", Panels: []draw.Panel{{Lines: []draw.Line{{Step: 0.5, Y: values}}}}})
	assert.Less(t, len(svg), 150_000)
	d := regexp.MustCompile(`class="series s0" d="([^"]+)"`).FindStringSubmatch(svg)
	require.NotNil(t, d)
	low, high := inf, -inf
	for _, m := range regexp.MustCompile(`[MLV](?:[0-9.]+ )?([0-9.]+)`).FindAllStringSubmatch(d[1], -1) {
		var y float64
		_, err := fmt.Sscan(m[1], &y)
		require.NoError(t, err)
		low, high = min(low, y), max(high, y)
	}
	one := func(v float64) float64 { // where a value of the same axis lies
		other := make([]float64, 3)
		other[0], other[1], other[2] = 9, v, -9
		s := file(t, draw.Figure{Title: "x", Panels: []draw.Panel{{Lines: []draw.Line{{Step: 100_000, Y: other}}}}})
		var x, y float64
		_, err := fmt.Sscanf(strings.Split(regexp.MustCompile(`d="M[^"]*"`).FindString(s[strings.Index(s, `"series s0"`):]), "L")[1], "%g %g", &x, &y)
		require.NoError(t, err)
		return y
	}
	assert.InDelta(t, one(9), low, 0.11)
	assert.InDelta(t, one(-9), high, 0.11)
}

// Words do not lie on each other.
func TestWordsKeepApart(t *testing.T) {
	p := draw.Panel{Lines: []draw.Line{{X: []float64{0, 10}, Y: []float64{0, 10}}}}
	for range 6 {
		p.Points = append(p.Points, draw.Point{X: 5, Y: 5, Text: "the same place"})
	}
	svg := file(t, draw.Figure{Title: "x", Panels: []draw.Panel{p}})
	texts, _ := inspect(t, regexp.MustCompile(`(?s)<style>.*?</style>`).ReplaceAllString(svg, ""))
	apart(t, texts)
	assert.Equal(t, 6, strings.Count(svg, ">the same place<"))
}
