package drivers

import (
	"context"
	"fmt"
	"runtime/debug"
	"sync"
	"sync/atomic"
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
	// knows its tasks by it. A panic of one of them becomes one of Together's,
	// a [*Panic], once all have returned: the caller may recover it.
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
	var first PanicOf
	for _, fn := range fns {
		wg.Add(1)
		go func() {
			defer wg.Done()
			defer first.Recover()
			fn(ctx)
		}()
	}
	wg.Wait()
	first.Raise()
}

// Panic is a panic that a goroutine handed to whoever waits for it.
type Panic struct {
	Value any
	Stack []byte // of the goroutine that had it
}

func (p *Panic) Error() string { return fmt.Sprintf("%v", p.Value) }

// PanicOf takes over the first panic of several goroutines. Its zero value has
// none.
type PanicOf struct{ first atomic.Pointer[Panic] }

// Recover is deferred by each of the goroutines.
func (o *PanicOf) Recover() {
	if p := recover(); p != nil {
		o.first.CompareAndSwap(nil, &Panic{p, debug.Stack()})
	}
}

// Raise panics in the goroutine that has waited for them.
func (o *PanicOf) Raise() {
	if p := o.first.Load(); p != nil {
		panic(p)
	}
}
