package drivers

import (
	"testing"
	"testing/synctest"
	"time"
)

func TestStallWatch(t *testing.T) {
	zero := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	at := func(ms int) time.Time { return zero.Add(time.Duration(ms) * time.Millisecond) }
	w := &stallWatch{users: 1, last: zero}
	for ms := 5; ms <= 100; ms += 5 {
		w.wake(at(ms), 0)
	}
	w.wake(at(112), 0) // 7 ms late: as any timer
	w.wake(at(217), 0) // 100 ms late
	w.wake(at(222), 0)
	type asked struct {
		name     string
		from, to int
		want     time.Duration
	}
	ask := func(list ...asked) {
		t.Helper()
		for _, c := range list {
			if got := w.longest(at(c.from), at(c.to)); got != c.want {
				t.Errorf("%s: got %v, want %v", c.name, got, c.want)
			}
		}
	}
	ask([]asked{
		{"awake", 0, 112, 0},
		{"over all of it", 100, 222, 100 * time.Millisecond},
		{"its beginning", 100, 150, 33 * time.Millisecond},
		{"its middle", 150, 170, 20 * time.Millisecond},
		{"its end", 200, 220, 17 * time.Millisecond},
		{"after", 217, 230, 0},
		{"still going on", 230, 300, 70 * time.Millisecond},
	}...)
	w.wake(at(227), 2*time.Second) // the computer slept, and its clock with it
	ask(asked{"asleep", 221, 227, 6 * time.Millisecond}, asked{"asleep, begun long before", -3000, 227, 2 * time.Second},
		asked{"after it", 228, 240, 0})
	for ms := 300; ms < 300+40*stallsKept; ms += 40 {
		w.wake(at(ms), 0)
	}
	if n := len(w.stalls); n > stallsKept || n < stallsKept/2 {
		t.Errorf("%d stalls are kept", n)
	}
}

// The machine's clock watches while somebody wants it, and a process that does not
// stand still has not.
func TestWatchStalls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		first, second := WatchStalls(), WatchStalls()
		from := time.Now()
		time.Sleep(time.Second)
		first()
		first() // once
		time.Sleep(time.Second)
		if got := Stalled(System, from, time.Now()); got != 0 {
			t.Errorf("stood still for %v", got)
		}
		second()
		synctest.Wait()
		time.Sleep(time.Second) // nobody watches: nothing is known
		if got := Stalled(System, from, time.Now()); got != 0 {
			t.Errorf("not watched: stood still for %v", got)
		}
	})
}

// Whatever is left of it, a time-out prints as what it was set to.
func TestTimeOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := Within(System, 300*time.Millisecond)
		time.Sleep(100 * time.Millisecond)
		if w.Left() != 200*time.Millisecond || w.Passed() || w.String() != "300ms" {
			t.Errorf("%v left of %v, passed %v", w.Left(), w, w.Passed())
		}
		later := Within(System, 200*time.Millisecond)
		if got := later.Sooner(Within(System, 50*time.Millisecond)); got.String() != "50ms" {
			t.Errorf("sooner: %v", got)
		}
		time.Sleep(time.Second)
		if w.Left() != 0 || !w.Passed() || w.String() != "300ms" {
			t.Errorf("%v left of %v, passed %v", w.Left(), w, w.Passed())
		}
	})
}
