package sound

import (
	"encoding/binary"
	"fmt"
)

// width is a sample format that is asked of the hardware, best first.
type width struct {
	name   string
	format uint // SNDRV_PCM_FORMAT_..., sound/asound.h
	bytes  int
}

var widths = [...]width{
	{"S32_LE", 10, 4},
	{"S24_3LE", 32, 3},
	{"S16_LE", 2, 2},
}

// value is one sample as a fraction of full scale.
func (w width) value(b []byte) float64 {
	switch w.bytes {
	case 4:
		return float64(int32(binary.LittleEndian.Uint32(b))) / (1 << 31)
	case 3:
		return float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)>>8) / (1 << 23)
	}
	return float64(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
}

// decode turns bytes as the kernel hands them out into fractions of full
// scale. Bytes that are no whole samples are an error.
func (w width) decode(b []byte, channels int) ([]float64, error) {
	if len(b)%(w.bytes*channels) != 0 {
		return nil, fmt.Errorf("%d bytes are no whole samples of %d channels %s", len(b), channels, w.name)
	}
	out := make([]float64, 0, len(b)/w.bytes)
	for i := 0; i < len(b); i += w.bytes {
		out = append(out, w.value(b[i:]))
	}
	return out, nil
}
