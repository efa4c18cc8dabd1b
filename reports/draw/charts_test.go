package draw_test

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
)

// drawer is any of the charts.
type drawer interface {
	Draw(w draw.Words) draw.Drawing
}

var nan, inf = math.NaN(), math.Inf(1)

func at(v float64) *float64 { return &v }

// hostile are the values that charts must bear, by name.
func hostile() map[string][]float64 {
	many, wild := make([]float64, 500), make([]float64, 30)
	for i := range many {
		many[i] = 50 + 3*math.Sin(float64(i)*1.7)
	}
	for i := range wild {
		wild[i] = math.Pow(-10, float64(i))
	}
	huge := make([]float64, 6000)
	for i := range huge {
		huge[i] = float64(i % 97)
	}
	return map[string][]float64{
		"none": nil, "one": {7}, "two": {1, 2}, "constant": {5, 5, 5}, "zeros": {0, 0}, "negative": {-3, -1, -8},
		"not finite": {nan, 1, inf, 2, -inf, nan}, "all not finite": {nan, inf}, "huge": {1e308, -1e308, 3}, "tiny": {5e-324, 0, 1e-300},
		"close": {1, 1 + 1e-15, 1}, "500": many, "wild": wild, "6000": huge,
	}
}

var labels = []string{"1", "a label that is far too long for any chart to show it as a whole, whatever is tried", "左摇杆：摇杆轴与电位器之间有间隙左摇杆：摇杆轴与电位器之间有间隙",
	`<script>alert("x")</script>`, "\x00\x07\ufffe\xff", "a\nb\tc", "", "\u202ertl", "𝔘𝔫𝔦", strings.Repeat("W", 3000), strings.Repeat("\xff", 300)}

// charts makes every chart of some values.
func charts(values []float64, label func(i int) string) map[string]drawer {
	marks := make([]draw.Mark, len(values))
	control := make([]draw.ControlPoint, len(values))
	hours := make([]draw.HoursBar, len(values))
	var bins []draw.Bin
	x := make([]float64, len(values))
	for i, v := range values {
		x[i] = float64(i) * 1e-3
		m := draw.Mark{Label: label(i), Value: v, Low: v - math.Abs(v)/3 - 0.1, High: v + math.Abs(v)/2 + 0.1, Href: fmt.Sprintf("/units?i=%d&x=<>\"", i)}
		marks[i] = m
		control[i] = draw.ControlPoint{Mark: m, Centre: 50, Lower: 47 - float64(i%7), Upper: 53 + float64(i%7)}
		if i%5 == 2 {
			control[i].Hits = []string{"1", "2", "7"}
		}
		hours[i] = draw.HoursBar{Mark: m, Lost: 1, Target: 60}
		bins = append(bins, draw.Bin{From: v, To: v + 1, Count: i % 9, Href: "/units"})
	}
	long := label(1)
	return map[string]drawer{
		"trend":        draw.Trend{Frame: draw.Frame{Title: long, Desc: long, Label: long, Unit: draw.Percent}, Points: marks, Target: at(0.95), TargetLabel: long},
		"trend narrow": draw.Trend{Frame: draw.Frame{Title: "t", Label: "l", Unit: "A", Width: 240}, Points: marks, Target: at(1e5)},
		"pareto":       draw.Pareto{Frame: draw.Frame{Title: long, Label: long}, Bars: marks, Total: 100},
		"pareto small": draw.Pareto{Frame: draw.Frame{Title: "p", Width: 320}, Bars: marks},
		"histogram":    draw.Histogram{Frame: draw.Frame{Title: long, Label: long, Unit: "s"}, Bins: bins, Lower: at(1e-6), Upper: at(12e-6), Mean: 5, SD: 2},
		"histogram of": draw.Histogram{Frame: draw.Frame{Title: "h", Unit: "1"}, Bins: draw.Bins(values, 20), Lower: at(nan), Upper: at(49), Mean: 50, SD: 2},
		"control":      draw.Control{Frame: draw.Frame{Title: long, Label: long, Unit: "V"}, Points: control},
		"comparison":   draw.Comparison{Frame: draw.Frame{Title: long, Label: long, Unit: draw.Percent}, Rows: marks, Matter: 0.1},
		"hours":        draw.Hours{Frame: draw.Frame{Title: long, Label: long}, Bars: hours, TargetLabel: long},
		"capture":      draw.Capture{Frame: draw.Frame{Title: long}, Plot: reports.Plot{XLabel: "time / s", YLabel: long + " / V", Series: []reports.Series{{Name: long, X: x, Y: values}, {Name: "b", X: x, Y: values, Low: x}, {Y: []float64{1}}}}, Beside: []reports.Series{{X: x, Y: values}}},
	}
}

