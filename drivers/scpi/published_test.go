package scpi

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// IEEE 488.2 blocks as in the lexer and parser tests of j123b567/scpi-parser
// (libscpi/test/test_lexer_parser.c, test_parser.c) and pyvisa's test_util.py.
func TestParseBlockPublished(t *testing.T) {
	for _, c := range []struct {
		in, data, rest string
		short          bool
	}{
		{"#12AB, ", "AB", ", ", false},
		{"#204ABCD", "ABCD", "", false},
		{"#11a", "a", "", false},
		{"#10", "", "", false},
		{"#12\r\n", "\r\n", "", false}, // the end of a line inside a block is data
		{"#256" + strings.Repeat("x", 56), strings.Repeat("x", 56), "", false},
		{"#0ABC\n", "ABC", "", false},
		{"#0A\nC\n", "A\nC", "", false}, // NL without END is data
		{"#0\n", "", "", false},
		{"#13AB", "", "", true},
		{"#12", "", "", true},
		{"#1", "", "", true},
		{"#", "", "", true},
		{"", "", "", true},
		{"#210ABCD", "", "", true},
		{"#0AB", "", "", true},
		{"#9999999999x", "", "", true}, // the longest length: nothing is allocated for it
	} {
		data, rest, err := ParseBlock([]byte(c.in))
		if errors.Is(err, errShort) != c.short || string(data) != c.data || string(rest) != c.rest {
			t.Errorf("%q: got %q, rest %q, %v; want %q, rest %q, short %v", c.in, data, rest, err, c.data, c.rest, c.short)
		}
	}
	for _, in := range []string{"ABC", "#A12", "#1A", "#2 4ABCD", "#2-1"} {
		if _, _, err := ParseBlock([]byte(in)); err == nil || errors.Is(err, errShort) {
			t.Errorf("%q: got %v, want an error that more bytes do not mend", in, err)
		}
	}
}

// IEEE 754 [re-computed]: 1 is 3F800000, -2.5 is C0200000. SCPI-1999 vol. 1
// 7.2.1: 9.9E37 is infinity, 9.91E37 not-a-number; as REAL,32 they are 7E94F56A
// and 7E951BEE [re-computed].
func TestAppendReal32(t *testing.T) {
	big := []byte("\x3F\x80\x00\x00\xC0\x20\x00\x00\x7E\x94\xF5\x6A\xFE\x94\xF5\x6A\x7E\x95\x1B\xEE\x7F\x80\x00\x00\x7F\xC0\x00\x00\x00\x00\x00\x00??")
	want := []float64{1, -2.5, math.Inf(1), math.Inf(-1), math.NaN(), math.Inf(1), math.NaN(), 0}
	little := append([]byte(nil), big...)
	for i := 0; i+4 <= len(little); i += 4 {
		little[i], little[i+1], little[i+2], little[i+3] = little[i+3], little[i+2], little[i+1], little[i]
	}
	for name, got := range map[string][]float64{"big": AppendReal32(nil, big, false), "little": AppendReal32(nil, little, true)} {
		if len(got) != len(want) {
			t.Fatalf("%s: %d values, want %d", name, len(got), len(want))
		}
		for i := range want {
			if !equal(got[i], want[i]) {
				t.Errorf("%s: value %d is %v, want %v", name, i, got[i], want[i])
			}
		}
	}
}

func equal(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }

