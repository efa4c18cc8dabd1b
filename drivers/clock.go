package drivers

import (
	"context"
	"sync"
	"time"
)

// Clock is what everything that waits asks for time. It has two
// implementations: [System], and the simulated bench's, on which waiting costs
// nothing and is exactly repeatable.
type Clock interface {
	// Now is the present moment of this clock.
	Now() time.Time
	// Sleep waits for d, or until ctx is cancelled; then it returns
	// context.Cause(ctx). d <= 0 only checks ctx.
	Sleep(ctx context.Context, d time.Duration) error
	// Together runs the functions side by side and returns when every one has
	// returned. Each gets a context derived from ctx, and must hand that one
	// (or one derived from it) to Sleep, ports and devices: the simulated clock
	// knows its tasks by it.
	Together(ctx context.Context, fns ...func(context.Context))
}

// System is the machine's clock.
var System Clock = systemClock{}

type systemClock struct{}

func (systemClock) Now() time.Time { return time.Now() }

func (systemClock) Sleep(ctx context.Context, d time.Duration) error {
	if err := context.Cause(ctx); err != nil || d <= 0 {
		return err
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (systemClock) Together(ctx context.Context, fns ...func(context.Context)) {
	var wg sync.WaitGroup
	for _, fn := range fns {
		wg.Add(1)
		go func() { defer wg.Done(); fn(ctx) }()
	}
	wg.Wait()
}
