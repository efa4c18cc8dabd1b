package scpi

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

func TestEveryModelIsADevice(t *testing.T) {
	for _, m := range Models() {
		t.Run(m.Name, func(t *testing.T) {
			drivertest.TestDevice(t, func(t *testing.T) drivers.Device {
				return openAs[drivers.Device](t, newInstrument().port(), m.Name, drivers.Calibration{})
			})
		})
	}
}

func TestBoardIsLines(t *testing.T) {
	drivertest.TestLines(t, func(t *testing.T) (drivers.Lines, drivertest.LineBench) {
		i := newInstrument()
		return openAs[drivers.Lines](t, i.port(), "fixture-board", drivers.Calibration{}), drivertest.LineBench{
			Output: 3, Input: 2, None: 9,
			High:  func(n int) bool { i.mu.Lock(); defer i.mu.Unlock(); return i.relays["3"] },
			Drive: func(n int, high bool) { i.mu.Lock(); defer i.mu.Unlock(); i.input["2"] = high },
			Break: func() {
				i.mu.Lock()
				defer i.mu.Unlock()
				i.answers["SENS:DIG? (@2)"] = "2"
			},
		}
	})
}

func TestDigitiserIsARecorder(t *testing.T) {
	drivertest.TestRecorder(t, func(t *testing.T) drivers.Recorder {
		i := newInstrument()
		noise := make([]float64, 12000)
		for k := range noise {
			noise[k] = 1e-4 * float64(k%7-3)
		}
		i.fetch = real32(noise...)
		return openAs[drivers.Recorder](t, i.port(), "generic-digitiser", drivers.Calibration{})
	})
}

// Words on the wire, one round trip each.
func TestWords(t *testing.T) {
	ctx := context.Background()
	i := newInstrument()
	s := meet[drivers.Supply](t, i, "generic-supply", drivers.Calibration{})
	a := meet[drivers.Attenuator](t, i, "generic-attenuator", drivers.Calibration{})
	b := meet[*Board](t, i, "fixture-board", drivers.Calibration{})
	cal := meet[drivers.Supply](t, i, "generic-supply", drivers.Calibration{Gain: 1.25, Offset: 0.5})
	calA := meet[drivers.Attenuator](t, i, "generic-attenuator", drivers.Calibration{Offset: 0.3})
	out, err := b.Output("clutch", 6, false, false)
	if err != nil {
		t.Fatal(err)
	}
	held, err := b.Output("held", 7, false, true)
	if err != nil {
		t.Fatal(err)
	}
	in, err := b.Input("guard", 1, false)
	if err != nil {
		t.Fatal(err)
	}
	level := func() error { _, err := in.Level(ctx); return err }
	ready := func() error { _, err := out.Ready(ctx); return err }
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"voltage", s.SetVoltage(ctx, 3.7), "VOLT 3.7|VOLT?"},
		{"small voltage", s.SetVoltage(ctx, 0.00002), "VOLT 2E-05|VOLT?"},
		{"current", s.SetCurrentLimit(ctx, 0.5), "CURR 0.5|CURR?"},
		{"on", s.SetOutput(ctx, true), "OUTP ON|OUTP?"},
		{"off", s.SetOutput(ctx, false), "OUTP OFF|OUTP?"},
		{"safe supply", s.Safe(ctx), "OUTP OFF|OUTP?"},
		{"calibrated voltage", cal.SetVoltage(ctx, 3), "VOLT 2|VOLT?"},
		{"calibrated beyond the end", cal.SetVoltage(ctx, 0.1), "VOLT 0|VOLT?"},
		{"attenuation", a.SetAttenuation(ctx, 42.5), "INP:ATT 42.5|INP:ATT?"},
		{"calibrated attenuation", calA.SetAttenuation(ctx, 40), "INP:ATT 39.5|INP:ATT?"},
		{"safe attenuator", a.Safe(ctx), "INP:ATT 0|INP:ATT?"},
		{"close", out.Set(ctx, true), "ROUT:CLOS (@6)|ROUT:CLOS? (@6)"},
		{"open", out.Set(ctx, false), "ROUT:OPEN (@6)|ROUT:CLOS? (@6)"},
		{"relay state", ready(), "ROUT:CLOS? (@6)"},
		{"safe relay", held.Safe(ctx), "ROUT:CLOS (@7)|ROUT:CLOS? (@7)"},
		{"safe board", b.Safe(ctx), "ROUT:OPEN:ALL|ROUT:CLOS? (@1:8)|ROUT:CLOS (@7)|ROUT:CLOS? (@7)"},
		{"input", level(), "SENS:DIG? (@1)"},
	} {
		// The calls were made in order; what was heard is one list.
		if c.err != nil {
			t.Errorf("%s: %v", c.name, c.err)
		}
		got := i.heard[:min(len(i.heard), strings.Count(c.want, "|")+1)]
		i.heard = i.heard[len(got):]
		if s := strings.Join(got, "|"); s != c.want {
			t.Errorf("%s: sent %q, want %q", c.name, s, c.want)
		}
	}
	if len(i.heard) > 0 {
		t.Errorf("sent besides: %q", i.heard)
	}
}

