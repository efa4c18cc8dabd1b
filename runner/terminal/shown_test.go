package terminal

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

func TestLine(t *testing.T) {
	for text, want := range map[string]string{
		"plain, 9.1 µA, 左摇杆":                  "plain, 9.1 µA, 左摇杆",
		"a\x1b[2Jb":                           `a\x1b[2Jb`,
		"one\r\ntwo\tthree":                   `one\r\ntwo\tthree`,
		"csi \u009b31m":                       `csi \u009b31m`,
		"raw \x9b31m":                         "raw \uFFFD31m",
		"turned \u202egnp.exe\u2066":          `turned \u202egnp.exe\u2066`,
		"tag \U000e0041":                      `tag \udb40\udc41`,
		"می\u200cخواهم":                       "می\u200cخواهم",
		"\x7f\x00":                            `\u007f\x00`,
		strings.Repeat("x", longestLine+1):    strings.Repeat("x", longestLine) + "... (4001 bytes in all)",
		strings.Repeat("\u202e", longestLine): strings.Repeat(`\u202e`, longestLine),
	} {
		require.Equal(t, want, Line(text))
	}
	require.Equal(t, "a\n    \\x1bb", Indented("a\n\x1bb"))
}

// Our own styles stay where there are any, and only they.
func TestStylesAreOurs(t *testing.T) {
	var b bytes.Buffer
	s := &Screen{w: &b, live: true, width: 200}
	s.Say("%s %s", s.Strong("PASSED"), "\x1b[31mred\x1b]0;title\a\x1b[1;1H")
	s.Now("now \x1b[2J\u202e")
	require.Equal(t, "\x1b[1mPASSED\x1b[0m \\x1b[31mred\\x1b]0;title\\x07\\x1b[1;1H\n\r\x1b[Know \\x1b[2J\\u202e", b.String())
	b.Reset()
	piped := NewScreen(Shown(&b))
	piped.Say("%s", "\x1b[1mPASSED\x1b[0m")
	require.Equal(t, "\\x1b[1mPASSED\\x1b[0m\n", b.String())
}

// A character that comes in two writes is one; data goes past.
func TestShown(t *testing.T) {
	var b bytes.Buffer
	w := Shown(&b)
	for _, c := range []byte("µ左\x1b\n") {
		n, err := w.Write([]byte{c})
		require.NoError(t, err)
		require.Equal(t, 1, n)
	}
	require.Equal(t, "µ左\\x1b\n", b.String())
	require.Same(t, &b, Raw(w))
	require.Same(t, w, Shown(w))
	b.Reset()
	hostile := map[string]string{"a": "\u009b\u202e\x7f\U000e0041\x1b"}
	require.NoError(t, json.NewEncoder(w).Encode(hostile))
	var back map[string]string
	require.NoError(t, json.Unmarshal(b.Bytes(), &back))
	require.Equal(t, hostile, back, "JSON stays what it is")
	require.True(t, plainAlready(strings.TrimSpace(b.String())), b.String())
}

// Plain changes a copy, in whatever holds text.
func TestPlain(t *testing.T) {
	v := reports.Text("\x1b")
	r := reports.Report{Start: reports.Start{Unit: reports.Unit{SerialNumber: "\x1b"}}, Checks: []reports.Check{{
		Notes: []string{"a\nb"}, Readings: []reports.Reading{{Value: v, Limit: &reports.Limit{Equal: &v}}}}}}
	p := Plain(r)
	require.Equal(t, "\x1b", r.Unit.SerialNumber)
	require.Equal(t, "\x1b", r.Checks[0].Readings[0].Limit.Equal.String())
	require.Equal(t, `\x1b`, p.Unit.SerialNumber)
	require.Equal(t, `a\nb`, p.Checks[0].Notes[0])
	require.Equal(t, `\x1b`, p.Checks[0].Readings[0].Value.String())
	require.Equal(t, `\x1b`, p.Checks[0].Readings[0].Limit.Equal.String())
	require.Equal(t, map[string]any{`k\n`: []any{`\r`, 1.0}}, Plain(map[string]any{"k\n": []any{"\r", 1.0}}))
}

// Whatever comes, nothing comes out that a terminal obeys.
func FuzzLine(f *testing.F) {
	f.Add("\x1b[2J\u009b\xff\u202e\n")
	f.Fuzz(func(t *testing.T, text string) {
		var b bytes.Buffer
		w := Shown(&b)
		for i := range len(text) {
			_, _ = w.Write([]byte{text[i]})
		}
		for _, out := range []string{Line(text), strings.ReplaceAll(b.String(), "\n", "")} {
			if !utf8.ValidString(out) || strings.ContainsFunc(out, func(r rune) bool { return unicode.IsControl(r) || hidden(r) }) {
				t.Fatalf("%q becomes %q", text, out)
			}
		}
	})
}
