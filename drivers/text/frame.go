package text

import (
	"bytes"
	"fmt"

	"fullthrow/drivers"
)

// Layout is how the frames of a byte device look: bytes that each begins with, a
// length, data, a check sum, bytes that each ends with. Any of them may be missing,
// but the length must be known: from a field, because it is always the same, or by
// the end. What a plan sends and gets are the data alone: all bytes that are none of
// these, in order.
type Layout struct {
	Begin []byte // of each frame
	End   []byte // of each frame
	// The length is LengthSize bytes (1, 2 or 4; 0 there is none) at LengthAt from
	// the first byte of the frame, the highest first unless LengthLittle. It counts
	// all of the frame but LengthAdds bytes.
	LengthAt     int
	LengthSize   int
	LengthLittle bool
	LengthAdds   int
	Fixed        int // bytes of each frame, where they are always as many; 0
	// Check is the name of the check sum before End: one of [drivers.CRCNames],
	// "SUM-8" (sum of the bytes) or "XOR-8"; "" there is none. It is over the bytes
	// from CheckFrom on, its highest byte first unless CheckLittle.
	Check       string
	CheckFrom   int
	CheckLittle bool
	Max         int // bytes of a frame; 0: 4096
}

const (
	usualFrame = 4096
	maxFrame   = 64 << 10
)

// checkSum is the size in bytes of a check sum and how it is computed.
type checkSum struct {
	size int
	sum  func([]byte) uint32
}

func newCheckSum(name string) (checkSum, error) {
	switch name {
	case "":
		return checkSum{}, nil
	case "SUM-8":
		return checkSum{1, func(b []byte) (sum uint32) {
			for _, c := range b {
				sum += uint32(c)
			}
			return sum & 0xFF
		}}, nil
	case "XOR-8":
		return checkSum{1, func(b []byte) (sum uint32) {
			for _, c := range b {
				sum ^= uint32(c)
			}
			return sum
		}}, nil
	}
	c, err := drivers.CRCNamed(name)
	return checkSum{c.Width / 8, c.Sum}, err
}

// CheckNames lists the check sums that frames may have.
func CheckNames() []string { return append(drivers.CRCNames(), "CRC-32", "CRC-32C", "SUM-8", "XOR-8") }

// Strong says whether damage hardly ever passes the check sum: where it has 16 bits
// or more.
func (l Layout) Strong() bool {
	c, err := newCheckSum(l.Check)
	return err == nil && c.size >= 2
}

// framer reads and makes frames of one layout.
type framer struct {
	Layout
	check checkSum
	least int // bytes of the shortest frame
	work  int // bytes gone through in the search for frames, since it was set to 0
}

// maxWork is how many bytes one call goes through: a stream in which each byte may
// begin a frame is gone through again and again.
const maxWork = 16 << 20

// newFramer checks a layout.
func newFramer(l Layout) (*framer, error) {
	if l.Max == 0 {
		l.Max = usualFrame
	}
	c, err := newCheckSum(l.Check)
	f := &framer{Layout: l, check: c}
	f.least = len(l.Begin) + c.size + len(l.End)
	if l.LengthSize > 0 {
		f.least = max(len(l.Begin), l.LengthAt) + l.LengthSize + c.size + len(l.End)
	}
	known := 0
	for _, yes := range []bool{l.LengthSize > 0, l.Fixed > 0, l.LengthSize == 0 && l.Fixed == 0 && len(l.End) > 0} {
		if yes {
			known++
		}
	}
	switch {
	case err != nil:
		return nil, err
	case l.Max < 1 || l.Max > maxFrame:
		return nil, fmt.Errorf("frames of up to %d bytes: want 1 to %d", l.Max, maxFrame)
	case known != 1:
		return nil, fmt.Errorf("the length of a frame must be known in one way: by a field, always the same, or by " +
			"its end")
	case l.LengthSize != 0 && l.LengthSize != 1 && l.LengthSize != 2 && l.LengthSize != 4:
		return nil, fmt.Errorf("a length of %d bytes: want 1, 2 or 4", l.LengthSize)
	case l.LengthSize > 0 && (l.LengthAt < len(l.Begin) || l.LengthAt > 255):
		return nil, fmt.Errorf("the length at byte %d: want %d (behind the begin) to 255", l.LengthAt, len(l.Begin))
	case l.LengthAdds < -maxFrame || l.LengthAdds > maxFrame:
		return nil, fmt.Errorf("a length that leaves out %d bytes", l.LengthAdds)
	case l.CheckFrom < 0 || l.CheckFrom > f.least-c.size-len(l.End):
		return nil, fmt.Errorf("a check sum from byte %d: the shortest frame has %d before it", l.CheckFrom,
			f.least-c.size-len(l.End))
	case l.Fixed < 0 || l.Fixed > 0 && l.Fixed < f.least || max(l.Fixed, f.least) > l.Max:
		return nil, fmt.Errorf("frames of %d bytes: want %d to %d", max(l.Fixed, f.least), f.least, l.Max)
	case len(l.Begin) > 16 || len(l.End) > 16:
		return nil, fmt.Errorf("a begin and an end are of at most 16 bytes")
	}
	return f, nil
}

