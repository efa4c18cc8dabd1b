package page

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

// A picture is drawn beside what it was compared with, within the page, in every
// language; what is none that a runner makes is left out.
func TestPictures(t *testing.T) {
	one := func(role, name, media string, size int) reports.Picture {
		return reports.Picture{Role: role, Name: name, Width: 640, Height: 480, Media: media,
			Data: bytes.Repeat([]byte{7}, size)}
	}
	s := fullSealed(t, reports.Passed)
	s.Report.Captures = []reports.Capture{{Check: "display", Name: "seen<b>", Media: "image/png",
		SHA256: strings.Repeat("ab", 32), Size: 4000, Pictures: []reports.Picture{
			one(reports.SeenPicture, "camera", "image/png", 9),
			one(reports.ReferencePicture, "a\"onload=b.png", "image/jpeg", 9),
			one(reports.SeenPicture, "camera", "text/html", 9), one(reports.SeenPicture, "camera", "image/svg+xml", 9),
			one(reports.SeenPicture, "camera", "image/png", mostShown+1),
		}}}
	for lang, want := range map[string][2]string{"en": {"Seen", "Reference: "}, "es": {"Lo visto", "Referencia: "},
		"zh-Hans": {"实拍", "参考图："}} {
		var b bytes.Buffer
		require.NoError(t, WriteHTML(&b, s, Options{Words: spoken(t, lang, time.UTC), Attachments: "/attachment/"}))
		page := b.String()
		at := strings.Index(page, `<div class="u-pictures">`)
		require.Positive(t, at, lang)
		part := page[at : at+strings.Index(page[at:], "</div>")]
		assert.Equal(t, 2, strings.Count(part, "<img "), "%s: %s", lang, part)
		assert.Less(t, strings.Index(part, want[0]), strings.Index(part, want[1]), lang)
		assert.Contains(t, part, `src="data:image/png;base64,BwcHBwcHBwcH"`)
		assert.Contains(t, part, `src="data:image/jpeg;base64,BwcHBwcHBwcH"`)
		assert.NotContains(t, part, "text/html")
		assert.NotContains(t, part, "<b>")
		assert.NotContains(t, part, `"onload`)
		assert.Contains(t, page, `href="/attachment/`+strings.Repeat("ab", 32)+`.png"`)
	}
}
