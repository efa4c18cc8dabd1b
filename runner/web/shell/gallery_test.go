package shell

import (
	"encoding/xml"
	"fmt"
	"html/template"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
)

// gallery shows every part and every chart, for people who change the look:
//
//	GALLERY=/tmp/gallery go test ./runner/web/shell -run Gallery
//
// writes gallery-en-light.html and so on there, each complete in itself.
const gallery = `{{define "main"}}{{template "title" .}}
<form class="filter" method="get"><label>Product<select><option>Kittiwake K8</option></select></label><label>Lot<input value="24B"></label><label>From<input type="date" value="2026-11-01"></label><button class="main">Show</button><a class="clear" href="?">All</a></form>
<p class="chosen"><a href="?">24B</a><a href="?">LQ-1</a></p>
{{template "figures" (in $ .Figures)}}
{{range .Notices}}{{template "notice" (in $ .)}}{{end}}
<section><h2>Handset</h2><div class="pair">{{range .Drawings}}<div>{{.}}</div>{{end}}</div></section>
{{range .Charts}}{{template "chart" (in $ .)}}{{end}}
<div class="pair">{{range .Halves}}{{template "chart" (in $ .)}}{{end}}</div>
{{template "table" (in $ .Table)}}
{{template "pager" (in $ .Pager)}}
{{template "empty" (in $ .Empty)}}
<dl class="facts"><dt>{{t . "shell.language"}}</dt><dd>{{when . .At}} · {{duration . 3723}}</dd><dt>Serial</dt><dd class="serial">K824A00017M</dd></dl>
{{template "term" (in $ .Term)}}<p><span class="state pass">{{template "shape" "pass"}}passed</span> <span class="state fail">{{template "shape" "fail"}}failed</span> <span class="state error">{{template "shape" "error"}}not measured</span> <span class="state doubt">{{template "shape" "doubt"}}inconclusive</span> <span class="state aborted">{{template "shape" "aborted"}}aborted</span></p>
<p><button class="main">Main</button> <button>Other</button> <button disabled>Not now</button></p>
{{end}}`

type galleryPage struct {
	Page
	Figures  []Figure
	Notices  []Notice
	Drawings []template.HTML
	Charts   []Chart
	Halves   []Chart
	Table    Table
	Pager    Pager
	Empty    Empty
	Term     Term
	At       time.Time
}

// galleryWords are the few words of the gallery itself, by language.
var galleryWords = map[string][]string{
	"en":      {"How good is today?", "Units that passed their first run, with what may be read from so few.", "First-pass yield", "Units per hour", "Bench time lost", "with 95 % confidence", "of the units whose first judged run passed", "What fails?", "Is it drifting?", "Can the process hold the limit?", "What differs?", "Day", "Cause", "Reading", "left stick: play between the shaft and the potentiometer"},
	"es":      {"¿Qué tal va hoy?", "Unidades que pasaron a la primera, y lo que puede leerse de tan pocas.", "Rendimiento a la primera", "Unidades por hora", "Tiempo de banco perdido", "con un 95 % de confianza", "de las unidades cuya primera prueba juzgada pasó", "¿Qué falla?", "¿Está derivando?", "¿Puede el proceso cumplir el límite?", "¿Qué difiere?", "Día", "Causa", "Lectura", "palanca izquierda: holgura entre el eje y el potenciómetro"},
	"zh-Hans": {"今天做得怎么样？", "首次测试即通过的台数，以及样本这么少时能读出什么。", "一次通过率", "每小时台数", "测试台损失时间", "95% 置信度", "首次有判定的测试即通过的台数占比", "什么失败了？", "是否在漂移？", "过程能否保持在限值内？", "有什么不同？", "日期", "原因", "读数", "左摇杆：摇杆轴与电位器之间有间隙"},
}

func at(v float64) *float64 { return &v }

