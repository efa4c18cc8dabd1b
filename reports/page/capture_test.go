package page

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"fullthrow/reports"
)

func TestApart(t *testing.T) {
	s := func(name string, y ...float64) reports.Series {
		return reports.Series{Name: name, X: []float64{0, 1, 2}[:len(y)], Y: y}
	}
	these := []reports.Series{s("a", 0, 1, 0), s("b", 0, 5, 0)}
	good := []reports.Series{s("a", 0, 1, 0), s("b", 0, 10, 0)}
	assert.Zero(t, apart(these[:1], good))
	assert.InDelta(t, math.Sqrt(25.0/3)/10, apart(these, good), 1e-9) // by hand
	assert.Equal(t, 1.0, apart(these, nil))
	assert.Equal(t, 1.0, apart([]reports.Series{s("a", math.NaN())}, good))
	assert.Equal(t, these[1:], differing(these, good))
	assert.Equal(t, these[:1], differing(these[:1], good), "nothing differs: all are drawn")
}

// What was said with a device is folded on the page, as text whatever it is, in every
// language; where it is not kept, or not what was sealed, that is said.
func TestTalk(t *testing.T) {
	s := fullSealed(t, reports.Passed)
	hash := strings.Repeat("ab", 32)
	s.Report.Captures = append(s.Report.Captures, reports.Capture{Name: "console", Media: reports.TalkMedia, SHA256: hash,
		Size: 40}, reports.Capture{Name: "loader", Media: reports.TalkMedia})
	for lang, want := range map[string]string{"en": "What was said with console", "es": "Lo que se dijo con console",
		"zh-Hans": "与 console 的对话"} {
		for _, known := range []bool{true, false} {
			var b bytes.Buffer
			o := Options{Words: spoken(t, lang, time.UTC), Attachments: "/attachment/", Said: func(sum string) (string, bool) {
				assert.Equal(t, hash, sum)
				return "0.000 < </pre><script>x</script>\\x1B\n", known
			}}
			if err := WriteHTML(&b, s, o); err != nil {
				t.Fatal(err)
			}
			page := plain(b.String())
			assert.NotContains(t, page, "<script>")
			assert.Equal(t, known, strings.Contains(page, "<details><summary>"+want+"</summary>"))
			assert.Equal(t, known, strings.Contains(page, `0.000 &lt; &lt;/pre&gt;&lt;script&gt;x&lt;/script&gt;\x1B`))
			assert.Contains(t, page, want)
			assert.Contains(t, page, `href="/attachment/`+hash+`.txt"`)
			assert.NotContains(t, page, "<h3>console</h3>", "it is no capture with a drawing")
		}
	}
}
