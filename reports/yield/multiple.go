package yield

import (
	"cmp"
	"math"
	"slices"
)

// Correction says how chances are corrected for the number of questions asked
// at once: of 60 readings that do not differ, three would seem to, each taken
// alone at 95 %.
type Correction string

// The corrections.
const (
	// Holm keeps the chance that any difference claimed is none below 1 -
	// confidence (Holm 1979). The default.
	Holm Correction = "holm"
	// BenjaminiHochberg keeps the share of differences claimed that are none
	// below 1 - confidence on average (Benjamini and Hochberg 1995): it finds
	// more, for a first look.
	BenjaminiHochberg Correction = "benjamini-hochberg"
	// NoCorrection takes each question alone.
	NoCorrection Correction = "none"
)

// Adjust corrects p-values of questions asked at once, in their order: what is
// below 1 - confidence afterwards counts. NaN stays NaN and is not counted as a
// question. Any other correction than those named is taken for Holm's.
func Adjust(p []float64, c Correction) []float64 {
	out := slices.Clone(p)
	var order []int
	for i, v := range p {
		if !math.IsNaN(v) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	m := float64(len(order))
	switch c {
	case NoCorrection:
	case BenjaminiHochberg:
		least := 1.0
		for k := len(order) - 1; k >= 0; k-- {
			least = min(least, m/float64(k+1)*p[order[k]])
			out[order[k]] = least
		}
	default:
		greatest := 0.0
		for k, i := range order {
			greatest = max(greatest, min(1, (m-float64(k))*p[i]))
			out[i] = greatest
		}
	}
	return out
}

// Test is the answer to "could chance alone do this?".
type Test struct {
	P        float64 `json:"p"`        // chance of a difference at least this large if there were none
	Adjusted float64 `json:"adjusted"` // the same, corrected for the number of questions asked
}

// correct fills in Adjusted; tests that are nil are no questions.
func correct(tests []*Test, c Correction) (asked int) {
	tests = slices.DeleteFunc(tests, func(t *Test) bool { return t == nil })
	p := make([]float64, len(tests))
	for i, t := range tests {
		p[i] = t.P
	}
	for i, a := range Adjust(p, c) {
		tests[i].Adjusted = a
	}
	return len(tests)
}
