package statistics

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// Newcombe 1998, Table I, and e-Handbook 7.2.4.1 (4 of 20): print from memory,
// digits re-computed.
func TestWilson(t *testing.T) {
	tests := []struct {
		x, n         float64
		confidence   float64
		lower, upper float64
	}{
		{81, 263, 0.95, 0.2552885199, 0.3662095770},
		{15, 148, 0.95, 0.0623863995, 0.1604872417},
		{4, 20, 0.90, 0.0931180166, 0.3783766856},
		{4, 20, 0.95, 0.0806576626, 0.4160174323},
		{12, 1000, 0.95, 0.0068776476, 0.0208572685},
		{10, 10, 0.95, 0.7224672001, 1},
		{0, 10, 0.95, 0, 1 - 0.7224672001},
		{0, 0, 0.95, 0, 1}, {5, 3, 0.95, 0, 1}, {-1, 3, 0.95, 0, 1}, {1, 3, 0, 0, 1},
	}
	for _, tt := range tests {
		lower, upper := Wilson(tt.x, tt.n, tt.confidence)
		require.InDelta(t, tt.lower, lower, 1e-9, "lower")
		require.InDelta(t, tt.upper, upper, 1e-9, "upper")
	}
}

// Large numbers and small rates, re-computed with 30 digits.
func TestClopperPearsonFarOut(t *testing.T) {
	tests := []struct {
		x, n                     float64
		confidence, lower, upper float64
	}{
		{1, 2000, 0.95, 1.2658823868558e-5, 0.0027826398346589},
		{3, 100000, 0.99, 3.378661966385e-6, 0.00010977039641065},
		{500, 1000, 0.95, 0.46854917297179, 0.53145082702821},
		{999, 1000, 0.90, 0.9952650064245, 0.99994870802109},
		{1, 3, 0.95, 0.0084037586596126, 0.90570067594975},
	}
	for _, tt := range tests {
		lower, upper := ClopperPearson(tt.x, tt.n, tt.confidence)
		relative(t, fmt.Sprint(tt.x, " of ", tt.n, " lower"), lower, tt.lower, 1e-9)
		relative(t, fmt.Sprint(tt.x, " of ", tt.n, " upper"), upper, tt.upper, 1e-9)
	}
}

// The ends solve what defines them: with the rate at an end, a result as far
// out as the one seen has exactly half the error probability.
func TestClopperPearsonSolvesItsEquations(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 6))
	for range 500 {
		n := 1 + rng.IntN(3000)
		x := rng.IntN(n + 1)
		if rng.IntN(2) == 0 {
			x = rng.IntN(min(n, 5) + 1)
		}
		c := []float64{0.5, 0.9, 0.95, 0.999}[rng.IntN(4)]
		lower, upper := ClopperPearson(float64(x), float64(n), c)
		if x > 0 {
			require.InDelta(t, (1-c)/2, distuv.Binomial{N: float64(n), P: lower}.Survival(float64(x-1)), 1e-9, "lower")
		}
		if x < n {
			require.InDelta(t, (1-c)/2, distuv.Binomial{N: float64(n), P: upper}.CDF(float64(x)), 1e-9, "upper")
		}
		// Losses and receptions are two names for one thing.
		l, u := ClopperPearson(float64(n-x), float64(n), c)
		require.InDelta(t, 1-upper, l, 1e-12, "mirror")
		require.InDelta(t, 1-lower, u, 1e-12, "mirror")
		wl, wu := Wilson(float64(x), float64(n), c)
		p := float64(x) / float64(n)
		if !(lower <= p && p <= upper && wl <= p && p <= wu && 0 <= wl && wu <= 1) {
			t.Fatalf("%d of %d at %v: %v..%v, %v..%v", x, n, c, lower, upper, wl, wu)
		}
	}
}

// Exact 95 % intervals of a count, the catalogue's and others re-computed.
func TestPoisson(t *testing.T) {
	tests := []struct {
		count                    float64
		confidence, lower, upper float64
	}{
		{0, 0.95, 0, 3.6888794541139}, {1, 0.95, 0.02531780798429, 5.5716433909389}, {3, 0.95, 0.6186721228956, 8.7672730697423},
		{10, 0.95, 4.7953886961324, 18.390356042018}, {100, 0.99, 76.120495843689, 128.7605801201},
		{-1, 0.95, 0, math.Inf(1)}, {3, 1, 0, math.Inf(1)},
	}
	for _, tt := range tests {
		lower, upper := Poisson(tt.count, tt.confidence)
		if math.IsInf(tt.upper, 1) {
			require.Equal(t, []float64{tt.lower, tt.upper}, []float64{lower, upper})
			continue
		}
		require.InDelta(t, tt.lower, lower, 1e-9, "lower")
		relative(t, "upper", upper, tt.upper, 1e-10)
	}
}

