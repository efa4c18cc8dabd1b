package archive

import (
	"strings"
	"testing"
	"time"
)

// What is printed is read back, typed as people type it; every single mistyped
// sign of this note is found.
func TestWitness(t *testing.T) {
	w := Witness{Station: "LQ-1 / east", Number: 1234, At: time.Date(2026, 11, 30, 19, 54, 0, 0, time.UTC),
		Hash: "0d69e2cdaadd03eb4a89dae5dd9c60c1"}
	text := w.String()
	if groups := strings.Fields(text[strings.LastIndex(text, "/")+1:]); len(groups) != 7 {
		t.Errorf("%s: %d groups, want 7", text, len(groups))
	}
	last := strings.LastIndex(text, "/")
	for _, typed := range []string{
		text, strings.ToLower(text), strings.ReplaceAll(text, " ", ""), strings.ReplaceAll(text, "0", "o"),
		strings.ReplaceAll(text, "1", "l"), strings.ReplaceAll(text, " ", "-"), "# a note\n" + text[:last] + "\n" + text[last:] + "\n",
	} {
		got, err := ParseWitness(typed)
		if err != nil || got.Number != w.Number || !got.At.Equal(w.At) || got.Hash != w.Hash || !got.Of(w.Station) {
			t.Errorf("%q: got %+v, %v", typed, got, err)
		}
	}
	missed := 0
	for i, r := range text {
		if !strings.ContainsRune(witnessDigits, r) {
			continue
		}
		for _, other := range "23456789" {
			if other == r {
				continue
			}
			if _, err := ParseWitness(text[:i] + string(other) + text[i+1:]); err == nil {
				missed++
				t.Logf("sign %d as %c is not found", i, other)
			}
		}
	}
	if missed > 3 { // of some 350: one in 1,024 gets past two check signs
		t.Errorf("%d mistyped signs were not found", missed)
	}
	for _, bad := range []string{"", "LQ-1", "LQ-1 / x / 2026-11-30 19:54 / " + w.signs(), text[:last] + "/ 123", strings.Replace(text, "2026", "20x6", 1)} {
		if got, err := ParseWitness(bad); err == nil {
			t.Errorf("%q: got %+v, want an error", bad, got)
		}
	}
}