func words(t *testing.T, lang string) draw.Words {
	t.Helper()
	l, err := wording.NewBook(time.UTC)
	require.NoError(t, err)
	return l.Translator(lang)
}

// textBox is a text of a drawing, measured by who reads it.
type textBox struct {
	text           string
	x0, x1, y0, y1 float64
}

// inspect reads a drawing as XML and returns its texts and marks.
func inspect(t *testing.T, svg string) (texts []textBox, marks int) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	var in []xml.StartElement
	titled := map[int]bool{}
	for {
		token, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err, "%.500s", svg)
		attr := func(e xml.StartElement, name string) string {
			for _, a := range e.Attr {
				if a.Name.Local == name {
					return a.Value
				}
			}
			return ""
		}
		switch e := token.(type) {
		case xml.StartElement:
			in = append(in, e.Copy())
			if e.Name.Local == "title" {
				titled[len(in)-1] = true
			}
			if e.Name.Local == "a" {
				marks++
				require.NotEmpty(t, attr(e, "href"))
				require.NotEmpty(t, attr(e, "aria-label"))
			}
			require.NotContains(t, []string{"script", "style", "foreignObject", "image"}, e.Name.Local)
			for _, a := range e.Attr {
				require.NotEqual(t, "style", a.Name.Local)
				require.False(t, strings.HasPrefix(a.Name.Local, "on"), a.Name.Local)
			}
		case xml.CharData:
			if len(in) > 0 && in[len(in)-1].Name.Local == "text" {
				var x, y float64
				s := string(e)
				_, err := fmt.Sscan(attr(in[len(in)-1], "x")+" "+attr(in[len(in)-1], "y"), &x, &y)
				require.NoError(t, err)
				wide := 0.0
				for _, r := range s {
					switch {
					case r >= 0x2E80:
						wide += 14
					case strings.ContainsRune(" il.,:;|!'’jt()[]\u00a0\u202f", r):
						wide += 4.4
					default:
						wide += 7.6 // of usual sans faces at 14 px
					}
				}
				switch attr(in[len(in)-1], "text-anchor") {
				case "middle":
					x -= wide / 2
				case "end":
					x -= wide
				}
				texts = append(texts, textBox{s, x, x + wide, y - 9, y + 1})
			}
		case xml.EndElement:
			if e.Name.Local == "a" {
				require.True(t, titled[len(in)], "a mark has no title")
			}
			delete(titled, len(in))
			in = in[:len(in)-1]
		}
	}
	return texts, marks
}

// Whatever it is given, a chart is well-formed, says no nonsense, and no text
// lies on another.
func TestChartsBearAnything(t *testing.T) {
	naming := map[string]func(i int) string{
		"short": func(i int) string { return fmt.Sprint(i + 1) },
		"awful": func(i int) string { return labels[i%len(labels)] },
	}
	for _, lang := range []string{"en", "zh-Hans"} {
		w := words(t, lang)
		for values, v := range hostile() {
			for names, label := range naming {
				if len(v) > 400 && (lang != "en" || names == "awful" && len(v) > 1000) || lang != "en" && names == "awful" {
					continue // what is many, or long in any language, is tried once
				}
				for kind, c := range charts(v, label) {
					name := strings.Join([]string{lang, kind, values, names}, "/")
					d := c.Draw(w)
					svg := string(d.SVG)
					require.NotRegexp(t, `NaN|Inf|[0-9]e[+-][0-9]`, regexp.MustCompile(`(?s)<(title|desc|text)[^>]*>.*?</(title|desc|text)>|aria-label="[^"]*"`).ReplaceAllString(svg, ""), name)
					require.NotContains(t, svg, "<script", name)
					texts, _ := inspect(t, svg)
					for i, a := range texts {
						for _, b := range texts[:i] {
							if a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1 {
								t.Errorf("%s: %q lies on %q", name, a.text, b.text)
							}
						}
					}
					if t.Failed() {
						return
					}
					require.Less(t, len(svg), 1_500_000, name)
				}
			}
		}
	}
}

