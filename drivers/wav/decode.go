// Package wav reads and writes sound as WAV files (RIFF, RF64 or BW64, "WAVE"):
// integers of 8, 16, 24 and 32 bits, floats of 32 and 64 bits, 1 to 64 channels.
//
// Samples are fractions of full scale, unit "1": integers of n bits are divided
// by 2^(n-1), so they run from -1 to just under +1. What a file does not hold
// is an error naming the byte offset, never a shorter capture: a recording
// that breaks off would change what is measured on it. Who writes to a pipe does
// not know the length and states none (0, or the largest number): such sound goes
// to the end of the file, and that is said.
//
// It is written here because the usual Go package for WAV reads float files as
// integers, knows no extensible headers, and takes a file that breaks off as
// a whole one.
//
// Source: Microsoft "Multiple Channel Audio Data and WAVE Files" for the
// extensible header; EBU Tech 3306 and ITU-R BS.2088 for RF64 and BW64; RIFF WAVE
// otherwise.
package wav

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"

	"fullthrow/drivers"
)

// Format codes of the "fmt " chunk.
const (
	formatPCM        = 1
	formatFloat      = 3
	formatExtensible = 0xFFFE
)

const (
	maxChannels = 64
	maxRate     = 768_000  // Hz, the highest in use
	maxSamples  = 16 << 20 // of all channels; 128 MiB as numbers
)

// subFormat is what follows the code in the sub-format of an extensible header.
var subFormat = []byte{0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xAA, 0, 0x38, 0x9B, 0x71}

// format is a "fmt " chunk.
type format struct {
	float    bool
	channels int
	rate     uint32
	bits     int // of the container: 8, 16, 24, 32, 64
}

// unknown are lengths that stand for none: programs that write to a pipe state
// them, as they are or less the bytes before.
var unknown = map[int64]bool{
	0: true, 0xFFFFFFFF: true, 0xFFFFFFFF - 36: true, 0x7FFFFFFF: true, 0x7FFFFFFF - 36: true, 0x7FFFF000: true,
	0x80000000: true,
}

// Is reports whether a file that begins so is one for [Read].
func Is(start []byte) bool {
	s := string(start)
	return s == "RIFF" || s == "RF64" || s == "BW64"
}

// counter counts bytes read, for messages.
type counter struct {
	r *bufio.Reader
	n int64
}

// pad passes over the byte that evens out a chunk, where its writer did not
// leave it out.
func (c *counter) pad(size int64) {
	if size&1 == 0 {
		return
	}
	if b, err := c.r.Peek(1); err == nil && (b[0] < ' ' || b[0] > '~') {
		_, _ = c.r.Discard(1)
		c.n++
	}
}

