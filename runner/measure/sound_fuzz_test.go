package measure

import (
	"encoding/binary"
	"math"
	"testing"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

// Whatever the samples and options: no panic, and an error or a result whose
// figures are finite and agree with each other.
func FuzzSound(f *testing.F) {
	f.Add([]byte{}, 48000.0, 1, 0.0, 0, false)
	f.Add(make([]byte, 4000), 8000.0, 1, 440.0, 1, false)
	wave := make([]byte, 0, 8000)
	for i := range 4000 {
		wave = binary.LittleEndian.AppendUint16(wave, uint16(int16(20000*math.Sin(float64(i)/7)+3000*math.Sin(float64(i)/3.1))))
	}
	f.Add(wave, 48000.0, 1, 1091.0, 0, false)
	f.Add(wave, 48000.0, 2, 0.0, 2, false)
	f.Add(wave, 8000.0, 2, 0.0, 0, true)
	f.Fuzz(func(t *testing.T, data []byte, rate float64, channels int, frequency float64, channel int, average bool) {
		x := make([]float64, 0, len(data)/2)
		for ; len(data) >= 2; data = data[2:] {
			v := float64(int16(binary.LittleEndian.Uint16(data))) / 32768
			if v == -1 {
				v = math.Inf(-1)
			}
			x = append(x, v)
		}
		for _, unit := range []string{"1", "Pa"} {
			s := drivers.Samples{Rate: rate, Unit: unit, Values: x, Channels: channels}
			all := func(values ...float64) {
				for _, v := range values {
					if !statistics.Finite(v) {
						t.Fatalf("a result is not finite: %v", values)
					}
				}
			}
			a, err := SteadyTone(s, ToneOptions{Frequency: frequency, Channel: channel, Mix: average})
			plainError(t, err)
			if err == nil {
				all(a.Frequency, a.Cents, a.Amplitude, a.Level, a.THD, a.THDF, a.THDN, a.SINAD, a.SNR, a.ENOB, a.SFDR, a.NoiseFloor, a.ForeignLevel, a.ForeignFrequency, a.DC)
				if a.THD < 0 || a.THD > 100 || a.THDN < 0 || a.THDN > 100 || a.Found != (a.Frequency > 0) || !a.Found && len(a.Harmonics)+len(a.Foreign) > 0 {
					t.Fatalf("figures do not agree: %+v", a)
				}
				for _, h := range a.Harmonics {
					all(h.Frequency, h.Level)
				}
				for i, g := range a.Foreign {
					all(g.Frequency, g.Level)
					if i > 0 && g.Level > a.Foreign[i-1].Level || g.Level > a.ForeignLevel {
						t.Fatalf("foreign tones are not in order: %+v", a)
					}
				}
			}
			b, err := Tones(s, TonesOptions{Channel: channel, Mix: average, Window: windows[len(x)%len(windows)].name})
			plainError(t, err)
			if err == nil {
				all(b.NoiseFloor, b.DC)
				for i, tone := range b.Tones {
					all(tone.Frequency, tone.Amplitude, tone.Level)
					if i > 0 && tone.Amplitude > b.Tones[i-1].Amplitude {
						t.Fatalf("tones are not in order: %+v", b)
					}
				}
			}
			c, err := Level(s, LevelOptions{Channel: channel, Mix: average})
			plainError(t, err)
			if err == nil {
				all(c.RMS, c.Peak, c.Crest, c.Level, c.LevelA, c.LevelC, c.PeakLevel, c.DC)
				if c.Peak < c.RMS*(1-1e-12) {
					t.Fatalf("peak below rms: %+v", c)
				}
			}
			d, err := Sine(s, SineOptions{Frequency: frequency, Channel: channel, Mix: average})
			plainError(t, err)
			if err == nil {
				all(d.Frequency, d.Amplitude, d.Phase, d.DC, d.Residual, d.SINAD)
			}
		}
	})
}
