package terminal

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"

	"fullthrow/reports"
	"fullthrow/reports/wording"
)

func TestScreenPipedWritesNoCursorCodes(t *testing.T) {
	var out strings.Builder
	s := NewScreen(&out)
	s.Now("busy")
	s.Say("%s and %s", s.Strong("one"), s.Faint("two"))
	s.Now("")
	assert.Equal(t, "one and two\n", out.String())
}

func TestScreenKeepsTheLiveLineLast(t *testing.T) {
	var out strings.Builder
	s := &Screen{w: &out, live: true, width: 12}
	s.Now("busy")
	s.Now("busy") // the same again writes nothing
	s.Say("one")
	s.Now("much too long for it")
	s.Now("")
	assert.Equal(t, "\r\x1b[Kbusy"+"\r\x1b[Kone\nbusy"+"\r\x1b[Kmuch too l…"+"\r\x1b[K", out.String())
	assert.Equal(t, "\x1b[1mx\x1b[0m", s.Strong("x"))
}

func TestWrap(t *testing.T) {
	for _, c := range []struct {
		name, text, want string
		width            int
	}{
		{"short", "one two\n", "one two\n", 20},
		{"exactly", "one two\n", "one two\n", 7},
		{"long", "  one two three\n", "  one \n    two \n    three\n", 8},
		{"style has no width", "\x1b[1mone\x1b[0m two\n", "\x1b[1mone\x1b[0m two\n", 7},
		{"a path stays whole", "at /a/very/long/path\n", "at \n    /a/very/long/path\n", 10},
		{"several", "a b\nc d\n", "a b\nc d\n", 3},
		{"no end", "one two", "one two", 7},
		{"empty", "", "", 7},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, wording.Wrap(c.text, c.width)) })
	}
}

func f(x float64) *float64 { return &x }

func TestReadingLine(t *testing.T) {
	both := &reports.Limit{Lower: f(1e-6), Upper: f(12e-6)}
	for _, c := range []struct {
		name string
		r    reports.Reading
		want string
	}{
		{"inside", reports.Reading{Name: "current", Value: reports.Number(9.1e-6), Unit: "A", Limit: both, Verdict: reports.Pass},
			"current                  9.1 µA       1 µA   ├────────●──┤   12 µA    kept"},
		{"at the lower limit", reports.Reading{Name: "current", Value: reports.Number(1e-6), Unit: "A", Limit: both, Verdict: reports.Pass},
			"current                    1 µA       1 µA   ├●──────────┤   12 µA    kept"},
		{"at the upper limit", reports.Reading{Name: "current", Value: reports.Number(12e-6), Unit: "A", Limit: both, Verdict: reports.Pass},
			"current                   12 µA       1 µA   ├──────────●┤   12 µA    kept"},
		{"above", reports.Reading{Name: "current", Value: reports.Number(15.3e-6), Unit: "A", Limit: both, Verdict: reports.Fail},
			"current                 15.3 µA       1 µA   ├───────────┤ ● 12 µA    NOT KEPT: 15.3 µA, above 12 µA"},
		{"below", reports.Reading{Name: "current", Value: reports.Number(0), Unit: "A", Limit: both, Verdict: reports.Fail},
			"current                     0 A       1 µA ● ├───────────┤   12 µA    NOT KEPT: 0 A, below 1 µA"},
		{"one side", reports.Reading{Name: "peak", Value: reports.Number(0.5), Unit: "A", Limit: &reports.Limit{Upper: f(1.1)}, Verdict: reports.Pass},
			"peak                     500 mA            at most 1.1 A              kept"},
		{"bound", reports.Reading{Name: "off", Value: reports.Number(3.2), Unit: "s", Bound: "more", Limit: &reports.Limit{Upper: f(2.8)}, Verdict: reports.Fail},
			"off                     > 3.2 s            at most 2.8 s              NOT KEPT: more than 3.2 s, above 2.8 s"},
		{"not a number", reports.Reading{Name: "x", Value: reports.Number(math.NaN()), Unit: "A", Limit: both, Verdict: reports.Error, Problem: &reports.Reason{Code: reports.NotANumber}},
			"x                     not a number            1 µA to 12 µA              NOT MEASURED: not a number"},
		{"unlimited", reports.Reading{Name: "x", Value: reports.Number(1), Unit: "1", Verdict: reports.Unlimited},
			"x                             1                                       no limit"},
		{"yes", reports.Reading{Name: "moves", Value: reports.Bool(true), Limit: &reports.Limit{Equal: ptr(reports.Bool(true))}, Verdict: reports.Pass},
			"moves                       yes            exactly yes                kept"},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, readingLine(c.r)) })
	}
}

func ptr[T any](v T) *T { return &v }
