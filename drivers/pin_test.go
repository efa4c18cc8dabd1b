package drivers_test

import (
	"context"
	"errors"
	"slices"
	"testing"

	periph "periph.io/x/conn/v3/gpio"

	"fullthrow/drivers"
	"fullthrow/drivers/gpio"
)

// A driver of a part gets a pin that obeys the bench: its wiring, its safe level,
// and the end of the run.
func TestPinOut(t *testing.T) {
	chip := gpio.NewFake(4)
	lines, err := gpio.New("board", chip)
	if err != nil {
		t.Fatal(err)
	}
	out, err := lines.Output("reset", 3, true, true)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	pin := drivers.PinOut(ctx, out)
	for _, l := range []periph.Level{periph.Low, periph.High, periph.Low} {
		if err := pin.Out(l); err != nil || chip.High(3) == bool(l) {
			t.Errorf("%v: %v, high %v", l, err, chip.High(3))
		}
	}
	if err := pin.Halt(); err != nil || chip.High(3) {
		t.Errorf("halted: %v, high %v; the safe level is low", err, chip.High(3))
	}
	if err := pin.PWM(periph.DutyHalf, 0); drivers.KindOf(err) != drivers.OutOfRange {
		t.Errorf("pulse width: %v", err)
	}
	over := errors.New("the run is over")
	cancel(over)
	if err := pin.Out(periph.Low); !errors.Is(err, over) || chip.High(3) {
		t.Errorf("after the run: %v, high %v", err, chip.High(3))
	}
	if err := pin.Halt(); err != nil { // safe, also then
		t.Error(err)
	}
	if pin.String() != "reset" || pin.Name() != "reset" {
		t.Errorf("it is called %v, %v", pin, pin.Name())
	}
	if err := lines.Close(); err != nil {
		t.Error(err)
	}
	want := []string{"3 output Low", "3 High", "3 Low", "3 High", "3 Low", "3 Low", "3 Low", "3 given back"}
	if got := chip.Log(); !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

// A failed read is never only a level.
func TestPinIn(t *testing.T) {
	chip := gpio.NewFake(4)
	lines, err := gpio.New("board", chip)
	if err != nil {
		t.Fatal(err)
	}
	in, err := lines.Input("alert", 1, true)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := in.(drivers.Output); ok {
		t.Error("an input offers to be driven")
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	pin := drivers.PinIn(ctx, in, cancel)
	if err := pin.In(periph.PullNoChange, periph.NoEdge); err != nil {
		t.Error(err)
	}
	for _, high := range []bool{true, false, true} {
		chip.Drive(1, high)
		if got := pin.Read(); got == periph.Level(high) || ctx.Err() != nil {
			t.Errorf("high %v: %v, %v", high, got, context.Cause(ctx))
		}
	}
	if pin.In(periph.PullUp, periph.NoEdge) == nil || pin.In(periph.PullNoChange, periph.BothEdges) == nil {
		t.Error("it takes what it cannot do")
	}
	broken := errors.New("broken")
	chip.Break(broken)
	if err := pin.In(periph.PullNoChange, periph.NoEdge); !errors.Is(err, broken) {
		t.Errorf("set up: %v", err)
	}
	if pin.Read() != periph.Low || !errors.Is(context.Cause(ctx), broken) {
		t.Errorf("after a failed read: %v", context.Cause(ctx))
	}
	chip.Break(nil)
	var told error
	pin = drivers.PinIn(t.Context(), in, func(err error) { told = err })
	if pin.WaitForEdge(0) || drivers.KindOf(told) != drivers.OutOfRange {
		t.Errorf("edges: %v", told)
	}
	if err := lines.Close(); err != nil {
		t.Error(err)
	}
}
