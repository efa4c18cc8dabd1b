package measure_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers/wav"
	"fullthrow/runner/measure"
)

// A WAV file of 16 bits in stereo, as recorders write them: the tone is found
// in each channel and in their average, and the converter's steps set the
// noise.
func TestGoodOfWAVFile(t *testing.T) {
	const rate, n = 44100, 44100
	var data bytes.Buffer
	for i := range n {
		v := 0.5 * math.Sin(2*math.Pi*1000.25*float64(i)/rate)
		for _, gain := range []float64{1, 0.5} {
			require.NoError(t, binary.Write(&data, binary.LittleEndian, int16(math.Round(32768*gain*v))))
		}
	}
	var file bytes.Buffer
	for _, part := range []any{
		[]byte("RIFF"), uint32(36 + data.Len()), []byte("WAVEfmt "), uint32(16), uint16(1), uint16(2), uint32(rate), uint32(4 * rate), uint16(4), uint16(16),
		[]byte("data"), uint32(data.Len()), data.Bytes(),
	} {
		require.NoError(t, binary.Write(&file, binary.LittleEndian, part))
	}
	s, err := wav.Decode(&file, "tone.wav")
	require.NoError(t, err)
	for _, c := range []struct {
		options   measure.ToneOptions
		amplitude float64
	}{{measure.ToneOptions{}, 0.5}, {measure.ToneOptions{Channel: 2}, 0.25}, {measure.ToneOptions{Mix: true}, 0.375}} {
		r, err := measure.SteadyTone(s, c.options)
		require.NoError(t, err)
		require.InDelta(t, 1000.25, r.Frequency, 1e-4)
		require.InDelta(t, c.amplitude, r.Amplitude, 1e-6)
		require.Less(t, r.THD, 1e-3)
		// Half a step either way, evenly: rms step/√12 (IEEE Std 1241). The steps
		// of two channels cancel in part.
		ideal := 20 * math.Log10(c.amplitude/math.Sqrt2*32768*math.Sqrt(12))
		if c.options.Mix {
			require.Greater(t, r.SINAD, ideal)
		} else {
			require.InDelta(t, ideal, r.SINAD, 0.3)
		}
		require.False(t, r.Clipped || r.Silent)
	}
	l, err := measure.Level(s, measure.LevelOptions{})
	require.NoError(t, err)
	require.InDelta(t, 20*math.Log10(0.5), l.Level, 1e-3)
	require.InDelta(t, l.Level, l.LevelA, 1e-3) // both weightings are 0 dB at 1 kHz
	require.InDelta(t, l.Level, l.LevelC, 1e-3)
}
