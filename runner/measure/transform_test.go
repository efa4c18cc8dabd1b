package measure

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// The power of every length is that of gonum's coefficients, and of the
// definition for short ones, and all together have the power of the samples
// (Parseval).
func TestTransform(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	seen := map[int]bool{}
	for n := 16; n < 150000; n += 1 + n/8 {
		n, _ := transformLength(n)
		if seen[n] {
			continue
		}
		seen[n] = true
		f := newTransform(n)
		x := make([]float64, n)
		got, want := make([]float64, n/2+1), make([]complex128, n/2+1)
		ones := make([]float64, n)
		for i := range ones {
			ones[i] = 1
		}
		for range 2 { // a second time with what the first has left
			var power float64
			for i := range x {
				x[i] = rng.NormFloat64()
				power += x[i] * x[i]
			}
			f.power(got, x, ones)
			fourier.NewFFT(n).Coefficients(want, x)
			if n <= 64 {
				for k := range want {
					want[k] = 0
					for i, v := range x {
						want[k] += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*float64(i*k%n)/float64(n))
					}
				}
			}
			var sum float64
			for k, p := range got {
				if math.Abs(math.Sqrt(p)-cmplx.Abs(want[k])) > 1e-13*float64(n) {
					t.Fatalf("length %d, bin %d: got a power of %v, want %v squared", n, k, p, cmplx.Abs(want[k]))
				}
				p *= 2
				if k == 0 || k == n/2 {
					p /= 2
				}
				sum += p
			}
			near(t, "power", sum/float64(n), power, 1e-12)
		}
	}
}
