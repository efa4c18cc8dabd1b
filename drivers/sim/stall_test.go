package sim

import (
	"context"
	"slices"
	"testing"
	"time"

	"fullthrow/drivers"
)

// Whoever would go on while the program stands still goes on at its end.
func TestClockStalls(t *testing.T) {
	c := NewClock(noon)
	ms := func(n int) time.Time { return noon.Add(time.Duration(n) * time.Millisecond) }
	c.Stall(ms(100), 50*time.Millisecond)
	c.Stall(ms(140), 20*time.Millisecond) // the same stall, until 160
	c.Stall(ms(300), 10*time.Millisecond)
	var got []int
	say := func() { got = append(got, int(c.Now().Sub(noon)/time.Millisecond)) }
	c.Together(context.Background(),
		func(ctx context.Context) {
			for range 5 {
				c.Sleep(ctx, 30*time.Millisecond)
				say()
			}
		},
		func(ctx context.Context) { c.Sleep(ctx, 305*time.Millisecond); say() },
	)
	if want := []int{30, 60, 90, 160, 190, 310}; !slices.Equal(got, want) {
		t.Errorf("woke at %v ms, want %v", got, want)
	}
	for _, w := range []struct{ from, to, want int }{{0, 100, 0}, {90, 400, 60}, {150, 400, 10}, {150, 200, 10},
		{160, 300, 0}, {0, 130, 30}} {
		if got := c.Stalled(ms(w.from), ms(w.to)); got != time.Duration(w.want)*time.Millisecond {
			t.Errorf("from %d to %d: stood still for %v, want %d ms", w.from, w.to, got, w.want)
		}
	}
}

// What is said while the wires are held up comes through at the end of it.
func TestHoldUp(t *testing.T) {
	c := NewClock(noon)
	b := NewBench(c, 1)
	b.HoldUp(noon.Add(100*time.Millisecond), 200*time.Millisecond)
	board, err := b.Port(Board)
	if err != nil {
		t.Fatal(err)
	}
	receiver, err := b.Port(Receiver)
	if err != nil {
		t.Fatal(err)
	}
	c.Together(context.Background(), func(ctx context.Context) {
		ask := func() (string, time.Duration) {
			if err := board.Write(ctx, []byte("*IDN?\n")); err != nil {
				t.Fatal(err)
			}
			buf := make([]byte, 100)
			n, err := board.Read(ctx, buf, time.Second)
			if err != nil {
				t.Fatal(err)
			}
			return string(buf[:n]), c.Now().Sub(noon)
		}
		if _, at := ask(); at > 20*time.Millisecond {
			t.Errorf("before: answered after %v", at)
		}
		if err := c.Sleep(ctx, 140*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		if err := receiver.Discard(); err != nil { // drops the frames of 100 ms
			t.Fatal(err)
		}
		if err := board.Write(ctx, []byte("ROUT:CLOS (@1)\n")); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 4096)
		if n, err := receiver.Read(ctx, buf, 100*time.Millisecond); drivers.KindOf(err) != drivers.NoReply {
			t.Errorf("held up: %d bytes, %v", n, err)
		}
		n, err := receiver.Read(ctx, buf, time.Second)
		if at := c.Now().Sub(noon); err != nil || at != 300*time.Millisecond || n < 28*25 || n > 29*25 {
			t.Errorf("at its end: %d bytes at %v, %v; want 200 ms of frames", n, at, err)
		}
		if s := b.State(); !s.Relays[1] {
			t.Error("what was said meanwhile did not come through")
		}
	})
}
