package serial

import (
	"encoding/hex"
	"strings"
)

// The code on a unit's page and certificate ties the paper to the sealed
// report. It is a QR code (ISO/IEC 18004, error correction level M): phones
// read it without an extra program, and so do the two-dimensional scanners of
// a line. Its content is plain text, serial number and hash of the report:
//
//	K824A00017M sha256:9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08

const (
	codeHash = " sha256:"
	// Serial numbers beyond this make modules too small for a page.
	MaxCodeSerial = 80
)

// CodeText is what the code of a sealed report holds; "" where the serial
// number is empty, longer than 80 characters or not plain ASCII, or hash is
// not 64 hex digits: then there is no code.
func CodeText(serial, hash string) string {
	if b, err := hex.DecodeString(hash); err != nil || len(b) != 32 || len(serial) < 1 || len(serial) > MaxCodeSerial {
		return ""
	}
	for _, c := range serial {
		if c < '!' || c > '~' {
			return ""
		}
	}
	return serial + codeHash + strings.ToLower(hash)
}

// ParseCode takes a scanned code apart; ok is false where it is none of ours.
func ParseCode(text string) (serial, hash string, ok bool) {
	serial, hash, ok = strings.Cut(strings.TrimSpace(text), codeHash)
	if !ok || CodeText(serial, hash) == "" {
		return "", "", false
	}
	return serial, strings.ToLower(hash), true
}