// ended reports whether nothing is left.
func (c *counter) ended() bool {
	_, err := c.r.Peek(1)
	return err == io.EOF
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// Decode reads a whole file; name stands before the byte offset in errors.
// Start of the capture is zero: a file does not hold it. A value that is no
// finite number (of a float file) is an error.
func Decode(r io.Reader, name string) (drivers.Samples, error) {
	s, _, err := Read(r, name)
	return s, err
}

// Read is [Decode], and says what of the file was not plain.
func Read(r io.Reader, name string) (s drivers.Samples, notes []string, err error) {
	in := &counter{r: bufio.NewReaderSize(r, 16<<10)}
	fail := func(at int64, text string, args ...any) (drivers.Samples, []string, error) {
		return drivers.Samples{}, nil, fmt.Errorf("%s: byte %d: %w", name, at, fmt.Errorf(text, args...))
	}
	var head [12]byte
	if _, err := io.ReadFull(in, head[:]); err != nil {
		return fail(in.n, "no WAV file: %w", ended(err))
	}
	if !Is(head[:4]) || string(head[8:]) != "WAVE" {
		return fail(0, "no WAV file: it begins with %q", head[:])
	}
	whole := int64(binary.LittleEndian.Uint32(head[4:])) + 8
	var f *format
	long := int64(-1) // of the sound, as a 64-bit file says
	for {
		at := in.n
		var chunk [8]byte
		if n, err := io.ReadFull(in, chunk[:]); err != nil {
			if n == 0 && err == io.EOF {
				err = errors.New("the file has no sound (no \"data\" chunk)")
			}
			return fail(at, "%w", ended(err))
		}
		id, size := string(chunk[:4]), int64(binary.LittleEndian.Uint32(chunk[4:]))
		switch id {
		case "fmt ":
			if size < 16 || size > 1024 {
				return fail(at, "a \"fmt \" chunk of %d bytes", size)
			}
			b := make([]byte, size)
			if _, err := io.ReadFull(in, b); err != nil {
				return fail(in.n, "in the \"fmt \" chunk: %w", ended(err))
			}
			in.pad(size)
			var err error
			if f, err = parseFormat(b[:size]); err != nil {
				return fail(at+8, "%w", err)
			}
		case "ds64":
			if string(head[:4]) == "RIFF" || size < 24 || size > 1<<16 {
				return fail(at, "a \"ds64\" chunk of %d bytes in a file that begins with %q", size, head[:4])
			}
			b := make([]byte, size)
			if _, err := io.ReadFull(in, b); err != nil {
				return fail(in.n, "in the \"ds64\" chunk: %w", ended(err))
			}
			in.pad(size)
			n := binary.LittleEndian.Uint64(b[8:])
			if n > math.MaxInt64 {
				return fail(at+16, "%d bytes of sound", n)
			}
			long = int64(n)
		case "data":
			if f == nil {
				return fail(at, "\"data\" before \"fmt \"")
			}
			if size == 0xFFFFFFFF && long >= 0 {
				size = long
			}
			// An empty chunk that the file's own length has chunks behind is empty.
			if unknown[size] && (size != 0 || (whole <= in.n || unknown[whole-8]) && !in.ended()) {
				return f.streamed(in, name)
			}
			s, err := f.samples(in, name, size)
			return s, nil, err
		default:
			if _, err := io.CopyN(io.Discard, in, size); err != nil {
				return fail(in.n, "in the chunk %q: %w", id, ended(err))
			}
			in.pad(size)
		}
	}
}

// ended says in words that a file breaks off.
func ended(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return errors.New("the file breaks off")
	}
	return err
}

func parseFormat(b []byte) (*format, error) {
	u16 := func(i int) int { return int(binary.LittleEndian.Uint16(b[i:])) }
	code, block := u16(0), u16(12)
	f := &format{channels: u16(2), rate: binary.LittleEndian.Uint32(b[4:]), bits: u16(14)}
	if code == formatExtensible {
		if len(b) < 40 {
			return nil, fmt.Errorf("an extensible header of %d bytes, want 40", len(b))
		}
		if !bytes.Equal(b[26:40], subFormat) {
			return nil, fmt.Errorf("unknown sub-format % X", b[24:40])
		}
		if valid := u16(18); valid > f.bits {
			return nil, fmt.Errorf("%d valid bits in %d", valid, f.bits)
		}
		code = u16(24)
	}
	switch {
	case code == formatFloat:
		f.float = true
		if f.bits != 32 && f.bits != 64 {
			return nil, fmt.Errorf("floats of %d bits; 32 and 64 can be read", f.bits)
		}
	case code != formatPCM:
		return nil, fmt.Errorf("coding %d; 1 (integers) and 3 (floats) can be read", code)
	case f.bits != 8 && f.bits != 16 && f.bits != 24 && f.bits != 32:
		return nil, fmt.Errorf("integers of %d bits; 8, 16, 24 and 32 can be read", f.bits)
	}
	switch {
	case f.channels < 1 || f.channels > maxChannels:
		return nil, fmt.Errorf("%d channels; 1 to %d can be read", f.channels, maxChannels)
	case f.rate == 0:
		return nil, errors.New("0 samples per second")
	case f.rate > maxRate:
		return nil, fmt.Errorf("sample rate %d Hz: at most %d kHz", f.rate, maxRate/1000)
	case block != f.channels*f.bits/8:
		return nil, fmt.Errorf("blocks of %d bytes, %d channels of %d bits need %d", block, f.channels, f.bits,
			f.channels*f.bits/8)
	}
	return f, nil
}

