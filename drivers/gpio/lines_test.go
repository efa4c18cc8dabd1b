package gpio

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

func newLines(t *testing.T) (*Lines, *Fake) {
	t.Helper()
	f := NewFake(8)
	d, err := New("board", f)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d, f
}

func TestLinesPromises(t *testing.T) {
	drivertest.TestLines(t, func(t *testing.T) (drivers.Lines, drivertest.LineBench) {
		d, f := newLines(t)
		return d, drivertest.LineBench{Output: 3, Input: 5, None: 8, High: f.High, Drive: f.Drive,
			Break: func() { f.Break(errors.New("broken")) }}
	})
}

func TestLineDevices(t *testing.T) {
	drivertest.TestDevice(t, func(t *testing.T) drivers.Device { d, _ := newLines(t); return d })
}

// The level goes with the request: a line that is made an output and then set
// would be at the wrong level between the two.
func TestOutputBeginsAtItsSafeLevel(t *testing.T) {
	for _, c := range []struct {
		name            string
		activeLow, safe bool
		want            []string
	}{
		{"active high, safe off", false, false, []string{"3 output Low", "3 High", "3 Low", "3 given back"}},
		{"active high, safe on", false, true, []string{"3 output High", "3 High", "3 High", "3 given back"}},
		{"active low, safe off", true, false, []string{"3 output High", "3 Low", "3 High", "3 given back"}},
		{"active low, safe on", true, true, []string{"3 output Low", "3 Low", "3 Low", "3 given back"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, f := newLines(t)
			out, err := d.Output("relay", 3, c.activeLow, c.safe)
			if err != nil {
				t.Fatal(err)
			}
			if err := out.Set(t.Context(), true); err != nil {
				t.Fatal(err)
			}
			if err := d.Close(); err != nil { // writes the safe level first
				t.Fatal(err)
			}
			if got := f.Log(); !slices.Equal(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestSafeGoesOnAfterAFailure(t *testing.T) {
	d, f := newLines(t)
	for n := range 3 {
		if _, err := d.Output("relay", n, true, false); err != nil {
			t.Fatal(err)
		}
	}
	f.Break(errors.New("broken"))
	err := d.Safe(t.Context())
	if err == nil || strings.Count(err.Error(), "make safe: broken") != 3 {
		t.Errorf("each of the three must be tried and told: %v", err)
	}
	f.Break(nil)
}

func TestLineInUse(t *testing.T) {
	d, f := newLines(t)
	f.Hold(2, "someone")
	_, err := d.Input("guard", 2, false)
	var e *drivers.Error
	if !errors.As(err, &e) || e.Kind != drivers.Busy || !strings.Contains(err.Error(), "someone") || e.Hint == "" {
		t.Errorf("held by another program: %v", err)
	}
	if _, err = d.Input("guard", 4, false); err != nil {
		t.Fatal(err)
	}
	if _, err = d.Output("relay", 4, false, false); drivers.KindOf(err) != drivers.Busy || !strings.Contains(err.Error(), "already guard") {
		t.Errorf("opened twice: %v", err)
	}
	f.Break(errChipGone)
	if _, err := d.Ready(t.Context()); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("an unplugged chip: %v (kind %q)", err, drivers.KindOf(err))
	}
	f.Break(nil)
}

func TestFind(t *testing.T) {
	d, f := newLines(t)
	f.lines[6].Name = "LINE1"
	if n, err := d.Find("LINE7"); n != 7 || err != nil {
		t.Errorf("got %d, %v", n, err)
	}
	if _, err := d.Find("LINE1"); drivers.KindOf(err) != drivers.Fault {
		t.Errorf("two of that name: %v", err)
	}
	for _, name := range []string{"LINE9", ""} {
		if _, err := d.Find(name); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("%q: %v", name, err)
		}
	}
}

func TestEdge(t *testing.T) {
	for _, activeLow := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			d, f := newLines(t)
			defer d.Close()
			in, err := d.Input("answer", 1, activeLow)
			if err != nil {
				t.Fatal(err)
			}
			edges := in.(drivers.EdgeInput)

			if _, err := edges.Edge(t.Context(), time.Second); drivers.KindOf(err) != drivers.NoReply {
				t.Errorf("no edge: %v", err)
			}
			f.Drive(1, true)
			f.Drive(1, false) // both before the call: not meant
			start := time.Now()
			time.AfterFunc(3*time.Second, func() { f.Drive(1, true) })
			e, err := edges.Edge(t.Context(), time.Minute)
			if err != nil || e.Rising == activeLow || e.At.Sub(start) != 3*time.Second {
				t.Errorf("active low %v: got %+v after %v, %v", activeLow, e, e.At.Sub(start), err)
			}
			if level, err := in.Level(t.Context()); err != nil || level == activeLow {
				t.Errorf("level after the edge: %v, %v", level, err)
			}
			time.AfterFunc(time.Second, func() { _ = d.Close() })
			if _, err := edges.Edge(t.Context(), time.Minute); drivers.KindOf(err) != drivers.Closed {
				t.Errorf("closed while waiting: %v", err)
			}
		})
	}
}

// A wait for an edge asks for the line again. If that fails the line is lost,
// which must not look like our own Close, and is got back when it can be.
func TestEdgeLosesTheLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, f := newLines(t)
		in, err := d.Input("guard", 1, true)
		if err != nil {
			t.Fatal(err)
		}
		f.Break(errChipGone)
		for range 2 {
			if _, err := in.(drivers.EdgeInput).Edge(t.Context(), time.Second); drivers.KindOf(err) != drivers.Gone {
				t.Errorf("edge: %v (kind %q)", err, drivers.KindOf(err))
			}
			if _, err := in.Level(t.Context()); drivers.KindOf(err) != drivers.Gone {
				t.Errorf("level: %v (kind %q)", err, drivers.KindOf(err))
			}
		}
		f.Break(nil)
		if _, err := in.Level(t.Context()); drivers.KindOf(err) != drivers.Gone {
			t.Errorf("a lost line has a level: %v", err)
		}
		if _, err := in.(drivers.EdgeInput).Edge(t.Context(), time.Second); drivers.KindOf(err) != drivers.NoReply {
			t.Errorf("edge of the line got back: %v", err)
		}
		if on, err := in.Level(t.Context()); !on || err != nil {
			t.Errorf("level of the line got back: %v, %v", on, err)
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
}
