package drivers_test

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"fullthrow/drivers"
)

func TestEnded(t *testing.T) {
	other := drivers.Errorf("guard", "read level", drivers.NoReply, "no reply in 1s")
	cause := fmt.Errorf("the interlock could not be read: %w", other)
	ctx, cancel := context.WithCancelCause(context.Background())
	own := drivers.Errorf("port", "read", drivers.Gone, "unplugged")
	for _, err := range []error{nil, own, other} {
		if got := drivers.Ended(ctx, err); got != err {
			t.Errorf("before the end: got %v, want %v", got, err)
		}
	}
	cancel(cause)
	for _, err := range []error{nil, own} {
		if got := drivers.Ended(ctx, err); got != err {
			t.Errorf("not the cause: got %v, want %v", got, err)
		}
	}
	for _, err := range []error{cause, fmt.Errorf("port: %w", cause), drivers.Ended(ctx, cause), drivers.Wrap("port", "read", cause)} {
		got := drivers.Wrap("receiver", "record", drivers.Ended(ctx, err))
		if !errors.Is(got, cause) || drivers.KindOf(got) != "cancelled" || got.Error() != "receiver: record: "+cause.Error() {
			t.Errorf("the cause: got %v (%q)", got, drivers.KindOf(got))
		}
	}
}
