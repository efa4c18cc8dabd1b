package sim

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

// On a paced clock things happen in the same order and at the same virtual
// moments as without, and take real time divided by the pace.
func TestPacedClockOrder(t *testing.T) {
	story := func(c *Clock) []string {
		began := c.Now()
		var got []string
		say := func(who string) { got = append(got, fmt.Sprintf("%s@%v", who, c.Now().Sub(began))) }
		c.Together(context.Background(),
			func(ctx context.Context) {
				for range 3 {
					c.Sleep(ctx, 20*time.Millisecond)
					say("a")
				}
			},
			func(ctx context.Context) {
				c.Sleep(ctx, 30*time.Millisecond)
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
	want := story(NewClock(noon))
	for _, pace := range []float64{1, 10, 100} {
		synctest.Test(t, func(t *testing.T) {
			began := time.Now()
			if got := story(NewPacedClock(pace)); !slices.Equal(got, want) {
				t.Errorf("pace %v: got %v\nwant %v", pace, got, want)
			}
			if took, want := time.Since(began), time.Duration(60e6/pace); took != want {
				t.Errorf("pace %v: took %v, want %v", pace, took, want)
			}
		})
	}
}

// What is computed between two waits does not make the whole longer.
func TestPacedClockKeepsUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPacedClock(1)
		began := time.Now()
		c.Together(t.Context(), func(ctx context.Context) {
			for range 10 {
				c.Sleep(ctx, 100*time.Millisecond)
				time.Sleep(60 * time.Millisecond) // computing
			}
		})
		if took := time.Since(began); took != 1060*time.Millisecond {
			t.Errorf("took %v, want 1.06s: ten waits of 100 ms and the last computation", took)
		}
	})
}

func TestPacedClockCancel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPacedClock(10)
		ctx, cancel := context.WithCancelCause(t.Context())
		cause := errors.New("enough")
		time.AfterFunc(time.Second, func() { cancel(cause) })
		began, virtual := time.Now(), c.Now()
		c.Together(ctx,
			func(ctx context.Context) {
				if err := c.Sleep(ctx, time.Hour); !errors.Is(err, cause) {
					t.Errorf("got %v, want the cause", err)
				}
			},
			func(ctx context.Context) { c.Sleep(ctx, time.Minute) })
		if took := time.Since(began); took != time.Second {
			t.Errorf("took %v, want 1s", took)
		}
		if moved := c.Now().Sub(virtual); moved != 10*time.Second {
			t.Errorf("the clock moved %v in 1 s at pace 10, want 10s", moved)
		}
	})
}

// Between runs the clock is the machine's; a foreign caller waits as well.
func TestPacedClockIdle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewPacedClock(10)
		began := c.Now()
		time.Sleep(time.Minute)
		if got := c.Now().Sub(began); got != time.Minute {
			t.Errorf("after a minute of rest the clock is at %v", got)
		}
		c.Together(t.Context(), func(ctx context.Context) { c.Sleep(ctx, 10*time.Second) })
		if got := c.Now().Sub(began); got != 70*time.Second {
			t.Errorf("after a task of 10 s the clock is at %v, want 1m10s", got)
		}
		real := time.Now()
		if err := c.Sleep(t.Context(), 5*time.Second); err != nil {
			t.Error(err)
		}
		if took := time.Since(real); took != 500*time.Millisecond {
			t.Errorf("a foreign wait of 5 s took %v at pace 10, want 500ms", took)
		}
		if got := c.Now().Sub(began); got != 75*time.Second {
			t.Errorf("then the clock is at %v, want 1m15s", got)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := c.Sleep(ctx, time.Hour); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v, want the deadline", err)
		}
		if got := c.Now().Sub(began); got != 85*time.Second {
			t.Errorf("after 1 s of a cancelled wait the clock is at %v, want 1m25s", got)
		}
	})
}
