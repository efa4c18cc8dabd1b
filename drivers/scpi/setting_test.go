package scpi

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
)

// An instrument that acknowledges everything and does nothing.
func TestStuckInstrument(t *testing.T) { synctest.Test(t, testStuckInstrument) }

func testStuckInstrument(t *testing.T) {
	ctx := context.Background()
	for _, joined := range []bool{true, false} {
		i := newInstrument()
		i.stuck = true
		i.relays["2"] = true
		s, a, b := stuck[drivers.Supply](t, i, "generic-supply", joined), stuck[drivers.Attenuator](t, i, "generic-attenuator", joined), stuck[*Board](t, i, "fixture-board", joined)
		relay := func(n int, activeLow, safe bool) drivers.Output {
			out, err := b.Output("power", n, activeLow, safe)
			if err != nil {
				t.Fatal(err)
			}
			return out
		}
		for _, c := range []struct{ got, want error }{
			{s.SetVoltage(ctx, 3.7), errors.New("dev: set voltage: asked for 3.7 V, it says 0 V")},
			{s.SetCurrentLimit(ctx, 1.5), errors.New("dev: set current limit: asked for 1.5 A, it says 1 A")},
			{s.SetCurrentLimit(ctx, 1), nil}, // as it stands
			{s.SetOutput(ctx, true), errors.New("dev: switch output: asked for on, it says off")},
			{s.SetOutput(ctx, false), nil},
			{a.SetAttenuation(ctx, 60), errors.New("dev: set attenuation: asked for 60 dB, it says 0 dB")},
			{relay(1, false, false).Set(ctx, true), errors.New("power: switch: asked for closed, dev says open")},
			{relay(2, true, false).Set(ctx, true), errors.New("power: switch: asked for open, dev says closed")},
			{relay(1, true, false).Set(ctx, true), nil},
		} {
			var e *drivers.Error
			switch {
			case c.want == nil && c.got == nil:
			case c.want == nil || c.got == nil || c.want.Error() != c.got.Error() || drivers.KindOf(c.got) != drivers.Fault:
				t.Errorf("joined %v: got %v, want %v", joined, c.got, c.want)
			case !errors.As(c.got, &e) || e.Hint == "":
				t.Errorf("joined %v: %v: no hint", joined, c.got)
			}
		}
		// An output that stays on is not safe, whatever the instrument confirms.
		i.set["OUTP"] = "1"
		for d, want := range map[drivers.Device]string{s: "dev: make safe: asked for off, it says on", b: "dev: make safe: asked for open, dev says closed"} {
			err := d.Safe(ctx)
			if err == nil || err.Error() != want || drivers.KindOf(err) != drivers.Fault {
				t.Errorf("joined %v: got %v, want %s", joined, err, want)
			}
		}
	}
}

// stuck is an instrument of a row whose answers come joined or not.
func stuck[D drivers.Device](t *testing.T, i *instrument, model string, joined bool) D {
	t.Helper()
	for _, m := range Models() {
		if m.Name != model {
			continue
		}
		if !joined {
			m.Compound = Apart
		}
		d, err := New("dev", i.port(), drivers.System, m, drivers.Calibration{})
		if err != nil {
			t.Fatal(err)
		}
		return d.(D)
	}
	t.Fatalf("no model %s", model)
	panic("unreachable")
}

// What is asked back may be rounded to the instrument's steps, no more.
func TestRoundedSetting(t *testing.T) { synctest.Test(t, testRoundedSetting) }

func testRoundedSetting(t *testing.T) {
	ctx := context.Background()
	i := newInstrument()
	s := meet[drivers.Supply](t, i, "generic-supply", drivers.Calibration{})
	for answer, kind := range map[string]drivers.Kind{
		"3.7": "", "3.70000E+00": "", "3.705": "", "3.695": "", "3.706": drivers.Fault, "3.694": drivers.Fault,
		"9.91E37": drivers.Fault, "9.9E37": drivers.Fault, "ON": drivers.Garbled, "3.7,3.8": drivers.Fault, "3.7,": drivers.Garbled,
	} {
		i.set["VOLT"], i.stuck = answer, true
		if err := s.SetVoltage(ctx, 3.7); drivers.KindOf(err) != kind {
			t.Errorf("it says %s: got %v (%q), want kind %q", answer, err, drivers.KindOf(err), kind)
		}
	}
}