func TestOutOfRangeSendsNothing(t *testing.T) {
	ctx := context.Background()
	i := newInstrument()
	s := meet[drivers.Supply](t, i, "generic-supply", drivers.Calibration{})
	m := meet[drivers.Meter](t, i, "generic-meter", drivers.Calibration{})
	a := meet[drivers.Attenuator](t, i, "generic-attenuator", drivers.Calibration{})
	d := meet[drivers.Recorder](t, i, "generic-digitiser", drivers.Calibration{})
	i.said()
	current := func(rng, rate float64, over time.Duration) error {
		_, err := m.Current(ctx, rng, rate, over)
		return err
	}
	record := func(over time.Duration) error { _, err := d.Record(ctx, over); return err }
	for name, err := range map[string]error{
		"voltage": s.SetVoltage(ctx, 20.1), "negative": s.SetVoltage(ctx, -1), "NaN": s.SetVoltage(ctx, math.NaN()),
		"infinite": s.SetVoltage(ctx, math.Inf(1)), "limit": s.SetCurrentLimit(ctx, 6),
		"range": current(6, 0, time.Second), "range NaN": current(math.NaN(), 0, time.Second), "range < 0": current(-1, 0, time.Second),
		"rate": current(1, 1e6, time.Second), "rate NaN": current(1, math.NaN(), time.Second), "rate < 0": current(1, -5, time.Second),
		"no time": current(1, 0, 0), "too many samples": current(1, 0, time.Hour),
		"attenuation": a.SetAttenuation(ctx, 110.5), "step": a.SetAttenuation(ctx, 10.25), "attenuation NaN": a.SetAttenuation(ctx, math.NaN()),
		"record": record(-time.Second), "long record": record(time.Hour),
	} {
		if drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("%s: got %v, want out of range", name, err)
		}
	}
	if got := i.said(); got != "" {
		t.Errorf("sent %q", got)
	}
	if _, err := Open("x", nil, nil, "nonesuch", drivers.Calibration{}); drivers.KindOf(err) != drivers.OutOfRange {
		t.Errorf("unknown model: got %v", err)
	}
	if _, err := Open("x", nil, nil, "generic-meter", drivers.Calibration{Gain: math.NaN()}); drivers.KindOf(err) != drivers.OutOfRange {
		t.Errorf("calibration NaN: got %v", err)
	}
	if _, err := New("x", nil, nil, Model{Name: "row"}, drivers.Calibration{}); drivers.KindOf(err) != drivers.OutOfRange {
		t.Errorf("row without a function: got %v", err)
	}
}

