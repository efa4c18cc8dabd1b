package reports

import (
	"crypto/rand"
	"fmt"
	"strings"
	"time"
)

// NewRunID makes the name of a run: the time in UTC to the millisecond, so
// that names sort by time, station and nest as far as they are letters and
// digits (at most 12 each), and 32 random bits, so that two nests or two
// clocks never collide:
//
//	20261125T094257123Z-LQ1-A-7k3mq2a
//
// It is safe as a file name everywhere and holds nothing of the unit: a
// scanned text never reaches a path.
func NewRunID(at time.Time, station, nest string) string {
	var b [4]byte
	rand.Read(b[:]) // never fails (crypto/rand)
	n := uint32(b[0])<<24 | uint32(b[1])<<16 | uint32(b[2])<<8 | uint32(b[3])
	const digits = "0123456789abcdefghjkmnpqrstvwxyz" // no i, l, o, u: read aloud without error
	var tail [7]byte
	for i := range tail {
		tail[i] = digits[n&31]
		n >>= 5
	}
	at = at.UTC()
	return fmt.Sprintf("%s%03dZ-%s-%s-%s", at.Format("20060102T150405"), at.Nanosecond()/1e6, plain(station),
		plain(nest), tail[:])
}

func plain(s string) string {
	keep := func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			return r
		}
		return -1
	}
	s = strings.Map(keep, s)
	if s == "" {
		return "0"
	}
	return s[:min(len(s), 12)]
}

// ValidRun reports whether a run's name may become a file name.
func ValidRun(run string) bool {
	if len(run) == 0 || len(run) > 80 || run[0] == '-' {
		return false
	}
	for _, r := range run {
		if r != '-' && !(r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z') {
			return false
		}
	}
	return true
}
