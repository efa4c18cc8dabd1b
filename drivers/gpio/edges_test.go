package gpio

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
)

func TestCapture(t *testing.T) {
	up, down := true, false
	for _, c := range []struct {
		name         string
		last         uint32
		events       []event
		want         int // events kept
		lost, unseen int
		more         bool // after the last
	}{
		{"none", 0, nil, 0, 0, 0, true},
		{"whole", 0, []event{{1, 100, up}, {2, 150, down}, {3, 200, up}}, 3, 0, 0, true},
		{"before and after", 7, []event{{8, 99, up}, {9, 120, down}, {10, 201, up}}, 1, 0, 0, false},
		{"gap within", 0, []event{{1, 110, up}, {5, 120, up}}, 2, 3, 0, true},
		{"gap at the beginning", 4, []event{{6, 110, up}}, 1, 1, 0, true},
		{"gap before the beginning", 4, []event{{900, 50, up}, {901, 110, down}}, 1, 0, 0, true},
		{"gap at the end", 4, []event{{5, 110, up}, {8, 250, up}}, 1, 2, 0, false},
		{"gap over all of it", 4, []event{{2000, 250, up}}, 0, 1995, 0, false},
		{"numbers begin again", 1<<32 - 2, []event{{1<<32 - 1, 110, up}, {0, 120, down}, {2, 130, down}}, 3, 1, 0, true},
		{"one direction twice", 0, []event{{1, 110, up}, {2, 120, up}, {3, 130, down}, {4, 140, down}}, 4, 0, 2, true},
		{"one direction twice, the first before", 0, []event{{1, 90, up}, {2, 120, up}}, 1, 0, 0, true},
	} {
		got, more := capture{from: 100, to: 200, last: c.last}, true
		for _, e := range c.events {
			more = got.add(e)
		}
		if len(got.events) != c.want || got.lost != c.lost || got.unseen != c.unseen || more != c.more {
			t.Errorf("%s: got %+v, more %v", c.name, got, more)
		}
		err := got.end()
		kind := drivers.Garbled
		if c.lost > 0 {
			kind = drivers.Late
		}
		if (err != nil) != (c.lost+c.unseen > 0) || err != nil && (drivers.KindOf(err) != kind || !strings.Contains(err.Error(), fmt.Sprintf("%d edges were lost", c.lost+c.unseen))) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func openRecorder(t *testing.T, activeLow bool) (*Lines, *Fake, drivers.EdgeRecorder) {
	t.Helper()
	d, f := newLines(t)
	in, err := d.Input("pulses", 1, activeLow)
	if err != nil {
		t.Fatal(err)
	}
	return d, f, in.(drivers.EdgeRecorder)
}

func TestEdges(t *testing.T) {
	for _, activeLow := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			_, f, in := openRecorder(t, activeLow)
			for _, over := range []time.Duration{0, -1} {
				if _, err := in.Edges(t.Context(), over); drivers.KindOf(err) != drivers.OutOfRange {
					t.Errorf("duration %v: %v", over, err)
				}
			}
			if list, err := in.Edges(t.Context(), time.Second); len(list) != 0 || err != nil {
				t.Errorf("no edge: %v, %v; want an empty capture", list, err)
			}
			for range 3000 { // before the call, and more than are kept: not meant
				f.Drive(1, true)
				f.Drive(1, false)
			}
			time.Sleep(time.Millisecond)
			start := time.Now()
			at := []time.Duration{3 * time.Millisecond, 3300 * time.Microsecond, 500 * time.Millisecond, time.Second, 1001 * time.Millisecond}
			for i, d := range at {
				time.AfterFunc(d, func() { f.Drive(1, i%2 == 0) })
			}
			f.Delay(1, 10*time.Millisecond) // over the end, too
			list, err := in.Edges(t.Context(), time.Second)
			if err != nil || len(list) != 4 {
				t.Fatalf("active low %v: %v, %v; want 4 edges", activeLow, list, err)
			}
			for i, e := range list {
				if e.At.Sub(start) != at[i] || e.Rising != (i%2 == 0) != activeLow {
					t.Errorf("active low %v: edge %d: %+v, want after %v", activeLow, i, e, at[i])
				}
			}
		})
	}
}