func galleryData(t *testing.T, l *Look, lang, theme string) galleryPage {
	r := rand.New(rand.NewPCG(1, 2))
	w := l.Translator(lang)
	s := galleryWords[lang]
	p := galleryPage{Page: l.Page(request("/gallery", lang, theme), s[0]), At: time.Date(2026, 11, 25, 14, 3, 0, 0, time.UTC)}
	p.Question = s[1]
	p.Styles = []string{"handset.css"}
	p.Nav = []Link{{"/today", s[0], true}, {"/fails", s[7], false}, {"/drift", s[8], false}, {"/hold", s[9], false}, {"/differs", s[10], false}}
	p.Figures = []Figure{
		{Name: s[2], Explain: s[6], Value: w.Percent(0.953), Interval: w.Percent(0.921) + " – " + w.Percent(0.973) + ", " + s[5], Meaning: s[6], Href: "/units"},
		{Name: s[3], Value: w.Number(61.5), Meaning: s[6]},
		{Name: s[4], Value: w.Duration(47 * time.Minute), Shape: "error", Meaning: s[6]},
		{Name: s[2], Value: w.Percent(0.41), Shape: "fail", Interval: w.Percent(0.2) + " – " + w.Percent(0.6), Meaning: s[6]},
	}
	for _, shape := range []string{"pass", "fail", "doubt", "error"} {
		p.Notices = append(p.Notices, Notice{shape, s[9], []string{s[6]}})
	}
	var texts wording.Texts
	if lang != "en" {
		var err error
		texts, err = wording.ParseTexts("texts", stockFile(t, wording.TextsFile(lang)))
		require.NoError(t, err)
	}
	plain := string(stockDrawing(t).HTML(texts))
	for _, states := range []map[string]string{
		{"part-power": "is-good", "part-sounder": "is-good", "part-antenna": "is-good", "part-sticks": "is-running", "part-switches": "is-waiting"},
		{"part-power": "is-good", "part-sounder": "is-bad", "part-antenna": "is-unknown", "part-sticks": "is-bad", "part-left-stick": "is-bad", "axis-left_x": "is-bad"},
	} {
		svg := plain
		for id, state := range states {
			svg = strings.Replace(svg, `id="`+id+`" class="`, `id="`+id+`" class="`+state+` `, 1)
		}
		if len(p.Drawings) > 0 { // ids stand once in a page
			svg = regexp.MustCompile(`(id="|href="#|aria-labelledby=")`).ReplaceAllString(svg, "${1}b-")
			svg = strings.ReplaceAll(svg, `href="#b-signs"`, `href="#signs"`)
		}
		p.Drawings = append(p.Drawings, template.HTML(svg))
	}

	day := func(i int) string { return w.ShortDay(p.At.AddDate(0, 0, i-29)) }
	var trend, two []draw.Mark
	for i := range 30 {
		y := 0.93 + 0.03*math.Sin(float64(i)/4) + r.Float64()*0.02
		trend = append(trend, draw.Mark{Label: day(i), Value: y, Low: y - 0.03 - r.Float64()*0.02, High: min(1, y+0.025), Href: fmt.Sprint("/units?day=", i)})
	}
	two = trend[:2]
	var many []draw.ControlPoint
	for i := range 48 {
		z := r.NormFloat64()
		if i > 38 {
			z += 1.6
		}
		c := draw.ControlPoint{Mark: draw.Mark{Label: fmt.Sprint(i + 1), Value: 9.1e-6 + 0.4e-6*z, Href: fmt.Sprint("/units?group=", i)}, Centre: 9.1e-6, Lower: 7.9e-6, Upper: 10.3e-6}
		if i < 16 {
			c.Lower, c.Upper = 7.6e-6, 10.6e-6
		}
		if c.Value > c.Upper || c.Value < c.Lower {
			c.Hits = []string{"1"}
		}
		if i > 44 {
			c.Hits = append(c.Hits, "2", "5")
		}
		many = append(many, c)
	}
	var long []draw.ControlPoint
	for i := range 500 {
		c := draw.ControlPoint{Mark: draw.Mark{Label: fmt.Sprint(i + 1), Value: 50 + r.NormFloat64(), Href: "/units"}, Centre: 50, Lower: 47, Upper: 53}
		if c.Value > 53 || c.Value < 47 {
			c.Hits = []string{"1"}
		}
		long = append(long, c)
	}
	var bars []draw.Mark
	for i, n := range []float64{41, 22, 13, 9, 5, 3, 1} {
		label := []string{s[14], "tune.foreign_level", "restart.shortest_off", "standby.current", s[14] + " · " + s[14], "link.far_error_rate", "switches.switch_a_moves"}[i]
		bars = append(bars, draw.Mark{Label: label, Value: n, Low: max(0, n-1.9*math.Sqrt(n)), High: n + 2.1*math.Sqrt(n) + 1, Href: "/units?cause=" + fmt.Sprint(i)})
	}
	var values []float64
	for range 600 {
		values = append(values, 9.1e-6+0.8e-6*r.NormFloat64())
	}
	bins := draw.Bins(values, 26)
	for i := range bins {
		bins[i].Href = fmt.Sprint("/units?bin=", i)
	}
	var diffs []draw.Mark
	for i, d := range []float64{0.31, -0.12, 0.06, 0.012, -0.004, 0.001} {
		diffs = append(diffs, draw.Mark{Label: []string{"centre.left_x_play", "tune.foreign_level", s[14], "standby.current", "latency.p95", "link.near_error_rate"}[i], Value: d, Low: d - 0.03 - 0.01*float64(i), High: d + 0.03 + 0.01*float64(i), Href: "/reading"})
	}
	var hours []draw.HoursBar
	for i := range 10 {
		b := draw.HoursBar{Mark: draw.Mark{Label: fmt.Sprintf("%02d:00", 6+i), Value: float64(50 + r.IntN(24)), Href: "/units"}, Target: 72}
		b.Lost = float64(r.IntN(6))
		if i == 4 {
			b.Value, b.Lost = 21, 0
		}
		hours = append(hours, b)
	}
	var x, y, low, y2 []float64
	for i := range 400 {
		f := float64(i) / 400
		x = append(x, f*0.3)
		y = append(y, 0.118+0.5*math.Exp(-f*30)+0.002*r.NormFloat64())
		y2 = append(y2, 0.118+0.4*math.Exp(-f*24))
		low = append(low, y[i]-0.02-0.01*r.Float64())
	}
	put := func(title, caption string, d draw.Drawing) Chart {
		c := NewChart(title, caption, d)
		c.CSV = "/csv"
		return c
	}
	p.Charts = []Chart{
		put(s[0], s[1], draw.Trend{Frame: draw.Frame{Title: s[0], Unit: draw.Percent, Label: s[2], Of: s[11]}, Points: trend, Target: at(0.95)}.Draw(w)),
		put(s[3], "", draw.Hours{Frame: draw.Frame{Title: s[3], Label: s[3], Of: s[11]}, Bars: hours}.Draw(w)),
		put(s[7], s[6], draw.Pareto{Frame: draw.Frame{Title: s[7], Label: s[4], Of: s[12]}, Bars: bars, Total: 94}.Draw(w)),
		put(s[8], s[6], draw.Control{Frame: draw.Frame{Title: s[8], Unit: "A", Label: "standby.current", Of: s[11]}, Points: many}.Draw(w)),
		put(s[8]+" 500", s[6], draw.Control{Frame: draw.Frame{Title: s[8] + " 500", Label: "x", Of: s[11]}, Points: long}.Draw(w)),
		put(s[9], s[6], draw.Histogram{Frame: draw.Frame{Title: s[9], Unit: "A", Label: "standby.current"}, Bins: bins, Lower: at(1e-6), Upper: at(12e-6), Mean: 9.1e-6, SD: 0.8e-6}.Draw(w)),
		put(s[10], s[6], draw.Comparison{Frame: draw.Frame{Title: s[10], Unit: draw.Percent, Label: s[6], Of: s[13]}, Rows: diffs, Matter: 0.1}.Draw(w)),
		put("inrush", "", draw.Capture{Plot: reports.Plot{Title: "inrush", XLabel: "time / s", YLabel: "current / A", Series: []reports.Series{{Name: "K824A00017M", X: x, Y: y}, {Name: "band", X: x, Y: y, Low: low}, {Name: "model", X: x, Y: y2}}}, Beside: []reports.Series{{X: x, Y: y2}}}.Draw(w)),
	}
	p.Halves = []Chart{
		put(s[2], s[1], draw.Trend{Frame: draw.Frame{ID: "half", Title: s[2], Width: 560, Unit: draw.Percent, Label: s[2], Of: s[11]}, Points: two}.Draw(w)),
		put(s[9], s[1], draw.Histogram{Frame: draw.Frame{ID: "half2", Title: s[9], Width: 560, Unit: "A", Label: "standby.current"}, Bins: draw.Bins(values[:9], 8), Lower: at(1e-6), Upper: at(12e-6)}.Draw(w)),
	}
	p.Charts[2].Open = true
	p.Table = Table{Caption: s[7], Head: []Cell{{Text: s[12]}, {Text: s[3], Number: true}, {Text: s[13]}}, Rows: [][]Cell{
		{{Text: s[14], Href: "/units"}, {Text: w.Number(12345), Number: true}, {Text: s[13], Shape: "fail"}},
		{{Text: "tune.foreign_level"}, {Text: w.Number(7), Number: true}, {Text: s[13], Shape: "pass"}},
	}}
	p.Pager = Pager{1, 50, 1234, "", "/units?page=2"}
	p.Empty = Empty{s[7], s[6], Link{Href: "/", Text: s[0]}}
	p.Term = Term{s[2], s[6]}
	return p
}

