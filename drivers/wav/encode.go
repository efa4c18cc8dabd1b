package wav

import (
	"bufio"
	"encoding/binary"
	"fmt"
	"io"
	"math"

	"fullthrow/drivers"
)

// Encode writes samples as a file of 32-bit floats, which hold fractions of
// full scale of up to 24 bits exactly, and values beyond full scale as well.
// The unit is not in the file.
//
// Special inputs: no samples, a file without sound; NaN or an infinity, a rate
// that is no whole number of 1 to 4294967295 samples/s, values that are no
// whole samples, more than 4 GB: an error, and nothing written.
func Encode(w io.Writer, s drivers.Samples) error {
	size := 4 * uint64(len(s.Values))
	switch {
	case s.Channels < 1 || s.Channels > maxChannels:
		return fmt.Errorf("wav: %d channels; 1 to %d can be written", s.Channels, maxChannels)
	case !(s.Rate >= 1 && s.Rate <= math.MaxUint32) || s.Rate != math.Trunc(s.Rate):
		return fmt.Errorf("wav: %v samples/s: want a whole number", s.Rate)
	case len(s.Values)%s.Channels != 0:
		return fmt.Errorf("wav: %d values are no whole samples of %d channels", len(s.Values), s.Channels)
	case size > math.MaxUint32-64 || 4*uint64(s.Channels)*uint64(s.Rate) > math.MaxUint32:
		return fmt.Errorf("wav: %d values at %v samples/s are too much for a WAV file", len(s.Values), s.Rate)
	}
	for i, v := range s.Values {
		if math.IsNaN(v) || math.Abs(v) > math.MaxFloat32 {
			return fmt.Errorf("wav: value %d is %v: no sample", i, v)
		}
	}
	out := bufio.NewWriter(w)
	le := binary.LittleEndian
	block := 4 * s.Channels
	// A float file has an extended "fmt " chunk (of extension length 0) and a
	// "fact" chunk with the number of samples.
	b := append([]byte("RIFF"), le.AppendUint32(nil, uint32(4+8+18+8+4+8+size))...)
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 18)
	b = le.AppendUint16(b, formatFloat)
	b = le.AppendUint16(b, uint16(s.Channels))
	b = le.AppendUint32(b, uint32(s.Rate))
	b = le.AppendUint32(b, uint32(s.Rate)*uint32(block))
	b = le.AppendUint16(b, uint16(block))
	b = le.AppendUint16(b, 32)
	b = le.AppendUint16(b, 0)
	b = append(b, "fact"...)
	b = le.AppendUint32(b, 4)
	b = le.AppendUint32(b, uint32(s.Count()))
	b = append(b, "data"...)
	b = le.AppendUint32(b, uint32(size))
	_, _ = out.Write(b) // bufio keeps the error for Flush
	for _, v := range s.Values {
		_, _ = out.Write(le.AppendUint32(b[:0], math.Float32bits(float32(v))))
	}
	return out.Flush()
}
