package statistics

import (
	"testing"
)

// Quantiles behind the intervals, re-computed with 30 digits.
func TesStudentFactorsOfDistributions(t *testing.T) {
	for df, want := range map[float64][2]float64{
		1: {12.7062047361747, 63.6567411628716}, 2: {4.30265272974946, 9.92484320091829}, 5: {2.57058183563632, 4.03214298355523},
		99: {1.98421695158642, 2.62640545728083}, 1000: {1.96233908082641, 2.58075469806595},
	} {
		relative(t, "t 95 %", StudentFactor(df, 0.95), want[0], 1e-9)
		relative(t, "t 99 %", StudentFactor(df, 0.99), want[1], 1e-9)
	}
	for df, want := range map[float64][2]float64{
		1: {0.000982069117175256, 5.02388618731489}, 2: {0.0506356159685798, 7.37775890822787}, 4: {0.48441855708793, 11.1432867818778},
		9: {2.70038949998036, 19.0227677986416}, 99: {73.3610801912837, 128.42198864384}, 999: {913.300998302113, 1088.48706772594},
	} {
		relative(t, "chi-square 2.5 %", ChiSquareQuantile(0.025, df), want[0], 1e-9)
		relative(t, "chi-square 97.5 %", ChiSquareQuantile(0.975, df), want[1], 1e-9)
	}
}
