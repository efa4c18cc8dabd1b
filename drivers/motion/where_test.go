package motion

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
)

// bare is a wire without check sum.
type bare struct{ drivers.Port }

func TestPosition(t *testing.T) {
	for line, want := range map[string]map[string]float64{
		"X:12.50 Y:0.00 Z:-3.20 A:0.00":  {"X": 12.5, "Y": 0, "Z": -3.2, "A": 0},
		"X:1.00 Y:2.00 Count X:80 Y:160": {"X": 1, "Y": 2},
		"X:1e3 Y:nan Z:":                 {},
		"":                               {}, "ok": {}, "X12.5": {},
	} {
		got := position(line)
		if len(got) != len(want) {
			t.Errorf("%q: got %v, want %v", line, got, want)
		}
		for k, v := range want {
			if got[k] != v {
				t.Errorf("%q: %s is %v, want %v", line, k, got[k], v)
			}
		}
	}
}

// A machine that was told something else than was said acknowledges that as
// well; where it stands shows it.
func TestMoveElsewhere(t *testing.T) {
	for _, c := range []struct {
		name    string
		answers []string // to M114 after the movement, in order; the last for good
		fails   string
	}{
		{"where it was sent", []string{"X:6.00 Y:0.00 Z:0.00 A:0.00\nok\n"}, ""},
		{"elsewhere", []string{"X:9.00 Y:0.00 Z:0.00 A:0.00\nok\n"}, "X was sent to 6 mm, and it says 9 mm"},
		{"one answer damaged", []string{"X:2.00 Y:0.00 Z:0.00 A:0.00\nok\n", "X:6.00 Y:0.00 Z:0.00 A:0.00\nok\n"}, ""},
		{"an acknowledgement too many", []string{"ok\nX:6.00\nok\n"}, "it does not say where it stands"},
		{"does not know the question", []string{"error 20\n"}, ""},
		{"refused once", []string{"error 20\n", "X:9.00\nok\n"}, "X was sent to 6 mm"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				g := &gantry{by: func(line string) (time.Duration, string) {
					if line == "M114" {
						return time.Millisecond, "X:0.00 Y:0.00 Z:0.00 A:0.00\nok\n"
					}
					return usual(line)
				}}
				m, err := Open("sticks", bare{g.start(t)}, drivers.System, plain)
				if err != nil {
					t.Fatal(err)
				}
				if err := m.Home(t.Context()); err != nil {
					t.Fatal(err)
				}
				answers := c.answers
				g.set(func(line string) (time.Duration, string) {
					if line != "M114" {
						return usual(line)
					}
					a := answers[0]
					if len(answers) > 1 {
						answers = answers[1:]
					}
					return time.Millisecond, a
				})
				_, err = m.Move(t.Context(), map[string]float64{"left_x": 0.5}, 0.5)
				if (err == nil) != (c.fails == "") || err != nil && !strings.Contains(err.Error(), c.fails) {
					t.Errorf("got %v, want %q", err, c.fails)
				}
			})
		})
	}
}
