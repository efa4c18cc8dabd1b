package scpi

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
)

// Blocks of IEEE 488.2: "#" d, then d digits with the number of bytes, then the
// bytes (definite), or "#0", bytes and a final NL with END (indefinite).

// errShort says that a block goes on beyond the bytes given.
var errShort = errors.New("block is not complete")

// blockHeader reads the head of a block: the number of bytes that follow (-1:
// indefinite) and the length of the head itself. errShort if more bytes are
// needed.
func blockHeader(b []byte) (size, used int, err error) {
	if len(b) == 0 {
		return 0, 0, errShort
	}
	if b[0] != '#' {
		return 0, 0, fmt.Errorf("a block begins with '#', not with %q", b[0])
	}
	if len(b) < 2 {
		return 0, 0, errShort
	}
	d := int(b[1]) - '0'
	switch {
	case d < 0 || d > 9:
		return 0, 0, fmt.Errorf("a block's second byte is a digit, not %q", b[1])
	case d == 0:
		return -1, 2, nil
	}
	for _, c := range b[2:min(2+d, len(b))] {
		if c < '0' || c > '9' {
			return 0, 0, fmt.Errorf("%q in the length of a block", c)
		}
	}
	if len(b) < 2+d {
		return 0, 0, errShort
	}
	size, err = strconv.Atoi(string(b[2 : 2+d])) // nine digits at most
	return size, 2 + d, err
}

// ParseBlock takes a block from the front of b: its bytes, and what follows it.
// An indefinite block reaches to the end of b, whose last byte must be the NL
// that came with END. Nothing is copied. A block that is not complete is an
// error.
func ParseBlock(b []byte) (data, rest []byte, err error) {
	size, used, err := blockHeader(b)
	if err != nil {
		return nil, nil, err
	}
	b = b[used:]
	if size < 0 {
		if len(b) == 0 || b[len(b)-1] != '\n' {
			return nil, nil, errShort
		}
		return b[:len(b)-1], nil, nil
	}
	if len(b) < size {
		return nil, nil, fmt.Errorf("%w: %d of %d bytes", errShort, len(b), size)
	}
	return b[:size], b[size:], nil
}

// AppendReal32 appends the IEEE 754 single floats in b to dst; a rest of less
// than four bytes is left out. SCPI's infinity and not-a-number become Go's.
func AppendReal32(dst []float64, b []byte, littleEndian bool) []float64 {
	for ; len(b) >= 4; b = b[4:] {
		u := binary.BigEndian.Uint32(b)
		if littleEndian {
			u = binary.LittleEndian.Uint32(b)
		}
		dst = append(dst, special(float64(math.Float32frombits(u))))
	}
	return dst
}
