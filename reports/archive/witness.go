package archive

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// Witness is the head of a station's chain as somebody else keeps it: on paper,
// on a telephone. The archive must contain that report for ever after.
//
// Of the hash it keeps 128 bits. A report made up to fit another one's needs
// 2^128 tries; whoever has the key and makes up two histories beforehand, to show
// one and later the other, needs 2^64 of them, each of a whole report.
type Witness struct {
	Station string
	Number  int64
	At      time.Time // to the minute, UTC
	Hash    string    // the first 32 hex digits of the report's SHA-256
}

const (
	witnessDigits = "0123456789ABCDEFGHJKMNPQRSTVWXYZ" // without letters that look like digits
	witnessBytes  = 16
	witnessLength = 26 + 2 // signs of the hash, and of its check
)

// Witness is the head that was verified; false where there is no report.
func (v *Verification) Witness(now time.Time) (Witness, bool) {
	if v.Number < 1 || len(v.Head) < 2*witnessBytes {
		return Witness{}, false
	}
	return Witness{Station: v.Station, Number: v.Number, At: now.UTC().Truncate(time.Minute),
		Hash: v.Head[:2*witnessBytes]}, true
}

// Witness is the head of the chain now; false where there is no report.
func (a *Archive) Witness(now time.Time) (Witness, bool) {
	a.sealing.Lock()
	h := a.head
	a.sealing.Unlock()
	v := Verification{Station: a.station, Number: h.Number, Head: h.Hash}
	return v.Witness(now)
}

// String is the note as it is printed, on one line:
//
//	LQ-1 / 1234 / 2026-11-30 19:54 / 7K3Q F2M9 ... , 7 groups of 4
//
// The last two signs are a check over all of it: one note in 1,024 that was
// mistyped gets past it, and then does not fit the archive.
func (w Witness) String() string {
	signs := w.signs()
	signs += w.check(signs)
	var groups []string
	for ; signs != ""; signs = signs[4:] {
		groups = append(groups, signs[:4])
	}
	return fmt.Sprintf("%s / %d / %s / %s", w.Station, w.Number, w.At.UTC().Format("2006-01-02 15:04"),
		strings.Join(groups, " "))
}

// signs is the hash in base 32.
func (w Witness) signs() string {
	data, _ := hex.DecodeString(w.Hash)
	var b strings.Builder
	bits, n := uint32(0), 0
	for _, x := range data {
		bits, n = bits<<8|uint32(x), n+8
		for ; n >= 5; n -= 5 {
			b.WriteByte(witnessDigits[bits>>(n-5)&31])
		}
	}
	if n > 0 {
		b.WriteByte(witnessDigits[bits<<(5-n)&31])
	}
	return b.String()
}

// check are the two signs behind it.
func (w Witness) check(signs string) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "fullthrow-witness/1\n%s\n%d\n%s\n%s\n", foldSigns(w.Station), w.Number,
		w.At.UTC().Format("200601021504"), signs))
	return string([]byte{witnessDigits[sum[0]&31], witnessDigits[sum[1]&31]})
}

// foldSigns is a text as somebody might type it: letters and digits alone, in
// capitals, letters that look like digits as these.
func foldSigns(s string) string {
	return strings.Map(func(r rune) rune {
		switch r = unicode.ToUpper(r); {
		case r == 'O':
			return '0'
		case r == 'I' || r == 'L':
			return '1'
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			return r
		}
		return -1
	}, s)
}

// Of says whether the note is of the station of that name.
func (w Witness) Of(station string) bool { return foldSigns(w.Station) == foldSigns(station) }

// Known is what the note says that its keeper has seen.
func (w Witness) Known() Known { return Known{From: "witness", Number: w.Number, Hash: w.Hash} }

// ParseWitness reads a note as [Witness.String] gives it, also typed by hand:
// capitals, blanks, hyphens, and O for 0 or l for 1 make no difference. Lines
// that begin with # are left out.
func ParseWitness(text string) (Witness, error) {
	bad := func(what string) (Witness, error) { return Witness{}, errors.New("witness: " + what) }
	var lines []string
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			lines = append(lines, line)
		}
	}
	parts := strings.Split(strings.Join(lines, " "), "/")
	if len(parts) < 4 {
		return bad("it has four parts with / between: station, number, time, signs")
	}
	n := len(parts)
	w := Witness{Station: strings.TrimSpace(strings.Join(parts[:n-3], "/"))}
	var err error
	if w.Number, err = strconv.ParseInt(foldSigns(parts[n-3]), 10, 64); err != nil || w.Number < 1 {
		return bad("its second part is the number of a report")
	}
	if w.At, err = time.Parse("200601021504", foldSigns(parts[n-2])); err != nil {
		return bad("its third part is a day and time, like 2026-11-30 19:54")
	}
	signs := foldSigns(parts[n-1])
	if len(signs) != witnessLength {
		return bad(fmt.Sprintf("its last part has %d signs, not %d", len(signs), witnessLength))
	}
	data := make([]byte, 0, witnessBytes+1)
	bits, have := uint32(0), 0
	for _, r := range signs[:witnessLength-2] {
		v := strings.IndexRune(witnessDigits, r)
		if v < 0 {
			return bad(fmt.Sprintf("%q is none of its signs", r))
		}
		if bits, have = bits<<5|uint32(v), have+5; have >= 8 {
			have -= 8
			data = append(data, byte(bits>>have))
		}
	}
	w.Hash = hex.EncodeToString(data[:witnessBytes])
	if w.check(w.signs()) != signs[witnessLength-2:] || w.signs() != signs[:witnessLength-2] {
		return bad("its check signs do not fit: a sign, the station, the number or the time is mistyped")
	}
	return w, nil
}