func TestCurrent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newInstrument()
		i.fetch = real32(0.1, 0.25, -0.5, 0.75)
		port := &delayed{Port: i.port(), by: func(string) time.Duration { return 2 * time.Millisecond }}
		m := openAs[drivers.Meter](t, port, "generic-meter", drivers.Calibration{Gain: 2, Offset: 0.5})
		start := time.Now()
		s, err := m.Current(t.Context(), 1.5, 100, 40*time.Millisecond)
		if err != nil {
			t.Fatal(err)
		}
		want := []float64{float64(float32(0.1))*2 + 0.5, 1, -0.5, 2}
		if len(s.Values) != 4 || s.Unit != "A" || s.Rate != 100 || s.Channels != 1 {
			t.Fatalf("got %+v", s)
		}
		for k := range want {
			if s.Values[k] != want[k] {
				t.Errorf("sample %d: got %v, want %v", k, s.Values[k], want[k])
			}
		}
		// identity, queue; six settings; INIT: the middle of its 2 ms.
		if got := s.Start.Sub(start); got != 17*time.Millisecond {
			t.Errorf("started after %v, want 17ms", got)
		}
		if got := time.Since(start); got != (17+40+4)*time.Millisecond {
			t.Errorf("took %v, want 61ms: 8 round trips, the capture, block and queue", got)
		}
		if got, want := i.said(), "*IDN?|ABOR|FORM REAL,32|FORM:BORD NORM|SENS:CURR:RANG 1.5|SENS:SWE:TINT 0.01|SENS:SWE:POIN 4|INIT|FETC:ARR:CURR?"; got != want {
			t.Errorf("sent %q, want %q", got, want)
		}
		if _, err := m.Current(t.Context(), 0, 100, 40*time.Millisecond); err != nil {
			t.Fatal(err)
		}
		if got := i.said(); !strings.Contains(got, "SENS:CURR:RANG:AUTO ON") {
			t.Errorf("automatic range: sent %q", got)
		}
	})
}

func TestBlocksThatAreNoCurrent(t *testing.T) {
	good := string(real32(1, 2, 3, 3.5))
	for _, c := range []struct {
		name, reply string
		kind        drivers.Kind
		text        string
	}{
		{"definite", "#216" + good, "", ""},
		{"definite with carriage return", "#216" + good + "\r", "", ""},
		{"indefinite", "#0" + good, "", ""},
		{"overload", "#216" + string(real32(1, 2, 9.9e37, 3.5)), drivers.OutOfRange, "overload at sample 3 (0.02 s): beyond the range of 1 A"},
		{"negative overload", "#216" + string(real32(-9.9e37, 2, 3, 3.5)), drivers.OutOfRange, "overload at sample 1"},
		{"not a number", "#216" + string(real32(1, 9.91e37, 3, 3.5)), drivers.Garbled, "sample 2 of 4 is not a number"},
		{"beyond the meter", "#216" + string(real32(1, 2, 3, 3.7)), drivers.Garbled, "sample 4 of 4 is 3.7, and the end of the scale 3"},
		{"far beyond the meter", "#216" + string(real32(1, -2.88e27, 3, 1)), drivers.Garbled, "sample 2 of 4 is -2.88e+27"},
		{"too few samples", "#212" + good[:12], drivers.Garbled, "a block of 12 bytes, 4 samples have 16"},
		{"too many samples", "#220" + good + good[:4], drivers.Garbled, "a block of 20 bytes"},
		{"announces a gigabyte", "#9999999999" + good, drivers.Garbled, "a block of 999999999 bytes"},
		{"more behind", "#216" + good + "x", drivers.Garbled, "after a block"},
		{"shorter than it says", "#216" + good[:9], drivers.Garbled, "only part of a block: 2 of 4 samples"},
		{"no block", "1.5,2.5", drivers.Garbled, "a block begins with '#'"},
		{"bad head", "#A16" + good, drivers.Garbled, "second byte"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				i := newInstrument()
				m := meet[drivers.Meter](t, i, "generic-meter", drivers.Calibration{})
				i.answers["FETC:ARR:CURR?"] = c.reply
				s, err := m.Current(t.Context(), 1, 100, 40*time.Millisecond)
				if drivers.KindOf(err) != c.kind || err != nil && !strings.Contains(err.Error(), c.text) {
					t.Errorf("got %v (%q), want %q of kind %q", err, drivers.KindOf(err), c.text, c.kind)
				}
				if err == nil && (len(s.Values) != 4 || s.Values[3] != 3.5) || err != nil && s.Values != nil {
					t.Errorf("got %v beside %v", s.Values, err)
				}
				// Whatever came, the next conversation is in step again.
				delete(i.answers, "FETC:ARR:CURR?")
				i.fetch = real32(2.5)
				if s, err := m.Current(t.Context(), 1, 100, 10*time.Millisecond); err != nil || s.Values[0] != 2.5 {
					t.Errorf("next capture: got %v, %v", s.Values, err)
				}
			})
		})
	}
}

func TestRecordUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for gain, unit := range map[float64]string{0: "1", 20: "Pa"} {
			i := newInstrument()
			i.fetch = real32(make([]float64, 48)...)
			copy(i.fetch, real32(0.5))
			d := meet[drivers.Recorder](t, i, "generic-digitiser", drivers.Calibration{Gain: gain})
			s, err := d.Record(t.Context(), time.Millisecond)
			if want := 0.5 * max(gain, 1); err != nil || s.Unit != unit || s.Values[0] != want || s.Rate != 48000 {
				t.Errorf("gain %v: got %v %s at %v, %v; want %v %s", gain, s.Values, s.Unit, s.Rate, err, want, unit)
			}
		}
	})
}

func TestInterval(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for reply, want := range map[string]float64{"0.0135": 0.0135, "+1.35000E-02": 0.0135, "9.91E37": math.NaN(), "0": 0} {
			i := newInstrument()
			b := meet[drivers.Timer](t, i, "fixture-board", drivers.Calibration{})
			i.answers["MEAS:TINT?"] = reply
			if got, err := b.Interval(t.Context()); err != nil || !equal(got, want) {
				t.Errorf("%s: got %v, %v, want %v", reply, got, err, want)
			}
		}
		for reply, kind := range map[string]drivers.Kind{"9.9E37": drivers.OutOfRange, "-1": drivers.Garbled, "soon": drivers.Garbled} {
			i := newInstrument()
			b := meet[drivers.Timer](t, i, "fixture-board", drivers.Calibration{})
			i.answers["MEAS:TINT?"] = reply
			if got, err := b.Interval(t.Context()); drivers.KindOf(err) != kind || got != 0 {
				t.Errorf("%s: got %v, %v, want kind %q", reply, got, err, kind)
			}
		}
	})
}

func TestRefusals(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newInstrument()
		i.errors = []string{`-500,"Power on"`, `-113,"Undefined header"`} // from before: nobody's fault here
		s := openAs[drivers.Supply](t, i.port(), "generic-supply", drivers.Calibration{})
		if err := s.SetVoltage(t.Context(), 1); err != nil {
			t.Fatalf("errors from before were taken for this command's: %v", err)
		}
		i.known = nil
		err := s.SetVoltage(t.Context(), 1)
		var e *drivers.Error
		var ie InstrumentError
		if !errors.As(err, &e) || e.Kind != drivers.Refused || !errors.As(err, &ie) || ie.Number != -113 ||
			err.Error() != `dev: set voltage: -113 "Undefined header"` || !strings.Contains(e.Hint, "model in the bench file") {
			t.Errorf("got %v, kind %q, hint %q", err, e.Kind, e.Hint)
		}
		i.errors = []string{`-222,"Data out of range"`, `101,"Fuse"`, `102,"Fan"`, `103,"Lid"`}
		err = s.SetOutput(t.Context(), true)
		if want := `dev: switch output: -222 "Data out of range", 101 "Fuse", 102 "Fan" and 2 more`; err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
		if len(i.errors) != 0 {
			t.Errorf("the queue was left with %q", i.errors)
		}
		i.errors, i.endless = []string{`-350,"Queue overflow"`}, true
		start := time.Now()
		err = s.SetOutput(t.Context(), true)
		if drivers.KindOf(err) != drivers.Refused || !strings.Contains(err.Error(), "does not empty") || time.Since(start) > time.Second {
			t.Errorf("endless queue: got %v after %v", err, time.Since(start))
		}
	})
}

// A query that the instrument does not know stays without an answer: the queue
// says why.
func TestRefusedQuery(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newInstrument()
		b := meet[drivers.Timer](t, i, "fixture-board", drivers.Calibration{})
		i.known = nil
		_, err := b.Interval(t.Context())
		if drivers.KindOf(err) != drivers.Refused || !strings.Contains(err.Error(), "measure interval: -113") {
			t.Errorf("got %v", err)
		}
		i.answers["MEAS:TINT?"] = "0.01"
		i.errors = []string{`-230,"Data corrupt or stale"`}
		if got, err := b.Interval(t.Context()); drivers.KindOf(err) != drivers.Refused || got != 0 {
			t.Errorf("a value with an error behind it: got %v, %v", got, err)
		}
	})
}
