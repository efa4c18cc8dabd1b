package motion

import "testing"

// The lines of the published description of numbered lines, check sums and all.
// (RepRap wiki, "G-code", Checking: N3 T0*57, N4 G92 E0*67, N5 G28*22, N6 G1 F1500.0*82;
// from memory, the sums re-computed here.)
func TestPublishedCheckSums(t *testing.T) {
	for n, want := range map[int][2]string{3: {"T0", "N3 T0*57"}, 4: {"G92 E0", "N4 G92 E0*67"}, 5: {"G28", "N5 G28*22"},
		6: {"G1 F1500.0", "N6 G1 F1500.0*82"}} {
		if got := summed(n, want[0]); got != want[1] {
			t.Errorf("%q, want %q", got, want[1])
		}
	}
	for line, want := range map[string]int{"Resend: 7": 7, "rs N12": 12, "rs 3 (x)": 3, "Resend:": -1} {
		n, ok := numberIn(line)
		if ok != (want >= 0) || ok && n != want {
			t.Errorf("%q: %d, %v", line, n, ok)
		}
	}
}
