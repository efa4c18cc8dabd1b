package drivertest

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

// TestDevice checks the promises of [drivers.Device] on a device that works.
// open gives a fresh one each time.
func TestDevice(t *testing.T, open func(t *testing.T) drivers.Device) {
	ctx := context.Background()
	run := func(name string, f func(t *testing.T, d drivers.Device)) {
		t.Run(name, func(t *testing.T) {
			d := open(t)
			t.Cleanup(func() { _ = d.Close() })
			f(t, d)
		})
	}
	run("String is the role", func(t *testing.T, d drivers.Device) {
		assert.NotEmpty(t, d.String(), "String is empty")
	})
	run("Ready proves that it answers", func(t *testing.T, d drivers.Device) {
		a, err := d.Ready(ctx)
		require.NoError(t, err, "Ready")
		b, err := d.Ready(ctx)
		assert.NoError(t, err)
		assert.Equal(t, a, b, "Ready changes nothing")
	})
	run("Safe may be called more than once", func(t *testing.T, d drivers.Device) {
		for range 2 {
			require.NoError(t, d.Safe(ctx), "Safe")
		}
	})
	run("A cancelled context ends Ready with its cause", func(t *testing.T, d drivers.Device) {
		why := errors.New("stopped")
		cancelled, cancel := context.WithCancelCause(ctx)
		cancel(why)
		_, err := d.Ready(cancelled)
		assert.ErrorIs(t, err, why)
	})
	run("After Close everything is Closed", func(t *testing.T, d drivers.Device) {
		require.NoError(t, d.Close(), "Close")
		_, err := d.Ready(ctx)
		wantError(t, "Ready after Close", err, drivers.Closed, d.String())
	})
}

// wantError checks that err is a drivers.Error of that kind that names the
// device and what was being done.
func wantError(t *testing.T, promise string, err error, kind drivers.Kind, device string) {
	t.Helper()
	var e *drivers.Error
	if assert.ErrorAs(t, err, &e, promise) {
		assert.Equal(t, kind, e.Kind, promise)
		assert.Equal(t, device, e.Device, promise)
		assert.NotEmpty(t, e.Op, promise)
	}
}

// LineBench is the outside of a [drivers.Lines], as a test sees it: electrical
// levels, not logical ones.
type LineBench struct {
	Output int // number of a line that can be an output, -1 if the device has none
	Input  int // number of a line that can be an input, -1 if the device has none
	None   int // number of a line that the device does not have

	High  func(n int) bool       // level of output n
	Drive func(n int, high bool) // set the level of input n
	Break func()                 // from now on the device fails; nil if it cannot
}

// TestLines checks the promises of [drivers.Lines], [drivers.Output] and
// [drivers.Input].
func TestLines(t *testing.T, open func(t *testing.T) (drivers.Lines, LineBench)) {
	ctx := context.Background()
	TestDevice(t, func(t *testing.T) drivers.Device { d, _ := open(t); return d })
	for _, activeLow := range []bool{false, true} {
		name := map[bool]string{false: "active high", true: "active low"}[activeLow]
		t.Run("output "+name, func(t *testing.T) {
			for _, safe := range []bool{false, true} {
				d, b := open(t)
				if b.Output < 0 {
					t.Skip("the device has no outputs")
				}
				out, err := d.Output("relay", b.Output, activeLow, safe)
				require.NoError(t, err, "Output")
				for _, on := range []bool{true, false, true} {
					require.NoError(t, out.Set(ctx, on), "Set(%v)", on)
					assert.Equal(t, on != activeLow, b.High(b.Output), "after Set(%v)", on)
				}
				for what, makeSafe := range map[string]func(context.Context) error{"Output.Safe": out.Safe,
					"Lines.Safe": d.Safe} {
					require.NoError(t, out.Set(ctx, !safe))
					require.NoError(t, makeSafe(ctx), what)
					assert.Equal(t, safe != activeLow, b.High(b.Output), "after %s with safe = %v", what, safe)
				}
				require.NoError(t, d.Close(), "Close")
				wantError(t, "Set after Close", out.Set(ctx, true), drivers.Closed, "relay")
			}
		})
		t.Run("input "+name, func(t *testing.T) {
			d, b := open(t)
			t.Cleanup(func() { _ = d.Close() })
			if b.Input < 0 {
				t.Skip("the device has no inputs")
			}
			in, err := d.Input("guard", b.Input, activeLow)
			require.NoError(t, err, "Input")
			for _, high := range []bool{true, false, true} {
				b.Drive(b.Input, high)
				got, err := in.Level(ctx)
				assert.NoError(t, err)
				assert.Equal(t, high != activeLow, got, "driven high %v", high)
			}
			if b.Break == nil {
				return
			}
			b.Break()
			_, err = in.Level(ctx)
			assert.NotEmpty(t, drivers.KindOf(err), "a failed read is a *drivers.Error and never a level: %v", err)
		})
	}
	t.Run("a line the device does not have", func(t *testing.T) {
		d, b := open(t)
		t.Cleanup(func() { _ = d.Close() })
		if b.Output >= 0 {
			_, err := d.Output("relay", b.None, false, false)
			wantError(t, "Output of no line", err, drivers.OutOfRange, "relay")
		}
		if b.Input >= 0 {
			_, err := d.Input("guard", b.None, false)
			wantError(t, "Input of no line", err, drivers.OutOfRange, "guard")
		}
	})
}

// TestRecorder checks the promises of [drivers.Recorder] on one that works.
func TestRecorder(t *testing.T, open func(t *testing.T) drivers.Recorder) {
	TestDevice(t, func(t *testing.T) drivers.Device { return open(t) })
	t.Run("Record takes as long as asked", func(t *testing.T) {
		d := open(t)
		t.Cleanup(func() { _ = d.Close() })
		const over = 250 * time.Millisecond
		s, err := d.Record(context.Background(), over)
		require.NoError(t, err, "Record")
		if s.Rate <= 0 || s.Channels < 1 || s.Unit == "" || s.Start.IsZero() {
			t.Fatalf("rate %v, channels %d, unit %q, start %v: all must be said", s.Rate, s.Channels, s.Unit, s.Start)
		}
		assert.Zero(t, len(s.Values)%s.Channels, "%d values in %d channels", len(s.Values), s.Channels)
		if want := int(math.Round(over.Seconds() * s.Rate)); s.Count() < want || s.Count() > want+1 {
			t.Errorf("%d samples, want %d", s.Count(), want)
		}
		for i, v := range s.Values {
			if s.Unit == "1" && !(v >= -1 && v <= 1) {
				t.Fatalf("value %d is %v: not a fraction of full scale", i, v)
			}
		}
	})
	t.Run("a cancelled context ends Record with its cause", func(t *testing.T) {
		d := open(t)
		t.Cleanup(func() { _ = d.Close() })
		why := errors.New("stopped")
		ctx, cancel := context.WithCancelCause(context.Background())
		cancel(why)
		_, err := d.Record(ctx, time.Second)
		assert.ErrorIs(t, err, why)
	})
}
