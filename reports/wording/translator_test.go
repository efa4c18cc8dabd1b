package wording

import (
	"math"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// show makes special spaces visible.
var show = strings.NewReplacer("\u00a0", "_", "\u202f", "'")

func TestMatch(t *testing.T) {
	for _, c := range []struct{ cookie, accept, want string }{
		{"", "", "en"},
		{"", "es-MX,es;q=0.9,en;q=0.8", "es"},
		{"", "zh-CN,zh;q=0.9", "zh-Hans"},
		{"", "zh-SG", "zh-Hans"},
		{"", "de,fr", "en"},
		{"", "de,es;q=0.5", "es"},
		{"zh-Hans", "es", "zh-Hans"},
		{"klingon", "es", "es"},
		{"<script>", strings.Repeat("x,", 100000), "en"},
		{"", "\x00\xff;q=2", "en"},
	} {
		assert.Equal(t, c.want, Match(c.cookie, c.accept), "%.40q %.40q", c.cookie, c.accept)
	}
}

func TestNumbers(t *testing.T) {
	l := testBook(t)
	en, es, zh := l.Translator("en"), l.Translator("es"), l.Translator("zh-Hans")
	for _, c := range []struct{ got, want string }{
		{en.Number(12345.6789), "12'345.679"}, {es.Number(12345.6), "12'345,6"}, {zh.Number(1234), "1234"},
		{en.Number(-0.0004), "0"}, {en.Number(-3), "−3"}, {en.Number(math.NaN()), "–"}, {en.Number(math.Inf(-1)), "−∞"},
		{en.Number(1.5e18), "1.5_×_10¹⁸"}, {en.Fixed(2, 2), "2.00"}, {es.Fixed(-2.345, 1), "−2,3"}, {en.Fixed(math.NaN(), 1), "–"},
		{en.Percent(0.953), "95.3_%"}, {es.Percent(0.953), "95,3_%"}, {zh.Percent(0.953), "95.3%"},
		{en.Percent(1), "100_%"}, {en.Percent(0), "0_%"}, {en.Percent(0.99996), "99.996_%"}, {en.Percent(0.0004), "0.04_%"},
		{en.Percent(1 - 1e-9), ">_99.9999_%"}, {en.Percent(1e-9), "<_0.0001_%"}, {en.Percent(-0.05), "−5_%"}, {en.Percent(-1e-9), ">_−0.0001_%"}, {en.Percent(math.NaN()), "–"},
		{en.Quantity(9.1e-6, "A"), "9.1_µA"}, {es.Quantity(0.0135, "s"), "13,5_ms"}, {en.Quantity(-42, "dB"), "−42.0_dB"},
		{zh.Quantity(2.52, "%"), "2.52%"}, {en.Quantity(4, "1"), "4"}, {en.Quantity(math.NaN(), "A"), "–"},
		{es.Localise("1.2 % to 3.45 ms"), "1,2_% to 3,45_ms"}, {es.Localise("at most -0.8 %"), "at most −0,8_%"},
		{en.Duration(400 * time.Millisecond), "0.4_s"}, {en.Duration(47400 * time.Millisecond), "47_s"}, {en.Duration(200 * time.Second), "3_min_20_s"},
		{en.Duration(2*time.Hour + 5*time.Minute), "2_h_05_min"}, {en.Duration(47 * time.Minute), "47_min"}, {en.Duration(time.Hour - 20*time.Second), "1_h_00_min"}, {en.Duration(10*time.Minute - time.Millisecond), "10_min"}, {en.Duration(-time.Second), "0_s"}, {en.Duration(time.Hour - time.Millisecond), "1_h_00_min"},
	} {
		assert.Equal(t, c.want, show.Replace(c.got))
	}
}

func TestTimes(t *testing.T) {
	l := testBook(t).In(time.FixedZone("there", 8*3600))
	at := time.Date(2026, 11, 25, 23, 3, 0, 0, time.UTC)
	assert.Equal(t, "26 Nov 2026, 07:03", l.Translator("en").When(at))
	assert.Equal(t, "26 nov 2026, 07:03", l.Translator("es").When(at))
	assert.Equal(t, "2026年11月26日 07:03", l.Translator("zh-Hans").When(at))
	assert.Equal(t, "11月26日", l.Translator("zh-Hans").ShortDay(at))
	assert.Equal(t, "–", l.Translator("en").When(time.Time{}))
}

func TestPluralsAndPlaces(t *testing.T) {
	l, err := newBook(fstest.MapFS{
		"languages/x.en.toml": {Data: []byte("[x.units]\none = \"{count} unit of {lot}\"\nother = \"{count} units of {lot}\"\n")},
		"languages/x.es.toml": {Data: []byte("[x.units]\none = \"{count} unidad de {lot}\"\nother = \"{count} unidades de {lot}\"\n")},
	}, time.UTC)
	require.NoError(t, err)
	en, es, zh := l.Translator("en"), l.Translator("es"), l.Translator("zh-Hans")
	assert.Equal(t, "1 unit of 24A", en.T("x.units", "count", 1, "lot", "24A"))
	assert.Equal(t, "12\u202f000 units of {count}", en.T("x.units", "count", 12000, "lot", "{count}"), "a value is not read for places")
	assert.Equal(t, "1 unidad de 24A", es.T("x.units", "count", 1, "lot", "24A"))
	assert.Equal(t, "1,5 unidades de 24A", es.T("x.units", "count", 1.5, "lot", "24A"))
	assert.Equal(t, "2 units of 24A", zh.T("x.units", "count", 2, "lot", "24A"), "what is missing is shown in English")
	assert.Equal(t, "{count} units of {lot}", en.T("x.units"))
	assert.Equal(t, map[string]string{"x.units.one": "{count} unidad de {lot}", "x.units.other": "{count} unidades de {lot}"}, l.Strings("es", "x."))
	assert.Empty(t, l.Strings("es", "y."))
}

func TestMistakesInLanguageFilesAreNamed(t *testing.T) {
	for name, c := range map[string]struct {
		files fstest.MapFS
		want  string
	}{
		"not TOML":         {fstest.MapFS{"languages/x.en.toml": {Data: []byte("= 3")}}, "languages/x.en.toml"},
		"no such language": {fstest.MapFS{"languages/x.tlh.toml": {Data: []byte("")}}, `no language "tlh"`},
		"foreign id":       {fstest.MapFS{"languages/x.en.toml": {Data: []byte("[y]\na = \"b\"")}}, `id "y.a" does not begin with "x."`},
	} {
		_, err := newBook(c.files, time.UTC)
		assert.ErrorContains(t, err, c.want, name)
	}
}

func TestCapital(t *testing.T) {
	for in, want := range map[string]string{"": "", "the set screw": "The set screw", "ölig": "Ölig", "焊点": "焊点", "\xffx": "\xffx"} {
		assert.Equal(t, want, Capital(in))
	}
}