func TestSplitReply(t *testing.T) {
	for _, c := range []struct {
		line, answer string
		number       int
		ok           bool
	}{
		{`3.7;0,"No error"`, "3.7", 0, true},
		{`0;-113,"Undefined header;VOLT?"`, "0", -113, true},
		{`-113,"Undefined header;VOLT?"`, "", -113, true},
		{`0,0,1;0,"No error"`, "0,0,1", 0, true},
		{`0,"No error"`, "", 0, true},
		{`3.7`, "3.7", 0, false},
		{`3.7;`, "3.7", 0, false},
		{``, "", 0, false},
		{`1;2;0,"No error"`, "1", 0, false},
	} {
		answer, e, ok := standard.splitReply(c.line)
		if answer != c.answer || e.Number != c.number || ok != c.ok {
			t.Errorf("%s: got %q, %d, %v", c.line, answer, e.Number, ok)
		}
		if standard.isIdentity(c.line) {
			t.Errorf("%s was taken for an identity", c.line)
		}
	}
}

// A joined reply that lacks its answer or its entry is no value.
func TestHalfAReply(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for reply, kind := range map[string]drivers.Kind{
			`0,"No error"`: drivers.Garbled, "0.01": drivers.Garbled, `0.01;`: drivers.Garbled, `;0,"No error"`: drivers.Garbled,
			`-113,"Undefined header"`: drivers.Refused, `0.01;-230,"Data corrupt or stale"`: drivers.Refused, `0.01;0,"No error"`: "",
		} {
			i := newInstrument()
			b := meet[drivers.Timer](t, i, "fixture-board", drivers.Calibration{})
			i.whole = map[string]string{"MEAS:TINT?;:SYST:ERR?": reply}
			got, err := b.Interval(t.Context())
			if drivers.KindOf(err) != kind || err != nil && got != 0 || err == nil && got != 0.01 {
				t.Errorf("%s: got %v, %v, want kind %q", reply, got, err, kind)
			}
		}
	})
}

// A converter that repeats one value is dead.
func TestDeadConverter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		flat := func(n int, v float64) []byte {
			values := make([]float64, n)
			for k := range values {
				values[k] = v
			}
			return real32(values...)
		}
		i := newInstrument()
		m := meet[drivers.Meter](t, i, "generic-meter", drivers.Calibration{})
		d := meet[drivers.Recorder](t, i, "generic-digitiser", drivers.Calibration{})
		current := func() error { _, err := m.Current(t.Context(), 1, 1000, 100*time.Millisecond); return err }
		record := func() error { _, err := d.Record(t.Context(), 25*time.Millisecond); return err }
		for _, v := range []float64{0, 0.1, -1} {
			i.fetch = flat(100, v)
			if err := current(); drivers.KindOf(err) != drivers.Fault || !strings.HasPrefix(err.Error(), "dev: read current: 100 samples and every one is") {
				t.Errorf("meter, %v: got %v", v, err)
			}
			i.fetch = flat(1200, v)
			if err := record(); drivers.KindOf(err) != drivers.Fault || !strings.HasPrefix(err.Error(), "dev: record: 1200 samples and every one is") {
				t.Errorf("digitiser, %v: got %v", v, err)
			}
		}
		// One sample that differs; an overload throughout is what it was.
		i.fetch = append(flat(99, 0.1), real32(0.1001)...)
		if err := current(); err != nil {
			t.Errorf("meter with one other sample: %v", err)
		}
		i.fetch = flat(100, Infinity)
		if err := current(); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("overload throughout: %v", err)
		}
		// Few samples, and a meter said to be coarse, may repeat themselves.
		i.fetch = flat(99, 0.1)
		if _, err := m.Current(t.Context(), 1, 1000, 99*time.Millisecond); err != nil {
			t.Errorf("99 samples: %v", err)
		}
	})
}

// A run ended by another device's time-out, or refusal: that is not this
// instrument's, which may still owe an answer.
func TestCancelledByAnothersFailure(t *testing.T) {
	for _, kind := range []drivers.Kind{drivers.NoReply, drivers.Refused} {
		synctest.Test(t, func(t *testing.T) {
			cause := drivers.Errorf("guard", "read level", kind, "its own affair")
			i := newInstrument()
			b := meet[*Board](t, i, "fixture-board", drivers.Calibration{})
			i.broken = true
			ctx, cancel := context.WithCancelCause(t.Context())
			go func() { time.Sleep(100 * time.Millisecond); cancel(cause) }()
			start := time.Now()
			_, err := b.Interval(ctx)
			if !errors.Is(err, cause) || drivers.KindOf(err) == kind || time.Since(start) != 100*time.Millisecond || !b.stale.Load() {
				t.Errorf("got %v (%q) after %v, owes answers %v", err, drivers.KindOf(err), time.Since(start), b.stale.Load())
			}
		})
	}
}
