package wav

import (
	"bytes"
	"encoding/binary"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
)

// header is a WAV file of 16-bit integers up to its sound.
func header(channels, rate, sound uint32) []byte {
	b := []byte("RIFF\xff\xff\xff\xffWAVEfmt \x10\x00\x00\x00\x01\x00")
	b = binary.LittleEndian.AppendUint16(b, uint16(channels))
	b = binary.LittleEndian.AppendUint32(b, rate)
	b = binary.LittleEndian.AppendUint32(b, rate*2*channels)
	b = binary.LittleEndian.AppendUint16(b, uint16(2*channels))
	b = append(b, 16, 0)
	return binary.LittleEndian.AppendUint32(append(b, "data"...), sound)
}

// What a header promises is neither believed nor paid for in memory.
func TestHostileHeaders(t *testing.T) {
	for _, tt := range []struct {
		name string
		file []byte
		want string
	}{
		{"rate", append(header(1, 0xFFFFFFFF, 4), 0, 0, 0, 0),
			"tune.wav: byte 20: sample rate 4294967295 Hz: at most 768 kHz"},
		{"no rate", header(1, 0, 4), "tune.wav: byte 20: 0 samples per second"},
		{"too much sound", header(1, 48000, 0xFFFFFFFE),
			"tune.wav: byte 44: more than 16 million samples: cut out the part that is to be measured"},
		{"promised sound", header(2, 48000, 32<<20), "tune.wav: byte 44: in the sound, 0 of 33554432 bytes there: " +
			"the file breaks off"},
		{"a chunk without end", []byte("RIFF\xff\xff\xff\xffWAVEjunk\xff\xff\xff\xff"),
			`tune.wav: byte 20: in the chunk "junk": the file breaks off`},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Decode(bytes.NewReader(tt.file), "tune.wav")
		runtime.ReadMemStats(&after)
		require.EqualError(t, err, tt.want, tt.name)
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(1<<20), tt.name)
	}
}
