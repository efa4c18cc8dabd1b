package drivertest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// TestFaults plays the transcript once as it is, where converse must return
// nil and say all that is in it; and then, for each reply and each fault, with
// that fault put in, where converse must return an error of a fitting kind:
//
//	silent   no reply
//	garbled  garbled, no reply, refused or out of range
//	partial  no reply or garbled
//	gone     gone
//	slow     none, or no reply
//	stuck    no reply
//
// converse opens the driver on the port, holds the conversation and returns the
// first error, nil if every value was as expected (a value that was not read
// must never pass: check values). Each play runs in a synctest bubble of its
// own, on the clock given, and must end within an hour of virtual time.
// Faults named in skip are left out (with the reason at the call).
func TestFaults(t *testing.T, tr *Transcript, converse func(ctx context.Context, port drivers.Port,
	clock drivers.Clock) error, skip ...Fault) {
	t.Helper()
	t.Run("as recorded", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			p := NewPlayback(tr, drivers.System)
			assert.NoError(t, converse(t.Context(), p, drivers.System), tr.Name)
			assert.NoError(t, p.Done())
		})
	})
	for i := range tr.Replies() {
		for _, f := range faults {
			if slices.Contains(skip, f) {
				continue
			}
			t.Run(fmt.Sprintf("reply %d %s", i+1, f), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					bad := tr.WithFault(i, f)
					ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
					defer cancel()
					err := converse(ctx, NewPlayback(bad, drivers.System), drivers.System)
					require.NoError(t, ctx.Err(), "%s: the driver was still waiting after an hour", bad.Name)
					assert.Contains(t, fitting[f], drivers.KindOf(err), "%s: driver returned %v", bad.Name, err)
				})
			})
		}
	}
}

// fitting has the kinds that answer a fault; "" is no error.
var fitting = map[Fault][]drivers.Kind{
	Silent:  {drivers.NoReply},
	Garbled: {drivers.Garbled, drivers.NoReply, drivers.Refused, drivers.OutOfRange},
	Partial: {drivers.NoReply, drivers.Garbled},
	Gone:    {drivers.Gone},
	Slow:    {"", drivers.NoReply},
	Stuck:   {drivers.NoReply},
}
