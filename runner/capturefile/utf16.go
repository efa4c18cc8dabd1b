package capturefile

import (
	"bufio"
	"io"
	"unicode/utf16"
	"unicode/utf8"
)

// utf16Reader makes UTF-8 of UTF-16. Half a pair, or half a character at the
// end, becomes the replacement character, which is in no number and no name of
// a quantity.
type utf16Reader struct {
	in   *bufio.Reader
	big  bool
	next rune // read ahead, 0: none
	out  []byte
	buf  [utf8.UTFMax]byte
}

func (u *utf16Reader) Read(p []byte) (n int, err error) {
	for n < len(p) {
		if len(u.out) == 0 {
			r, err := u.rune()
			if err != nil {
				if n > 0 {
					return n, nil
				}
				return 0, err
			}
			u.out = u.buf[:utf8.EncodeRune(u.buf[:], r)]
		}
		k := copy(p[n:], u.out)
		n, u.out = n+k, u.out[k:]
	}
	return n, nil
}

func (u *utf16Reader) rune() (rune, error) {
	r := u.next
	if u.next = 0; r == 0 {
		var err error
		if r, err = u.unit(); err != nil {
			return 0, err
		}
	}
	if !utf16.IsSurrogate(r) {
		return r, nil
	}
	low, err := u.unit()
	if err != nil {
		return utf8.RuneError, nil
	}
	pair := utf16.DecodeRune(r, low)
	if pair == utf8.RuneError {
		u.next = low // may be whole by itself
	}
	return pair, nil
}

// unit reads two bytes.
func (u *utf16Reader) unit() (rune, error) {
	a, err := u.in.ReadByte()
	if err != nil {
		return 0, err
	}
	b, err := u.in.ReadByte()
	if err == io.EOF {
		return utf8.RuneError, nil
	} else if err != nil {
		return 0, err
	}
	if u.big {
		return rune(a)<<8 | rune(b), nil
	}
	return rune(b)<<8 | rune(a), nil
}
