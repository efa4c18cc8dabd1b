package sim

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync/atomic"
	"testing"
	"time"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func TestClockOrder(t *testing.T) {
	order := func() []string {
		c := NewClock(noon)
		var got []string
		say := func(who string) {
			got = append(got, fmt.Sprintf("%s@%v", who, c.Now().Sub(noon)))
		}
		c.Together(context.Background(),
			func(ctx context.Context) {
				for range 3 {
					c.Sleep(ctx, 20*time.Millisecond)
					say("a")
				}
			},
			func(ctx context.Context) {
				c.Sleep(ctx, 30*time.Millisecond)
				say("b")
				c.Together(ctx,
					func(ctx context.Context) { c.Sleep(ctx, 10*time.Millisecond); say("b1") },
					func(ctx context.Context) { c.Sleep(ctx, 5*time.Millisecond); say("b2") },
				)
				say("b")
			},
			func(ctx context.Context) { c.Sleep(ctx, 20*time.Millisecond); say("c") },
		)
		say("end")
		return got
	}
	// At 40 ms both a and b1 are due: b1 began to wait at 30 ms, but its wait
	// was asked for after a's second, at 20 ms.
	want := []string{"a@20ms", "c@20ms", "b@30ms", "b2@35ms", "a@40ms", "b1@40ms", "b@40ms", "a@60ms", "end@60ms"}
	for range 50 {
		if got := order(); !slices.Equal(got, want) {
			t.Fatalf("got %v\nwant %v", got, want)
		}
	}
}

func TestClockOneAtATime(t *testing.T) {
	c := NewClock(noon)
	var running, most atomic.Int32
	fns := make([]func(context.Context), 200)
	total := 0 // plain: the baton orders all access
	for i := range fns {
		fns[i] = func(ctx context.Context) {
			for k := range 20 {
				most.Store(max(most.Load(), running.Add(1)))
				total++
				running.Add(-1)
				c.Sleep(ctx, time.Duration(1+(i*7+k*13)%17)*time.Millisecond)
			}
		}
	}
	c.Together(context.Background(), fns...)
	if total != 200*20 || most.Load() != 1 {
		t.Errorf("total %d, at once %d; want 4000, 1", total, most.Load())
	}
}

func TestClockCancel(t *testing.T) {
	cause := errors.New("guard opened")
	t.Run("by another task, at once", func(t *testing.T) {
		c := NewClock(noon)
		ctx, cancel := context.WithCancelCause(context.Background())
		var err error
		var at time.Duration
		c.Together(ctx,
			func(ctx context.Context) { err = c.Sleep(ctx, time.Hour); at = c.Now().Sub(noon) },
			func(ctx context.Context) { c.Sleep(ctx, 10*time.Millisecond); cancel(cause) },
		)
		if err != cause || at != 10*time.Millisecond {
			t.Errorf("got %v at %v, want %v at 10ms", err, at, cause)
		}
	})
	t.Run("already cancelled", func(t *testing.T) {
		c := NewClock(noon)
		ctx, cancel := context.WithCancelCause(context.Background())
		cancel(cause)
		for _, d := range []time.Duration{-1, 0, 1} {
			if err := c.Sleep(ctx, d); err != cause {
				t.Errorf("Sleep(%v) = %v, want %v", d, err, cause)
			}
		}
		if !c.Now().Equal(noon) {
			t.Errorf("the clock moved to %v", c.Now())
		}
	})
	t.Run("one of two contexts", func(t *testing.T) {
		c := NewClock(noon)
		var first, second time.Duration
		c.Together(context.Background(),
			func(ctx context.Context) {
				ctx, cancel := context.WithCancel(ctx)
				c.Together(ctx,
					func(ctx context.Context) { c.Sleep(ctx, time.Hour); first = c.Now().Sub(noon) },
					func(ctx context.Context) { c.Sleep(ctx, time.Second); cancel() },
				)
			},
			func(ctx context.Context) { c.Sleep(ctx, 3*time.Second); second = c.Now().Sub(noon) },
		)
		if first != time.Second || second != 3*time.Second {
			t.Errorf("got %v and %v, want 1s and 3s", first, second)
		}
	})
}

func TestClockForeign(t *testing.T) {
	c := NewClock(noon)
	bg := context.Background()
	if err := c.Sleep(bg, 1500*time.Millisecond); err != nil {
		t.Fatal(err)
	}
	if got := c.Now().Sub(noon); got != 1500*time.Millisecond {
		t.Errorf("after a foreign sleep: %v, want 1.5s", got)
	}
	// The context of a task that has returned is foreign, too.
	var old context.Context
	c.Together(bg, func(ctx context.Context) { old = ctx })
	c.Sleep(old, time.Second)
	// And the contexts of another clock.
	other := NewClock(noon)
	other.Together(bg, func(ctx context.Context) { c.Sleep(ctx, time.Second) })
	if got := c.Now().Sub(noon); got != 3500*time.Millisecond {
		t.Errorf("got %v, want 3.5s", got)
	}
	c.Sleep(bg, math.MaxInt64) // does not run over
	if got := c.Now().Sub(noon); got != math.MaxInt64 {
		t.Errorf("got %v, want the end of time", got)
	}
	c.Together(bg) // nothing to do is not a wait
}

func TestClockStuckTask(t *testing.T) {
	c := NewClock(noon)
	ctx, cancel := context.WithCancelCause(context.Background())
	stuck, free := make(chan struct{}), make(chan struct{})
	returned := make(chan error)
	go func() {
		var err error
		c.Together(ctx,
			func(ctx context.Context) {
				c.Sleep(ctx, time.Millisecond)
				close(stuck)
				<-free // a hopeless string pattern
				err = c.Sleep(ctx, time.Hour)
			},
			func(ctx context.Context) { c.Sleep(ctx, time.Hour) },
		)
		returned <- err
	}()
	<-stuck
	cause := errors.New("takt exceeded")
	cancel(cause)
	bg := context.Background()
	if err := c.Sleep(bg, time.Second); err != nil {
		t.Fatal(err)
	}
	made := 0
	c.Together(bg,
		func(ctx context.Context) { c.Sleep(ctx, time.Second); made++ },
		func(ctx context.Context) { c.Sleep(ctx, time.Second); made++ })
	if got := c.Now().Sub(noon); got != 2001*time.Millisecond || made != 2 {
		t.Errorf("made safe %d at %v, want 2 at 2.001s", made, got)
	}
	close(free)
	if err := <-returned; err != cause {
		t.Errorf("the revived task got %v, want %v", err, cause)
	}
	if got := c.Now().Sub(noon); got != 2001*time.Millisecond {
		t.Errorf("after the revival: %v, want 2.001s", got)
	}
}

func BenchmarkClockSleepAlone(b *testing.B) {
	c := NewClock(noon)
	c.Together(context.Background(), func(ctx context.Context) {
		for b.Loop() {
			c.Sleep(ctx, time.Millisecond)
		}
	})
}

func BenchmarkClockHandover(b *testing.B) {
	c := NewClock(noon)
	stop := false
	c.Together(context.Background(),
		func(ctx context.Context) {
			for b.Loop() {
				c.Sleep(ctx, time.Millisecond)
			}
			stop = true
		},
		func(ctx context.Context) {
			for !stop {
				c.Sleep(ctx, time.Millisecond)
			}
		})
}
