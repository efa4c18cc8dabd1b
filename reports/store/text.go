package store

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"unicode/utf8"
)

// Longest texts of the index, in bytes. What is longer is kept whole in the
// report, and in the index up to here.
const (
	keyLength  = 160  // what is looked up: names, serial numbers, lots
	longLength = 2000 // what is only read: reasons, causes, texts of a reading
)

// Texts come from scanners and from other machines. In the index a NUL
// (PostgreSQL knows none) and bytes that are no UTF-8 stand as U+FFFD. One
// that is too long is cut; of one that is looked up, the end is replaced by a
// hash of all of it, so that two of them stay two.

// clean is a text that is only read.
func clean(s string) string { return cut(valid(s), longLength) }

// cleanKey is a text that is looked up.
func cleanKey(s string) string {
	v := valid(s)
	if len(v) <= keyLength {
		return v
	}
	sum := sha256.Sum256([]byte(s))
	return cut(v, keyLength-20) + "…" + hex.EncodeToString(sum[:8])
}

func valid(s string) string {
	if utf8.ValidString(s) && strings.IndexByte(s, 0) < 0 {
		return s
	}
	return strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
}

// cut keeps at most n bytes of valid text, whole characters only.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}
