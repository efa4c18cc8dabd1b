package text

import "bytes"

// maxLine is how long a line may be; what is longer is cut, and no answer.
const maxLine = 4096

// line is one line, without its end.
type line struct {
	text []byte
	long bool // it was longer
}

// cutLine takes the first whole line off what was received; ok is false where there
// is none. An end alone is no line.
func cutLine(got []byte) (l line, rest []byte, ok bool) {
	for {
		i := bytes.IndexAny(got, "\r\n")
		if i < 0 {
			return line{}, got, false
		}
		l, got = plain(got[:i]), got[i+1:]
		if len(l.text) > 0 {
			return l, got, true
		}
	}
}

// shorten bounds what may become a line: of one that is too long the beginning is
// kept, by one byte too long.
func shorten(got []byte) []byte {
	if i := bytes.LastIndexAny(got, "\r\n"); len(got)-i-1 > 2*maxLine {
		return got[:i+1+2*maxLine]
	}
	return got
}

// plain is a line without NULs and control sequences (ECMA-48, 5.4: ESC [, then
// bytes up to one of 0x40 to 0x7E).
func plain(b []byte) line {
	if len(b) > maxLine {
		return line{b[:maxLine:maxLine], true}
	}
	if bytes.IndexByte(b, 0) < 0 && bytes.IndexByte(b, 0x1B) < 0 {
		return line{text: bytes.Clone(b)}
	}
	out := make([]byte, 0, len(b))
	for i := 0; i < len(b); i++ {
		switch {
		case b[i] == 0:
		case b[i] == 0x1B && i+1 < len(b) && b[i+1] == '[':
			for i += 2; i < len(b) && (b[i] < 0x40 || b[i] > 0x7E); i++ {
			}
		default:
			out = append(out, b[i])
		}
	}
	return line{text: out}
}
