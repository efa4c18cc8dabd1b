package measure

import (
	"encoding/binary"
	"math"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// plainError fails on errors that are not of the form "measure: verb: cause".
func plainError(t *testing.T, err error) {
	t.Helper()
	if err != nil && (!strings.HasPrefix(err.Error(), "measure: ") || strings.Count(err.Error(), ": ") < 2) {
		t.Fatalf("error %q does not say what was measured", err)
	}
}

// Whatever the samples: no panic, and an error or a result whose counts agree.
func FuzzSamples(f *testing.F) {
	f.Add([]byte{}, 48000.0, 1)
	f.Add(make([]byte, 8000), 8000.0, 1)
	loud := make([]byte, 12000)
	for i := range loud {
		loud[i] = byte(i * i)
	}
	f.Add(loud, 8000.0, 2)
	f.Fuzz(func(t *testing.T, data []byte, rate float64, channels int) {
		x := make([]float64, 0, len(data)/2)
		for ; len(data) >= 2; data = data[2:] {
			v := float64(int16(binary.LittleEndian.Uint16(data))) / 32768
			if v == -1 {
				v = math.NaN()
			}
			x = append(x, v)
		}
		s := drivers.Samples{Rate: rate, Unit: "1", Values: x, Channels: channels}
		_, err := Steady(s)
		plainError(t, err)
		_, err = Inrush(s)
		plainError(t, err)
		_, err = Tones(s, TonesOptions{})
		plainError(t, err)
		_, err = Started(s, 0.1)
		plainError(t, err)
		_, err = Decay(s, DecayOptions{Capacitance: 1e-6})
		plainError(t, err)
		_, err = Charge(s, ChargeOptions{Voltage: 3.7})
		plainError(t, err)
		_, err = Energy(s, s, EnergyOptions{})
		plainError(t, err)
		_, err = Ripple(s, RippleOptions{})
		plainError(t, err)
		_, err = Settling(s, SettlingOptions{})
		plainError(t, err)
		score := []Note{{440, 0.05}, {660, 0.1}}
		r, err := Tune(s, TuneOptions{Score: score})
		plainError(t, err)
		if err == nil {
			if r.Right+r.Wrong+r.Missing != len(score) || r.Right+r.Wrong+r.Extra != len(r.Notes) {
				t.Fatalf("counts do not agree: %+v", r)
			}
			for _, v := range []float64{r.WorstCents, r.WorstLength, r.Level, r.WeakestLevel, r.THD, r.ForeignLevel, r.ForeignFrequency, r.NoiseFloor} {
				if !statistics.Finite(v) {
					t.Fatalf("a result is not finite: %+v", r)
				}
			}
		}
	})
}

// Whatever was heard: no panic, and counts that agree.
func FuzzFrames(f *testing.F) {
	f.Add([]byte{}, int64(7e6), 5.0, 1)
	f.Add([]byte("a stick that moves in a way nobody has thought of, for some time"), int64(7e6), 5.0, 1)
	f.Fuzz(func(t *testing.T, data []byte, period int64, length float64, channel int) {
		fr := drivers.Frames{Start: began, Gain: 0.625, Offset: 880, Period: time.Duration(period)}
		if length > 0 && length < 1000 {
			fr.Length = dur(length)
		}
		var at time.Duration
		for i, b := range data {
			at += time.Duration(b%16) * time.Millisecond
			fr.Frames = append(fr.Frames, drivers.Frame{At: at, Channels: []uint16{uint16(b) * 8}, Lost: b%7 == 0, Failsafe: i%100 == 99})
		}
		p := steps("left_x", sweep(5, 1), 4, 0.1)
		v, err := Travel(fr, p, TravelOptions{Channel: channel, Axis: "left_x"})
		plainError(t, err)
		if met := 0; err == nil {
			for _, s := range v.Spots {
				met += s.Dropouts
			}
			if met != v.Dropouts || v.Independent > v.NonLinearity*(1+1e-9) {
				t.Fatalf("figures do not agree: %+v", v)
			}
		}
		_, err = DeadBand(fr, []drivers.Path{p}, DeadBandOptions{Channel: channel, Axis: "left_x"})
		plainError(t, err)
		_, err = DeadBand(fr, []drivers.Path{steps("left_x", []float64{-0.06, 0.06, -0.06}, 0.15, 0.05)}, DeadBandOptions{Channel: channel, Axis: "left_x"})
		plainError(t, err)
		_, err = CrossTalk(fr, p, CrossTalkOptions{Channel: channel, Axis: "left_x", Channels: []int{1}})
		plainError(t, err)
		_, err = Centre([]Release{{-1, fr}, {1, fr}}, CentreOptions{Channel: channel})
		plainError(t, err)
		_, err = Switch(fr, fr, SwitchOptions{Channel: channel})
		plainError(t, err)
		r, err := Link(fr, LinkOptions{})
		plainError(t, err)
		if err == nil && (r.Lost+r.Received != r.Expected || r.Received > len(fr.Frames) || r.Upper < r.ErrorRate || r.ErrorRate > 100 || r.LongestGap < 0) {
			t.Fatalf("counts do not agree: %+v", r)
		}
	})
}
