package wav

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fullthrow/drivers"
)

// file builds a WAV file by hand from its chunks.
func file(chunks ...[]byte) []byte {
	body := append([]byte("WAVE"), bytes.Join(chunks, nil)...)
	return append(binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body))), body...)
}

func chunk(id string, data ...byte) []byte {
	b := append(binary.LittleEndian.AppendUint32([]byte(id), uint32(len(data))), data...)
	if len(data)%2 == 1 {
		b = append(b, 0)
	}
	return b
}

func fmtChunk(code, channels, rate, bits int, more ...byte) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, uint16(code))
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*channels*bits/8))
	b = le.AppendUint16(b, uint16(channels*bits/8))
	b = le.AppendUint16(b, uint16(bits))
	return chunk("fmt ", append(b, more...)...)
}

func extensible(code byte, valid byte) []byte {
	return append([]byte{22, 0, valid, 0, 3, 0, 0, 0, code, 0}, subFormat...)
}

func TestDecode(t *testing.T) {
	for _, c := range []struct {
		name     string
		data     []byte
		channels int
		want     []float64
	}{
		{"8 bits", file(fmtChunk(1, 1, 8000, 8), chunk("data", 0, 128, 255)), 1, []float64{-1, 0, 127. / 128}},
		{"16 bits", file(fmtChunk(1, 1, 8000, 16), chunk("data", 0, 0x80, 0, 0, 0xFF, 0x7F, 1, 0)), 1, []float64{-1, 0, 32767. / 32768, 1. / 32768}},
		{"24 bits", file(fmtChunk(1, 1, 8000, 24), chunk("data", 0, 0, 0x80, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF)), 1, []float64{-1, 8388607. / 8388608, -1. / 8388608}},
		{"32 bits", file(fmtChunk(1, 1, 8000, 32), chunk("data", 0, 0, 0, 0x80, 0, 0, 0, 0x40)), 1, []float64{-1, 0.5}},
		{"floats", file(fmtChunk(3, 1, 8000, 32), chunk("data", 0, 0, 0, 0xBF, 0, 0, 0, 0x40)), 1, []float64{-0.5, 2}},
		{"stereo", file(fmtChunk(1, 2, 8000, 16), chunk("data", 0, 0x40, 0, 0xC0)), 2, []float64{0.5, -0.5}},
		{"extensible", file(fmtChunk(0xFFFE, 2, 8000, 16, extensible(1, 16)...), chunk("data", 0, 0x40, 0, 0xC0)), 2, []float64{0.5, -0.5}},
		{"other chunks, one odd", file(chunk("LIST", 1, 2, 3), fmtChunk(1, 1, 8000, 16), chunk("cue ", 9), chunk("data", 0, 0x40), chunk("id3 ", 1)), 1, []float64{0.5}},
		{"no samples", file(fmtChunk(1, 1, 8000, 16), chunk("data")), 1, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := Decode(bytes.NewReader(c.data), "t.wav")
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(s.Values, c.want) || s.Rate != 8000 || s.Channels != c.channels || s.Unit != "1" {
				t.Errorf("got %+v, want %v", s, c.want)
			}
		})
	}
}

func TestDecodeErrors(t *testing.T) {
	pcm := fmtChunk(1, 1, 8000, 16)
	whole := file(pcm, chunk("data", 1, 2, 3, 4))
	badBlock := bytes.Clone(fmtChunk(1, 1, 8000, 16))
	badBlock[8+12] = 3
	for _, c := range []struct {
		name string
		data []byte
		want string
	}{
		{"empty", nil, "t.wav: byte 0: no WAV file: the file breaks off"},
		{"something else", []byte("GIF89a......"), "t.wav: byte 0: no WAV file: it begins with \"GIF89a......\""},
		{"no chunks", file(), "t.wav: byte 12: the file has no sound"},
		{"header only", file(pcm), "t.wav: byte 36: the file has no sound"},
		{"data first", file(chunk("data", 1, 2), pcm), "t.wav: byte 12: \"data\" before \"fmt \""},
		{"breaks off in the sound", whole[:len(whole)-1], "t.wav: byte 47: in the sound, 3 of 4 bytes there: the file breaks off"},
		{"breaks off in the format", whole[:30], "t.wav: byte 30: in the \"fmt \" chunk: the file breaks off"},
		{"breaks off in a chunk head", whole[:40], "t.wav: byte 36: the file breaks off"},
		{"breaks off in a chunk", file(chunk("LIST", 1, 2, 3, 4))[:22], "t.wav: byte 22: in the chunk \"LIST\": the file breaks off"},
		{"half a frame", file(fmtChunk(1, 2, 8000, 16), chunk("data", 1, 2)), "t.wav: byte 44: 2 bytes of sound are no whole number of samples of 4 bytes"},
		{"compressed", file(fmtChunk(85, 1, 8000, 16)), "t.wav: byte 20: coding 85"},
		{"12 bits", file(fmtChunk(1, 2, 8000, 12)), "t.wav: byte 20: integers of 12 bits"},
		{"16-bit floats", file(fmtChunk(3, 1, 8000, 16)), "t.wav: byte 20: floats of 16 bits"},
		{"no channels", file(fmtChunk(1, 0, 8000, 16)), "t.wav: byte 20: 0 channels"},
		{"no rate", file(fmtChunk(1, 1, 0, 16)), "t.wav: byte 20: 0 samples per second"},
		{"block", file(badBlock), "t.wav: byte 20: blocks of 3 bytes, 1 channels of 16 bits need 2"},
		{"short format", file(chunk("fmt ", 1, 0)), "t.wav: byte 12: a \"fmt \" chunk of 2 bytes"},
		{"short extensible", file(fmtChunk(0xFFFE, 1, 8000, 16)), "t.wav: byte 20: an extensible header of 16 bytes"},
		{"sub-format", file(fmtChunk(0xFFFE, 1, 8000, 16, make([]byte, 24)...)), "t.wav: byte 20: unknown sub-format"},
		{"valid bits", file(fmtChunk(0xFFFE, 1, 8000, 16, extensible(1, 20)...)), "t.wav: byte 20: 20 valid bits in 16"},
		{"not a number", file(fmtChunk(3, 1, 8000, 32), chunk("data", 0, 0, 0, 0, 0, 0, 0xC0, 0x7F)), "t.wav: byte 48: NaN is no sample"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := Decode(bytes.NewReader(c.data), "t.wav")
			if err == nil || !strings.HasPrefix(err.Error(), c.want) || s.Values != nil {
				t.Errorf("got %v, %v\nwant %s", s, err, c.want)
			}
		})
	}
}