// Newcombe 1998, Statistics in Medicine 17, 873-890, Table II, method 10: the
// four printed digits from memory, the rest re-computed.
func TestNewcombe(t *testing.T) {
	tests := []struct {
		x1, n1, x2, n2         float64
		printLower, printUpper float64
		lower, upper           float64
	}{
		{56, 70, 48, 80, 0.0524, 0.3339, 0.05243147240236, 0.3338726540369},
		{9, 10, 3, 10, 0.1705, 0.8090, 0.1705227239345, 0.8090179735355},
		{6, 7, 2, 7, 0.0582, 0.8062, 0.05822792748231, 0.8062496375242},
		{5, 56, 0, 29, -0.0381, 0.1926, -0.03813714790354, 0.1925600138551},
		{0, 10, 0, 20, -0.1611, 0.2775, -0.1611251580528, 0.2775327998629},
		{10, 10, 0, 20, 0.6791, 1.0000, 0.6790860371419, 1},
		{10, 10, 0, 10, 0.6075, 1.0000, 0.6075093504305, 1},
	}
	for _, tt := range tests {
		lower, upper := Newcombe(tt.x1, tt.n1, tt.x2, tt.n2, 0.95)
		require.InDelta(t, tt.printLower, lower, 5e-5, "print")
		require.InDelta(t, tt.printUpper, upper, 5e-5, "print")
		require.InDelta(t, tt.lower, lower, 1e-12, "lower")
		require.InDelta(t, tt.upper, upper, 1e-12, "upper")
		l, u := Newcombe(tt.x2, tt.n2, tt.x1, tt.n1, 0.95)
		require.InDelta(t, -upper, l, 1e-15, "exchanged")
		require.InDelta(t, -lower, u, 1e-15, "exchanged")
	}
	for _, bad := range [][4]float64{{1, 0, 1, 2}, {3, 2, 1, 2}, {1, 2, -1, 2}} {
		l, u := Newcombe(bad[0], bad[1], bad[2], bad[3], 0.95)
		require.Equal(t, []float64{-1, 1}, []float64{l, u})
	}
}

// Newcombe 1998, Table I (print from memory, digits re-computed), and
// e-Handbook 7.2.4.1 (4 of 20, 90 %).
func TestClopperPearson(t *testing.T) {
	tests := []struct {
		x, n         float64
		confidence   float64
		lower, upper float64
	}{
		{81, 263, 0.95, 0.2527367456, 0.3676219226},
		{15, 148, 0.95, 0.0578440101, 0.1616504903},
		{4, 20, 0.95, 0.0573339971, 0.4366140030},
		{4, 20, 0.90, 0.0713538843, 0.4010281173},
		{12, 1000, 0.95, 0.0062155256, 0.0208676796},
		{10, 10, 0.95, 0.6915028922, 1},
		{0, 1000, 0.90, 0, 0.00299124955}, // 1 - 0.05^(1/1000), one-sided 95 %
		{0, 0, 0.95, 0, 1}, {5, 3, 0.95, 0, 1}, {-1, 3, 0.95, 0, 1}, {1, 3, 1, 0, 1},
	}
	for _, tt := range tests {
		lower, upper := ClopperPearson(tt.x, tt.n, tt.confidence)
		require.InDelta(t, tt.lower, lower, 1e-9, "lower")
		require.InDelta(t, tt.upper, upper, 1e-9, "upper")
	}
	_, upper := ClopperPearson(4, 20, 0.90)
	require.InDelta(t, 0.401029, upper, 2e-6, "e-Handbook print")
}

func TestOneSidedBounds(t *testing.T) {
	// The rule of three: 0 of 1000, exact one-sided 95 % bound, in closed form.
	require.InDelta(t, 1-math.Pow(0.05, 0.001), AtMost(0, 1000, 0.95), 1e-15)
	require.InDelta(t, math.Pow(0.05, 0.001), AtLeast(1000, 1000, 0.95), 1e-14)
}

// What cannot be used says that nothing is known.
func TestSharesOfNothing(t *testing.T) {
	for _, c := range []float64{0, 1, -1, 2, math.NaN()} {
		low, high := Wilson(9, 10, c)
		require.Equal(t, []float64{0, 1, 0, 1}, []float64{low, high, AtLeast(9, 10, c), AtMost(9, 10, c)})
	}
	for _, v := range [][2]float64{{math.NaN(), 1}, {1, math.NaN()}, {1, math.Inf(1)}, {1, 0}} {
		low, high := Wilson(v[0], v[1], 0.95)
		require.Equal(t, []float64{0, 1}, []float64{low, high})
		low, high = ClopperPearson(v[0], v[1], 0.95)
		require.Equal(t, []float64{0, 1}, []float64{low, high})
		low, high = Newcombe(v[0], v[1], 1, 2, 0.95)
		require.Equal(t, []float64{-1, 1}, []float64{low, high})
	}
	for _, v := range []float64{-1, math.NaN(), math.Inf(1)} {
		low, high := Poisson(v, 0.95)
		require.Equal(t, []float64{0, math.Inf(1)}, []float64{low, high})
	}
}