// Between two waits for an edge others go by; a recording has them all.
func TestEdgesOfABusyComputer(t *testing.T) {
	for _, c := range []struct {
		late time.Duration
		n    int
		lost int
	}{
		{0, 2000, 0},
		{time.Millisecond, 2000, 0},
		{400 * time.Millisecond, 2000, 0}, // 800 of them wait
		{time.Second, edgeQueue, 0},
		{time.Second, edgeQueue + 500, 500},
	} {
		synctest.Test(t, func(t *testing.T) {
			_, f, in := openRecorder(t, false)
			if _, err := in.Edges(t.Context(), time.Millisecond); err != nil {
				t.Fatal(err)
			}
			f.Delay(1, c.late)
			go func() {
				for i := range c.n {
					time.Sleep(500 * time.Microsecond)
					f.Drive(1, i%2 == 0)
				}
			}()
			list, err := in.Edges(t.Context(), 3*time.Second)
			if c.lost > 0 {
				if drivers.KindOf(err) != drivers.Late || !strings.Contains(err.Error(), fmt.Sprintf("pulses: record edges: %d edges were lost", c.lost)) || list != nil {
					t.Errorf("late by %v: %d edges, %v; want to be told of %d lost", c.late, len(list), err, c.lost)
				}
				if list, err := in.Edges(t.Context(), time.Second); len(list) != 0 || err != nil {
					t.Errorf("the next capture: %d edges, %v", len(list), err)
				}
				return
			}
			if err != nil || len(list) != c.n {
				t.Fatalf("late by %v: %d edges, %v; want %d", c.late, len(list), err, c.n)
			}
			for i, e := range list {
				if i > 0 && e.At.Sub(list[i-1].At) != 500*time.Microsecond || e.Rising != (i%2 == 0) {
					t.Fatalf("late by %v: edge %d: %+v", c.late, i, e)
				}
			}
		})
	}
}

// As many edges at one moment as are kept, and one more.
func TestEdgesInABurst(t *testing.T) {
	for _, n := range []int{1, edgeQueue, edgeQueue + 1} {
		synctest.Test(t, func(t *testing.T) {
			_, f, in := openRecorder(t, false)
			f.Delay(1, time.Millisecond)
			time.AfterFunc(time.Second, func() {
				for i := range n {
					f.Drive(1, i%2 == 0)
				}
			})
			list, err := in.Edges(t.Context(), 2*time.Second)
			if n <= edgeQueue && (err != nil || len(list) != n) || n > edgeQueue && !strings.Contains(fmt.Sprint(err), " 1 edges were lost") {
				t.Errorf("burst of %d: %d edges, %v", n, len(list), err)
			}
		})
	}
}

func TestEdgesEnd(t *testing.T) {
	cause := drivers.Errorf("guard", "read level", drivers.NoReply, "its own affair")
	for _, c := range []struct {
		name string
		end  func(*Lines, *Fake, context.CancelCauseFunc)
		kind drivers.Kind
		is   error
	}{
		{"cancelled", func(_ *Lines, _ *Fake, cancel context.CancelCauseFunc) { cancel(cause) }, "cancelled", cause},
		{"closed", func(d *Lines, _ *Fake, _ context.CancelCauseFunc) { _ = d.Close() }, drivers.Closed, nil},
		{"unplugged", func(_ *Lines, f *Fake, _ context.CancelCauseFunc) { f.Break(errChipGone) }, drivers.Gone, errChipGone},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d, f, in := openRecorder(t, false)
				ctx, cancel := context.WithCancelCause(t.Context())
				defer cancel(nil)
				time.AfterFunc(time.Second, func() {
					if _, err := in.Edge(ctx, time.Second); drivers.KindOf(err) != drivers.Busy {
						t.Errorf("a second caller: %v", err)
					}
					c.end(d, f, cancel)
				})
				f.Drive(1, true)
				start := time.Now()
				list, err := in.Edges(ctx, time.Minute)
				if list != nil || drivers.KindOf(err) != c.kind || c.is != nil && !errors.Is(err, c.is) || time.Since(start) != time.Second {
					t.Errorf("%d edges, %v (kind %q) after %v", len(list), err, drivers.KindOf(err), time.Since(start))
				}
				f.Break(nil)
			})
		})
	}
}
