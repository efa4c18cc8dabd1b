// Package crash lets a program end in order when one of its goroutines panics.
//
// A panic that nobody recovers ends a Go program at once, whatever it drives.
// So every goroutine begun by the runner begins with
//
//	defer crash.Guard()
//
// and the program names with [Handle] what is to be done then: make safe, seal
// what is under way, end. Goroutines of drivers and of the record hand their
// panics to whoever waits for them.
package crash

import (
	"errors"
	"fmt"
	"runtime/debug"
	"sync/atomic"

	"fullthrow/drivers"
)

// Panic is a panic and where it was.
type Panic struct {
	Value any
	Stack []byte
}

func (p *Panic) Error() string { return fmt.Sprintf("internal error: %v", p.Value) }

var handler atomic.Pointer[func(*Panic)]

// Handle makes h what is called with a panic, in the goroutine that had it, by
// every Guard until restore is called. h may be called by several goroutines
// at once. A panic goes on after h has returned.
func Handle(h func(*Panic)) (restore func()) {
	before := handler.Swap(&h)
	return func() { handler.Store(before) }
}

// Guard is deferred at the beginning of a goroutine. Without a handler it does
// nothing.
func Guard() {
	h := handler.Load()
	if h == nil {
		return
	}
	if p := recover(); p != nil {
		(*h)(Of(p))
		panic(p)
	}
}

// Of is what was recovered as a Panic, with the stack it had first if it was
// handed on from another goroutine. To be called where it was recovered.
func Of(recovered any) *Panic {
	var handed *drivers.Panic
	if err, ok := recovered.(error); ok && errors.As(err, &handed) {
		return &Panic{handed.Value, handed.Stack}
	}
	return &Panic{recovered, debug.Stack()}
}