// Every point has a mark that leads to its units, and where points are left
// without a dot a note says so.
func TestMarks(t *testing.T) {
	w := words(t, "en")
	for _, n := range []int{1, 2, 30, 500} {
		values := make([]float64, n)
		for i := range values {
			values[i] = 0.9 + 0.001*float64(i%50)
		}
		for kind, c := range charts(values, func(i int) string { return fmt.Sprint(i) }) {
			d := c.Draw(w)
			_, marks := inspect(t, string(d.SVG))
			switch kind {
			case "trend", "control":
				if marks < n {
					assert.NotEmpty(t, d.Notes, "%s of %d: %d marks and no note", kind, n, marks)
					assert.GreaterOrEqual(t, marks, 100, kind)
				}
				assert.Len(t, d.Table.Rows, n, kind)
			case "hours":
				assert.Equal(t, min(n, 240), marks, kind)
			case "pareto":
				assert.Equal(t, min(n, 20)+max(0, min(n-20, 0)), marks, kind)
				if n > 21 {
					assert.Contains(t, strings.Join(d.Notes, " "), fmt.Sprint(n-20))
				}
			case "comparison":
				assert.Equal(t, min(n, 40), marks)
			}
		}
	}
}

func TestMissingValuesAreCounted(t *testing.T) {
	d := draw.Trend{Frame: draw.Frame{Title: "t"}, Points: []draw.Mark{{Value: 1}, {Value: nan}, {Value: inf}, {Value: 2}}}.Draw(words(t, "en"))
	assert.Equal(t, []string{"2 values are no numbers and were left out."}, d.Notes)
	assert.Regexp(t, `class="line" d="M[0-9. ]+M[0-9. ]+"`, string(d.SVG), "the line is broken where a value is missing")
	empty := draw.Control{Frame: draw.Frame{Title: "c"}}.Draw(words(t, "es"))
	assert.Contains(t, string(empty.SVG), "Sin datos para esta selección")
}

func TestLinksStayOnThisServer(t *testing.T) {
	for _, href := range []string{"https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)", "/\\elsewhere.example", "data:text/html,x"} {
		d := draw.Trend{Frame: draw.Frame{Title: "t"}, Points: []draw.Mark{{Label: "a", Value: 1, Href: href}}}.Draw(words(t, "en"))
		assert.NotContains(t, string(d.SVG), "<a ", href)
		assert.Contains(t, string(d.SVG), "<title>a: 1</title>")
	}
}

// Beyond a number of marks the tab key stops only at those with a finding.
func TestTabStops(t *testing.T) {
	points := make([]draw.ControlPoint, 100)
	for i := range points {
		points[i] = draw.ControlPoint{Mark: draw.Mark{Label: "x", Value: float64(i % 3), Href: "/u"}, Centre: 1, Lower: 0, Upper: 2}
	}
	points[90].Hits = []string{"1"}
	svg := string(draw.Control{Frame: draw.Frame{Title: "c"}, Points: points}.Draw(words(t, "en")).SVG)
	assert.Equal(t, 100, strings.Count(svg, "<a "))
	assert.Equal(t, 100-draw.Stops-1, strings.Count(svg, `tabindex="-1"`))
}

func TestParetoCollectsTheRest(t *testing.T) {
	var bars []draw.Mark
	total := 0.0
	for i := range 50 {
		bars = append(bars, draw.Mark{Label: fmt.Sprint("cause ", i), Value: float64(50 - i)})
		total += float64(50 - i)
	}
	d := draw.Pareto{Frame: draw.Frame{Title: "p"}, Bars: bars, Total: total}.Draw(words(t, "en"))
	assert.Contains(t, string(d.SVG), ">30 others<")
	assert.Equal(t, []string{"The last bar is 30 others together; each stands in the numbers."}, d.Notes)
	assert.Len(t, d.Table.Rows, 50)
	assert.Equal(t, "100\u00a0%", d.Table.Rows[49][3].Text)
}

func TestBins(t *testing.T) {
	assert.Nil(t, draw.Bins(nil, 10))
	assert.Nil(t, draw.Bins([]float64{nan, inf}, 10))
	one := draw.Bins([]float64{3, 3, nan}, 10)
	require.Len(t, one, 1)
	assert.Equal(t, 2, one[0].Count)
	values := []float64{0.1, 0.2, 0.25, 0.7, 0.9, 1.0}
	sum := 0
	for i, b := range draw.Bins(values, 5) {
		sum += b.Count
		assert.InDelta(t, 0.2, b.To-b.From, 1e-9, i)
	}
	assert.Equal(t, len(values), sum)
	assert.LessOrEqual(t, len(draw.Bins([]float64{0, 1e300, -1e300}, 20)), 1000)
}

func BenchmarkControl500(b *testing.B) {
	l, err := wording.NewBook(time.UTC)
	if err != nil {
		b.Fatal(err)
	}
	w := l.Translator("en")
	c := charts(hostile()["500"], func(i int) string { return fmt.Sprint(i) })["control"]
	b.ReportAllocs()
	for b.Loop() {
		c.Draw(w)
	}
}
