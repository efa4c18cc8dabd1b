package chart

import (
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func draw(t *testing.T, f Figure) string {
	t.Helper()
	var b strings.Builder
	require.NoError(t, f.WriteSVG(&b))
	d := xml.NewDecoder(strings.NewReader(b.String()))
	for {
		_, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err, b.String())
	}
	assert.NotContains(t, b.String(), "NaN")
	assert.NotContains(t, b.String(), "Inf")
	return b.String()
}

func TestFigureSaysWhatItIs(t *testing.T) {
	svg := draw(t, Figure{Title: "a <b> & c", Desc: "what it shows", Notes: []string{"mean -3.1 dB"}, Panels: []Panel{{
		XLabel: "time / s", YLabel: "current / A",
		Lines: []Line{{Name: "capture", X: []float64{0, 0.001, 0.002}, Y: []float64{1e-6, 3e-6, 2e-6}}},
		Marks: []Mark{{X: 0.001, Y: 3e-6, Text: "peak"}},
		Rules: []Rule{{At: 2e-6, Text: "mean"}},
	}}})
	for _, want := range []string{`role="img"`, "<title id=\"title\">a &lt;b&gt; &amp; c</title>", `<desc id="desc">what it shows</desc>`, "current / µA", "time / ms", ">peak<", ">mean<", "mean −3.1 dB", ">capture<"} {
		assert.Contains(t, svg, want)
	}
}

// Special inputs: nothing, one point, a constant, what is not finite, huge.
func TestFigureSpecialInputs(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, p := range map[string]Panel{
		"nothing":    {},
		"one point":  {Lines: []Line{{X: []float64{1}, Y: []float64{2}}}},
		"zero":       {Zero: true, Bars: []Bar{{0, 1, 0}}},
		"constant":   {Lines: []Line{{X: []float64{1, 2, 3}, Y: []float64{5, 5, 5}}}},
		"not finite": {Lines: []Line{{X: []float64{nan, 1, 2, inf}, Y: []float64{1, nan, 3, 4}}}, Marks: []Mark{{nan, 1, "x"}}, Rules: []Rule{{At: inf, Text: "y"}}, Bars: []Bar{{0, inf, 1}}},
		"huge":       {Lines: []Line{{X: []float64{0, 1}, Y: []float64{-1e308, 1e308}}}},
		"tiny":       {Lines: []Line{{X: []float64{0, 1e-300}, Y: []float64{0, 5e-324}}}},
		"uneven":     {Lines: []Line{{X: []float64{0, 1, 2}, Y: []float64{1}}}},
	} {
		t.Run(name, func(t *testing.T) { draw(t, Figure{Title: "x", Panels: []Panel{p}}) })
	}
}

// An envelope holds every extreme of what it thins.
func TestEnvelope(t *testing.T) {
	values := make([]float64, 10007)
	for i := range values {
		values[i] = math.Sin(float64(i))
	}
	values[3333], values[7777] = 9, -9
	l := Envelope(2, 0.5, values, 100)
	assert.Len(t, l.X, 100)
	high, low := math.Inf(-1), math.Inf(1)
	for i := range l.Y {
		high, low = max(high, l.Y[i]), min(low, l.Low[i])
	}
	assert.Equal(t, [2]float64{9, -9}, [2]float64{high, low})
	assert.Equal(t, 2.0, l.X[0])
	short := Envelope(0, 1, values[:50], 100)
	assert.Nil(t, short.Low)
	assert.Equal(t, values[:50], short.Y)
}

// Words do not lie on each other.
func TestWordsKeepApart(t *testing.T) {
	p := Panel{Lines: []Line{{X: []float64{0, 10}, Y: []float64{0, 10}}}}
	for range 6 {
		p.Marks = append(p.Marks, Mark{X: 5, Y: 5, Text: "the same place"})
	}
	svg := draw(t, Figure{Title: "x", Panels: []Panel{p}})
	places := map[string]bool{}
	for line := range strings.Lines(svg) {
		if strings.Contains(line, ">the same place<") {
			places[line] = true
		}
	}
	assert.Len(t, places, 6)
}