func TestGallery(t *testing.T) {
	l := testLook(t).In(time.UTC)
	page, err := l.Parse(fstest.MapFS{"g.html": {Data: []byte(gallery)}}, "g.html")
	require.NoError(t, err)
	for _, lang := range wording.Languages() {
		for _, theme := range []string{"light", "dark"} {
			var b strings.Builder
			require.NoError(t, page.Execute(&b, galleryData(t, l, lang.Tag, theme)))
			html := b.String()
			assert.NotContains(t, html, "ZgotmplZ")
			assert.NotContains(t, html, " style=")
			assert.NotRegexp(t, `\[(shell|charts)\.[a-z_]+\]`, html, "a word is missing")
			assert.NotRegexp(t, `\{[a-z_]+\}`, html, "a place was not filled")
			assert.NotRegexp(t, `NaN|Inf\b`, html)
			wellFormed(t, html)
			ids := map[string]bool{}
			for _, m := range regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(html, -1) {
				assert.False(t, ids[m[1]], "id %s stands there twice", m[1])
				ids[m[1]] = true
			}
			if dir := os.Getenv("GALLERY"); dir != "" {
				css, hs := "", ""
				for _, name := range append(sheets, "handset.css") {
					css += styleText(t, name)
				}
				html = regexp.MustCompile(`<link rel="stylesheet"[^>]*>`).ReplaceAllString(html, "")
				html = strings.Replace(html, "</head>", "<style>"+css+hs+"</style></head>", 1)
				require.NoError(t, os.MkdirAll(dir, 0o755))
				require.NoError(t, os.WriteFile(filepath.Join(dir, "gallery-"+lang.Tag+"-"+theme+".html"), []byte(html), 0o644))
			}
		}
	}
}

// wellFormed checks every drawing in a page as XML.
func wellFormed(t *testing.T, html string) {
	t.Helper()
	for _, svg := range regexp.MustCompile(`(?s)<svg.*?</svg>`).FindAllString(html, -1) {
		d := xml.NewDecoder(strings.NewReader(svg))
		d.Entity = xml.HTMLEntity
		for {
			_, err := d.Token()
			if err == io.EOF {
				break
			}
			if !assert.NoError(t, err, "%.300s", svg) {
				break
			}
		}
	}
}
