package scpi

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// bare is a wire without check sum.
type bare struct{ drivers.Port }

// onceOf answers a whole message one time with what is given, then as usual.
func onceOf(i *instrument, message, answer string) drivers.Port {
	done := false
	return bare{drivertest.Respond("wire", drivers.System, drivertest.Lines(func(line string) string {
		if line == message && !done {
			done = true
			return answer
		}
		return i.line(line)
	}))}
}

// A reply that arrives damaged on a wire without check sum, once: what comes of
// it.
func TestDamagedReplies(t *testing.T) {
	const digital = "SENS:DIG? (@1);:SENS:DIG? (@1);:SYST:ERR?"
	level := func(t *testing.T, d drivers.Device) (any, error) {
		in, err := d.(drivers.Lines).Input("guard", 1, false)
		if err != nil {
			return nil, err
		}
		return in.Level(t.Context())
	}
	current := func(t *testing.T, d drivers.Device) (any, error) {
		s, err := d.(drivers.Meter).Current(t.Context(), 1, 100, 50*time.Millisecond)
		return len(s.Values), err
	}
	block := func(values ...float64) string { return "#220" + string(real32(values...)) }
	for _, c := range []struct {
		name, model, message, answer string
		do                           func(*testing.T, drivers.Device) (any, error)
		want                         any
		fails                        string // "": no error
	}{
		{"level, one answer flipped", "fixture-board", digital, `0;1;0,"No error"`, level, true, ""},
		{"level, both alike", "fixture-board", digital, `0;0;0,"No error"`, level, false, ""},
		{"one answer missing", "fixture-board", digital, `1;0,"No error"`, level, false, "no answer to SENS:DIG? (@1), and no error"},
		{"error queue in other words", "fixture-board", digital, `1;1;0,"No erros"`, level, false, "empty error queue says"},
		{"interval as set", "generic-meter", "SENS:SWE:TINT 0.01;:SENS:SWE:TINT?;:SYST:ERR?", `1.0003E-02;0,"No error"`,
			current, 5, ""},
		{"interval not as set", "generic-meter", "SENS:SWE:TINT 0.01;:SENS:SWE:TINT?;:SYST:ERR?", `3E-02;0,"No error"`,
			current, 0, "asked for 0.01 s, it says 0.03 s"},
		{"range below what was asked", "generic-meter", "SENS:CURR:RANG 1;:SENS:CURR:RANG?;:SYST:ERR?",
			`1E-01;0,"No error"`, current, 0, "asked for the range of 1 A, it says 0.1 A"},
		{"beyond the range", "generic-meter", "FETC:ARR:CURR?", block(0.1, 0.1, 1.3, 0.1, 0.1), current, 0,
			"sample 3 of 5 is 1.3, and the end of the scale 1"},
		{"a sample unlike its neighbours", "generic-meter", "FETC:ARR:CURR?", block(0.1, 0.1, 0.9, 0.1, 0.1), current, 0,
			"sample 3 of one capture is 0.9, and asked for again 0.1"},
		{"the first sample", "generic-meter", "FETC:ARR:CURR?", block(0.9, 0.1, 0.1, 0.1, 0.1), current, 0,
			"sample 1 of one capture"},
		{"as it was", "generic-meter", "none", "", current, 5, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				i := newInstrument()
				i.input["1"] = true
				i.fetch = real32(0.1, 0.1, 0.1, 0.1, 0.1)
				i.answers["SENS:SWE:TINT?"], i.answers["SENS:CURR:RANG?"] = "1E-2", "1"
				d := openAs[drivers.Device](t, onceOf(i, c.message, c.answer), c.model, drivers.Calibration{})
				if _, err := d.Ready(t.Context()); err != nil {
					t.Fatal(err)
				}
				got, err := c.do(t, d)
				switch {
				case c.fails == "" && (err != nil || got != c.want):
					t.Errorf("got %v, %v; want %v", got, err, c.want)
				case c.fails != "" && (err == nil || !strings.Contains(err.Error(), c.fails)):
					t.Errorf("got %v, %v; want an error with %q", got, err, c.fails)
				}
			})
		})
	}
}

// A spike that the unit really has comes again with the second answer, and
// stands.
func TestSpikeThatIsReal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		i := newInstrument()
		i.fetch = real32(0.1, 0.1, 0.9, 0.1, 0.1)
		i.answers["SENS:SWE:TINT?"], i.answers["SENS:CURR:RANG?"] = "1E-2", "1"
		d := openAs[drivers.Meter](t, onceOf(i, "none", ""), "generic-meter", drivers.Calibration{})
		s, err := d.Current(t.Context(), 1, 100, 50*time.Millisecond)
		if err != nil || len(s.Values) != 5 || s.Values[2] != float64(float32(0.9)) {
			t.Errorf("got %v, %v", s.Values, err)
		}
		if n := strings.Count(i.said(), "FETC:ARR:CURR?"); n != 2 {
			t.Errorf("asked for %d times, want 2", n)
		}
	})
}

// Samples that are off their neighbours as no others are, however little, are
// asked for again; noise, ripple, steps and a tone are not. Values from a seed.
func TestUnlike(t *testing.T) {
	const d, least = 0.05, 0.0005
	rng := rand.New(rand.NewPCG(3, 3))
	shapes := map[string]func(i int) float64{
		"noise":  func(int) float64 { return 0.1 + 0.002*rng.NormFloat64() },
		"ripple": func(i int) float64 { return 0.1 + 0.004*float64(i%2) + 0.0005*rng.NormFloat64() },
		"step":   func(i int) float64 { return 0.1*math.Floor(float64(i)/500) + 0.001*rng.NormFloat64() },
		"hum":    func(i int) float64 { return 0.5 * math.Sin(float64(i)*0.05) },
		"tone":   func(i int) float64 { return 0.1 * math.Sin(float64(i)*0.3) },
		"still":  func(int) float64 { return 0.1 },
	}
	for _, name := range slices.Sorted(maps.Keys(shapes)) { // one source of noise for all
		shape, again := shapes[name], 0
		for range 200 {
			values := make([]float64, 1000)
			for i := range values {
				values[i] = shape(i)
			}
			if unlike(values, d, least) {
				again++
				continue
			}
			values[1+rng.IntN(498)] += 0.03                                   // not where the step is
			if name != "tone" && name != "hum" && !unlike(values, d, least) { // in those each is as far from the next
				t.Errorf("%s: 30 mA for one sample of 1000 went unseen", name)
			}
		}
		if again > 2 {
			t.Errorf("%s: asked for again %d times of 200", name, again)
		}
	}
}

// Every row says what its instrument can give.
func TestRowsSayWhatIsPlausible(t *testing.T) {
	for _, m := range Models() {
		switch m.Function {
		case MeterFunction:
			if !(m.MaxCurrent > 0) || !(m.Beyond > 0) || m.Words.IntervalState == "" || m.Words.RangeState == "" {
				t.Errorf("%s: a meter without MaxCurrent, Beyond or a question for its interval and range", m.Name)
			}
		case DigitiserFunction:
			if !(m.Full > 0) || !(m.Beyond > 0) || m.Words.IntervalState == "" {
				t.Errorf("%s: a digitiser without Full, Beyond or a question for its interval", m.Name)
			}
		case BoardFunction:
			if m.Words.TimeInterval != "" && m.IntervalTimeout <= 0 {
				t.Errorf("%s: a timer without a longest interval", m.Name)
			}
		}
	}
}