// Non-decimal numbers as in the tests of j123b567/scpi-parser: #B101010,
// #H101010, #Q10, and 0xFF in three forms.
func TestParseNumberPublished(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for in, want := range map[string]float64{
		"#B101010": 42, "#H101010": 1052688, "#Q10": 8, "#HFF": 255, "#Q377": 255, "#B11111111": 255, "#hff": 255,
		"0": 0, "1": 1, "+3.7": 3.7, "-1.5e-3": -0.0015, " 2.5 ": 2.5, ".5": .5, "5.": 5, "+1.25000E+01": 12.5,
		"9.9E37": inf, "-9.9E+37": -inf, "+9.900000E+37": inf, "9.91E37": nan, "+9.91E+37": nan, "1e38": inf, "1e999": inf,
		"INF": inf, "NINF": -inf, "NAN": nan, "9.8e37": 9.8e37,
	} {
		if got, err := ParseNumber(in); err != nil || !equal(got, want) {
			t.Errorf("%q: got %v, %v, want %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", " ", "abc", "1,2", "1 2", "0x10", "1_000", "#B102", "#Q8", "#HG", "#H", "#B-1", "#X1", "1e", "--1", "infinite", "#12AB"} {
		if got, err := ParseNumber(in); err == nil {
			t.Errorf("%q: got %v, want an error", in, got)
		}
	}
}

// SCPI-1999 vol. 2 ch. 21.8, as transcribed in j123b567/scpi-parser
// libscpi/inc/scpi/error.h; the answer's form is that of the same chapter.
func TestErrorNumbersPublished(t *testing.T) {
	for _, c := range []struct {
		line string
		want InstrumentError
		hint string // words of it
	}{
		{`0,"No error"`, InstrumentError{0, "No error"}, ""},
		{`-113,"Undefined header"`, InstrumentError{-113, "Undefined header"}, "model in the bench file"},
		{`-222,"Data out of range"`, InstrumentError{-222, "Data out of range"}, "value and range"},
		{`-213,"Init ignored"`, InstrumentError{-213, "Init ignored"}, "still busy"},
		{`-240,"Hardware error"`, InstrumentError{-240, "Hardware error"}, "will not carry it out"},
		{`-330,"Self-test failed"`, InstrumentError{-330, "Self-test failed"}, "failure of its own"},
		{`-350,"Queue overflow"`, InstrumentError{-350, "Queue overflow"}, "lost older errors"},
		{`-362,"Framing error in program message"`, InstrumentError{-362, "Framing error in program message"}, "baud rate"},
		{`-410,"Query INTERRUPTED"`, InstrumentError{-410, "Query INTERRUPTED"}, "out of step"},
		{`-500,"Power on"`, InstrumentError{-500, "Power on"}, ""},
		{`+0, "No error"`, InstrumentError{0, "No error"}, ""},
		{`101,"Relay ""K3"" welded;slot 2"`, InstrumentError{101, `Relay "K3" welded;slot 2`}, "its manual"},
	} {
		got, ok := standard.entry(c.line)
		if !ok || got != c.want {
			t.Errorf("%s: got %v, %v, want %v", c.line, got, ok, c.want)
		}
		if h := hint(got.Number); !strings.Contains(h, c.hint) || (h == "") != (c.hint == "") {
			t.Errorf("%s: hint %q, want words %q", c.line, h, c.hint)
		}
	}
	for _, line := range []string{"", "0", "0,", `0,No error`, `x,"No error"`, `0,"No error`, "3.7", `,"x"`, "Lantern Quay,K8,1,2"} {
		if e, ok := standard.entry(line); ok {
			t.Errorf("%q was taken as the entry %v", line, e)
		}
	}
}

func TestIsIdentity(t *testing.T) {
	for line, want := range map[string]bool{
		"Lantern Quay,Supply,0,1.0": true, "ACME, 3-channel, #5, v2": true,
		`0,"No error"`: false, "1.5,2.5": false, "3.7": false, "": false, "#14,abc": false, "caf\xe9,1,2,3": false, "9.91E37,1": false,
	} {
		if got := standard.isIdentity(line); got != want {
			t.Errorf("%q: got %v, want %v", line, got, want)
		}
	}
}

func FuzzBlock(f *testing.F) {
	for _, s := range []string{"#12AB, ", "#204ABCD", "#0AB\n", "#13AB", "#", "#9999999999", "#18\x3F\x80\x00\x00\x7E\x94\xF5\x6A"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		data, rest, err := ParseBlock(b)
		if err != nil {
			if data != nil || rest != nil {
				t.Fatalf("data beside the error %v", err)
			}
			return
		}
		if len(data)+len(rest)+2 > len(b) {
			t.Fatalf("%d bytes of data and %d of rest from %d", len(data), len(rest), len(b))
		}
		if n := len(AppendReal32(nil, data, false)); n != len(data)/4 {
			t.Fatalf("%d values of %d bytes", n, len(data))
		}
		for cut := range b[:len(b)-len(rest)] {
			if _, _, err := ParseBlock(b[:cut]); err == nil && b[1] != '0' {
				t.Fatalf("the first %d of %d bytes are a block too", cut, len(b)-len(rest))
			}
		}
	})
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1.5E-3", "#HFF", "9.91E37", "NAN", "+", "1e999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, err := ParseNumber(s)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return
		}
		if back, err := ParseNumber(formatNumber(v)); err != nil || back != v {
			t.Fatalf("%q is %v; written and read again %v, %v", s, v, back, err)
		}
	})
}

// standard is a row as SCPI has it.
var standard = Model{ErrorText: Quoted, Compound: Joined}
