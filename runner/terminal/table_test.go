package terminal

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
)

func TestIntervalBar(t *testing.T) {
	for _, c := range []struct {
		name             string
		low, value, high float64
		mark             float64
		want             string
	}{
		{"wide", 0.2, 0.5, 0.8, math.NaN(), "  ├──●──┤ "},
		{"narrow", 0.51, 0.52, 0.53, math.NaN(), "     ●    "},
		{"at the end", 0.9, 1, 1, math.NaN(), "         ●"},
		{"mark inside", 0.2, 0.5, 0.8, 0.35, "  ├┼─●──┤ "},
		{"mark outside", 0.5, 0.7, 0.9, 0.1, " ╎   ├─●─┤"},
		{"not known", 0, math.NaN(), 1, 0.5, "     ╎    "},
		{"beyond the scale", -3, 0.5, 7, math.NaN(), "├────●───┤"},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, c.want, draw.Cells{Low: 0, High: 1, Cells: 10, Mark: c.mark}.Interval(c.low, c.value, c.high))
		})
	}
}

func TestBarShowsWhatIsThere(t *testing.T) {
	assert.Equal(t, "", draw.TextBar(0, 10))
	assert.Equal(t, "", draw.TextBar(math.NaN(), 10))
	assert.Equal(t, "▌", draw.TextBar(1e-9, 10))
	assert.Equal(t, "█████", draw.TextBar(0.5, 10))
	assert.Equal(t, "██████████", draw.TextBar(7, 10))
}

func TestFolded(t *testing.T) {
	for _, c := range []struct {
		name, text, want string
		width            int
	}{
		{"fits", "one two", "one two", 7},
		{"breaks", "one two three", "one two|three", 7},
		{"a unit stays with its number", "took up to 48.5 s and", "took up to|48.5 s and", 15},
		{"a long word stays whole", "at /a/very/long/path now", "at|/a/very/long/path|now", 8},
		{"style has no width", "\x1b[1mone\x1b[0m two", "\x1b[1mone\x1b[0m two", 7},
		{"empty", "", "", 7},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, c.want, strings.Join(folded(c.text, c.width, ""), "|"))
		})
	}
}

func TestGridLeavesOutEmptyColumnsAndBreaksTheLast(t *testing.T) {
	var out strings.Builder
	g := Grid{Right: "lrr", Head: []string{"name", "n", "none", "text"}}
	g.Add("a", "5", "", "short")
	g.Title("a sentence above")
	g.Add("bb", "10", "", strings.Repeat("word ", 20))
	g.Show(&Screen{w: &out})
	want := "  name   n  text\n  a      5  short\n  a sentence above\n  bb    10  " + strings.TrimSpace(strings.Repeat("word ", 13)) +
		"\n            " + strings.TrimSpace(strings.Repeat("word ", 7)) + "\n"
	assert.Equal(t, want, out.String())
}

func TestPanelKeepsPointsFarOutsideAtItsEdge(t *testing.T) {
	var groups []yield.Subgroup
	for i, v := range []float64{1, 2, 1, 2, 1, 2, 1, 2, 1, 2, 500, 1, 2} {
		groups = append(groups, yield.Subgroup{Label: string(rune('a' + i)), Values: []float64{v}})
	}
	base := &yield.Baseline{Centre: 1.5, Sigma: 0.5}
	c, err := yield.NewChart(yield.ChartIndividuals, groups, yield.ChartOptions{Unit: "A", Baseline: base})
	require.NoError(t, err)
	var out strings.Builder
	DrawPanel(&Screen{w: &out}, "value", c.Panels[0], 9)
	text := out.String()
	assert.Equal(t, 1, strings.Count(text, "▲ "), text) // and in the words below
	assert.Contains(t, text, "▲ lies above the picture, up to 500 A.")
	for _, v := range []string{"upper 3 A │╌", "middle 1.5 A │─", "lower 0 A │╌"} {
		assert.Contains(t, text, v)
	}
	for line := range strings.Lines(text) {
		assert.LessOrEqual(t, wording.Columns(strings.TrimRight(line, "\n")), 80)
	}
	assert.Equal(t, 12, strings.Count(text, "•")+strings.Count(text, "◆"), text)
}

func TestHistogramOfValuesThatAreAlikeIsNothing(t *testing.T) {
	var out strings.Builder
	DrawHistogram(&Screen{w: &out}, []float64{3, 3, 3}, yield.Spec{}, "A")
	assert.Empty(t, out.String())
	limit := 9.0
	DrawHistogram(&Screen{w: &out}, []float64{1, 2, 2, 3, 3, 3, 4, 4, 5}, yield.Spec{Upper: &limit}, "A")
	assert.Contains(t, out.String(), "upper limit")
	sum := 0
	for line := range strings.Lines(out.String()) {
		if f := strings.Fields(line); len(f) > 2 && f[1] == "A" && strings.ContainsAny(line, "█▌") {
			sum += len(f[2]) // every count here has one digit
		}
	}
	assert.Equal(t, 5, sum, out.String())
}