// number reads an unsigned number.
func number(b []byte, little bool) (v uint32) {
	for i := range b {
		c := b[i]
		if little {
			c = b[len(b)-1-i]
		}
		v = v<<8 | uint32(c)
	}
	return v
}

// written is v in size bytes.
func written(v uint32, size int, little bool) []byte {
	b := make([]byte, size)
	for i := range b {
		at := size - 1 - i
		if little {
			at = i
		}
		b[at] = byte(v >> (8 * i))
	}
	return b
}

// frame makes the frame of data.
func (f *framer) frame(data []byte) ([]byte, error) {
	total := f.least + len(data)
	head := 0 // bytes of data before the length
	if f.LengthSize > 0 {
		if head = f.LengthAt - len(f.Begin); len(data) < head {
			return nil, fmt.Errorf("%d bytes: the first %d stand before the length", len(data), head)
		}
		total -= head
	}
	switch {
	case total > f.Max:
		return nil, fmt.Errorf("%d bytes make a frame of %d: at most %d", len(data), total, f.Max)
	case f.Fixed > 0 && total != f.Fixed:
		return nil, fmt.Errorf("%d bytes make a frame of %d: it has %d", len(data), total, f.Fixed)
	}
	out := append(make([]byte, 0, total), f.Begin...)
	out = append(out, data[:head]...)
	if f.LengthSize > 0 {
		n := total - f.LengthAdds
		if n < 0 || f.LengthSize < 4 && n >= 1<<(8*f.LengthSize) {
			return nil, fmt.Errorf("a length of %d does not fit into %d bytes", n, f.LengthSize)
		}
		out = append(out, written(uint32(n), f.LengthSize, f.LengthLittle)...)
	}
	out = append(out, data[head:]...)
	if f.check.size > 0 {
		out = append(out, written(f.check.sum(out[f.CheckFrom:]), f.check.size, f.CheckLittle)...)
	}
	out = append(out, f.End...)
	if f.LengthSize == 0 && f.Fixed == 0 {
		if at := f.ended(out); at != len(out) {
			return nil, fmt.Errorf("the frame would end after %d of its %d bytes: its end is among the data", at, len(out))
		}
	}
	return out, nil
}

// ended is where a frame that is known by its end ends, 0 where it does not yet.
func (f *framer) ended(b []byte) int {
	from := min(f.least-len(f.End), len(b))
	f.work += len(b) - from
	if at := bytes.Index(b[from:], f.End); at >= 0 {
		return from + at + len(f.End)
	}
	return 0
}

// length is how long the frame at the beginning of b is: 0 where that is not known
// yet, -1 where there is none.
func (f *framer) length(b []byte) int {
	total := 0
	switch {
	case f.Fixed > 0:
		total = f.Fixed
	case f.LengthSize > 0:
		if len(b) < f.LengthAt+f.LengthSize {
			return 0
		}
		n := int64(number(b[f.LengthAt:f.LengthAt+f.LengthSize], f.LengthLittle)) + int64(f.LengthAdds)
		if n < int64(f.least) || n > int64(f.Max) {
			return -1
		}
		total = int(n)
	default:
		if total = f.ended(b); total == 0 && len(b) >= f.Max || total > f.Max {
			return -1
		}
	}
	return total
}

// whole returns the data of the frame that b is.
func (f *framer) whole(b []byte) (data []byte, ok bool) {
	body := len(b) - len(f.End) - f.check.size
	if !bytes.HasSuffix(b, f.End) {
		return nil, false
	}
	f.work += len(b)
	if f.check.size > 0 && f.check.sum(b[f.CheckFrom:body]) != number(b[body:body+f.check.size], f.CheckLittle) {
		return nil, false
	}
	if f.LengthSize == 0 {
		return bytes.Clone(b[len(f.Begin):body]), true
	}
	data = bytes.Clone(b[len(f.Begin):f.LengthAt])
	return append(data, b[f.LengthAt+f.LengthSize:body]...), true
}

// next takes the first frame off what was received. What is none is passed over,
// a byte at a time, and counted; what may become one is left, unless nothing more
// will come (final). It stops where it has gone through too much.
func (f *framer) next(b []byte, final bool) (data, rest []byte, passed int, ok bool) {
	begun := len(b)
	for len(b) > 0 && f.work < maxWork {
		at := bytes.Index(b, f.Begin)
		if at < 0 {
			keep := min(len(b), len(f.Begin)-1)
			for keep > 0 && !bytes.HasPrefix(f.Begin, b[len(b)-keep:]) {
				keep--
			}
			if final {
				keep = 0
			}
			b = b[len(b)-keep:]
			return nil, b, begun - len(b), false
		}
		b = b[at:]
		n := f.length(b)
		if n == 0 || n > len(b) {
			if !final {
				return nil, b, begun - len(b), false
			}
			b = b[1:]
			continue
		}
		if n > 0 {
			if data, ok := f.whole(b[:n]); ok {
				return data, b[n:], begun - len(b), true
			}
		}
		b = b[1:]
	}
	return nil, b, begun - len(b), false
}