func TestEncode(t *testing.T) {
	for _, want := range []drivers.Samples{
		{Rate: 48000, Unit: "1", Channels: 1, Values: []float64{0, 0.5, -1, 8388607. / 8388608, 1.5}},
		{Rate: 44100, Unit: "1", Channels: 2, Values: []float64{0.25, -0.25, 1, -1}},
		{Rate: 8000, Unit: "1", Channels: 1},
	} {
		var b bytes.Buffer
		if err := Encode(&b, want); err != nil {
			t.Fatal(err)
		}
		if size := binary.LittleEndian.Uint32(b.Bytes()[4:]); int(size) != b.Len()-8 {
			t.Errorf("RIFF size %d of a file of %d bytes", size, b.Len())
		}
		got, err := Decode(&b, "round.wav")
		if err != nil || !slices.Equal(got.Values, want.Values) || got.Rate != want.Rate || got.Channels != want.Channels {
			t.Errorf("got %+v, %v, want %+v", got, err, want)
		}
	}
	for _, c := range []struct {
		name string
		s    drivers.Samples
	}{
		{"no channels", drivers.Samples{Rate: 8000}},
		{"half a frame", drivers.Samples{Rate: 8000, Channels: 2, Values: []float64{1}}},
		{"no rate", drivers.Samples{Channels: 1}},
		{"broken rate", drivers.Samples{Rate: 8000.5, Channels: 1}},
		{"rate NaN", drivers.Samples{Rate: math.NaN(), Channels: 1}},
		{"NaN", drivers.Samples{Rate: 8000, Channels: 1, Values: []float64{math.NaN()}}},
		{"infinite", drivers.Samples{Rate: 8000, Channels: 1, Values: []float64{math.Inf(-1)}}},
	} {
		var b bytes.Buffer
		if err := Encode(&b, c.s); err == nil || b.Len() > 0 {
			t.Errorf("%s: %v, %d bytes written", c.name, err, b.Len())
		}
	}
	if err := Encode(full{}, drivers.Samples{Rate: 8000, Channels: 1}); !errors.Is(err, errFull) {
		t.Errorf("a full disk: %v", err)
	}
}

var errFull = errors.New("disk full")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errFull }

func FuzzDecode(f *testing.F) {
	f.Add(file(fmtChunk(1, 1, 8000, 16), chunk("data", 1, 2, 3, 4)))
	f.Add(file(fmtChunk(0xFFFE, 2, 8000, 16, extensible(1, 16)...), chunk("LIST", 1), chunk("data", 1, 2, 3, 4)))
	f.Add(file(fmtChunk(3, 1, 48000, 32), chunk("data", 0, 0, 0x80, 0x3F)))
	habits, _ := filepath.Glob("testdata/*.wav")
	for _, name := range habits {
		data, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Decode(bytes.NewReader(data), "f.wav")
		if err != nil {
			if !strings.HasPrefix(err.Error(), "f.wav: byte ") {
				t.Errorf("an error without a place: %v", err)
			}
			return
		}
		if s.Channels < 1 || s.Rate <= 0 || len(s.Values)%s.Channels != 0 || len(s.Values) > len(data) {
			t.Errorf("%d values of %d channels at %v from %d bytes", len(s.Values), s.Channels, s.Rate, len(data))
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	data := file(fmtChunk(1, 1, 48000, 16), chunk("data", make([]byte, 96000)...))
	b.SetBytes(96000)
	for b.Loop() {
		if _, err := Decode(bytes.NewReader(data), "b.wav"); err != nil {
			b.Fatal(err)
		}
	}
}