// samples reads the data chunk. It takes memory as bytes arrive, not as the
// header promises.
func (f *format) samples(in *counter, name string, size int64) (drivers.Samples, error) {
	s := drivers.Samples{Rate: float64(f.rate), Unit: "1", Channels: f.channels}
	begin, width := in.n, f.bits/8
	if block := int64(width * f.channels); size%block != 0 {
		return drivers.Samples{},
			fmt.Errorf("%s: byte %d: %d bytes of sound are no whole number of samples of %d bytes", name, begin, size,
				block)
	}
	if size/int64(width) > maxSamples {
		return drivers.Samples{}, fmt.Errorf("%s: byte %d: more than %d million samples: cut out the part that is to be "+
			"measured", name, begin, maxSamples>>20)
	}
	buf := make([]byte, 12<<10) // a multiple of every width
	for left := size; left > 0; {
		part := buf[:min(int64(len(buf)), left)]
		if _, err := io.ReadFull(in, part); err != nil {
			return drivers.Samples{}, fmt.Errorf("%s: byte %d: in the sound, %d of %d bytes there: %w", name, in.n,
				in.n-begin, size, ended(err))
		}
		for i := 0; i < len(part); i += width {
			v := f.value(part[i:])
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return drivers.Samples{}, fmt.Errorf("%s: byte %d: %v is no sample", name, begin+size-left+int64(i), v)
			}
			s.Values = append(s.Values, v)
		}
		left -= int64(len(part))
	}
	return s, nil
}

// streamed reads sound of unknown length to the end of the file.
func (f *format) streamed(in *counter, name string) (s drivers.Samples, notes []string, err error) {
	s = drivers.Samples{Rate: float64(f.rate), Unit: "1", Channels: f.channels}
	begin, width := in.n, f.bits/8
	buf := make([]byte, 12<<10)
	left := 0 // of a value, from the part before
	for {
		n, err := io.ReadFull(in, buf[left:])
		if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
			return drivers.Samples{}, nil, fmt.Errorf("%s: byte %d: %w", name, in.n, err)
		}
		part := buf[:left+n]
		at := in.n - int64(len(part))
		for ; len(part) >= width; part = part[width:] {
			v := f.value(part)
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return drivers.Samples{}, nil, fmt.Errorf("%s: byte %d: %v is no sample", name, at, v)
			}
			s.Values = append(s.Values, v)
			at += int64(width)
		}
		if len(s.Values) > maxSamples {
			return drivers.Samples{}, nil, fmt.Errorf("%s: byte %d: more than %d million samples: cut out the part that "+
				"is to be measured", name, begin, maxSamples>>20)
		}
		left = copy(buf, part)
		if err != nil {
			break
		}
	}
	notes = []string{"the file does not say how long the sound is: read to the file's end"}
	rest := (in.n - begin) % int64(width*f.channels)
	if s.Values = s.Values[:len(s.Values)/f.channels*f.channels]; rest > 0 {
		notes = append(notes, fmt.Sprintf("its last %d bytes are no whole sample and were left out", rest))
	}
	if len(s.Values) == 0 {
		return drivers.Samples{}, nil, fmt.Errorf("%s: byte %d: the file has no sound", name, begin)
	}
	return s, notes, nil
}

func (f *format) value(b []byte) float64 {
	switch {
	case f.float && f.bits == 64:
		return math.Float64frombits(binary.LittleEndian.Uint64(b))
	case f.float:
		return float64(math.Float32frombits(binary.LittleEndian.Uint32(b)))
	case f.bits == 8: // the only unsigned one
		return (float64(b[0]) - 128) / 128
	case f.bits == 16:
		return float64(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
	case f.bits == 24:
		return float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)>>8) / (1 << 23)
	}
	return float64(int32(binary.LittleEndian.Uint32(b))) / (1 << 31)
}
