package measure

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
		x, n         int
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
		within(t, "lower", lower, tt.lower, 1e-9)
		within(t, "upper", upper, tt.upper, 1e-9)
	}
}

// Large numbers and small rates, re-computed with 30 digits.
func TestClopperPearsonFarOut(t *testing.T) {
	tests := []struct {
		x, n                     int
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
		near(t, fmt.Sprint(tt.x, " of ", tt.n, " lower"), lower, tt.lower, 1e-9)
		near(t, fmt.Sprint(tt.x, " of ", tt.n, " upper"), upper, tt.upper, 1e-9)
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
		lower, upper := ClopperPearson(x, n, c)
		if x > 0 {
			within(t, "lower", distuv.Binomial{N: float64(n), P: lower}.Survival(float64(x-1)), (1-c)/2, 1e-9)
		}
		if x < n {
			within(t, "upper", distuv.Binomial{N: float64(n), P: upper}.CDF(float64(x)), (1-c)/2, 1e-9)
		}
		// Losses and receptions are two names for one thing.
		l, u := ClopperPearson(n-x, n, c)
		within(t, "mirror", l, 1-upper, 1e-12)
		within(t, "mirror", u, 1-lower, 1e-12)
		wl, wu := Wilson(x, n, c)
		p := float64(x) / float64(n)
		if !(lower <= p && p <= upper && wl <= p && p <= wu && 0 <= wl && wu <= 1) {
			t.Fatalf("%d of %d at %v: %v..%v, %v..%v", x, n, c, lower, upper, wl, wu)
		}
	}
}

// Exact 95 % intervals of a count, the catalogue's and others re-computed.
func TestPoisson(t *testing.T) {
	tests := []struct {
		count                    int
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
		within(t, "lower", lower, tt.lower, 1e-9)
		near(t, "upper", upper, tt.upper, 1e-10)
	}
}

// Newcombe 1998, Statistics in Medicine 17, 873-890, Table II, method 10: the
// four printed digits from memory, the rest re-computed.
func TestNewcombe(t *testing.T) {
	tests := []struct {
		x1, n1, x2, n2         int
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
		within(t, "print", lower, tt.printLower, 5e-5)
		within(t, "print", upper, tt.printUpper, 5e-5)
		within(t, "lower", lower, tt.lower, 1e-12)
		within(t, "upper", upper, tt.upper, 1e-12)
		l, u := Newcombe(tt.x2, tt.n2, tt.x1, tt.n1, 0.95)
		within(t, "exchanged", l, -upper, 1e-15)
		within(t, "exchanged", u, -lower, 1e-15)
	}
	for _, bad := range [][4]int{{1, 0, 1, 2}, {3, 2, 1, 2}, {1, 2, -1, 2}} {
		l, u := Newcombe(bad[0], bad[1], bad[2], bad[3], 0.95)
		require.Equal(t, []float64{-1, 1}, []float64{l, u})
	}
}

func TestCompare(t *testing.T) {
	tests := []struct {
		name                         string
		lost, sent, golden, goldSent int
		margin                       float64
		worse, notWorse              bool
	}{
		{"much worse", 120, 1000, 10, 1000, 2, true, false},
		{"as good", 10, 3000, 9, 3000, 1, false, true},
		{"too few to tell", 1, 50, 0, 50, 1, false, false},
		{"worse, but not by much", 60, 10000, 30, 10000, 1, true, true},
	}
	for _, tt := range tests {
		r, err := Compare(tt.lost, tt.sent, tt.golden, tt.goldSent, CompareOptions{Margin: tt.margin})
		require.NoError(t, err)
		require.Equal(t, []bool{tt.worse, tt.notWorse}, []bool{r.Worse, r.NotWorse}, "%s: %+v", tt.name, r)
	}
	for _, bad := range [][4]int{{0, 0, 0, 1}, {2, 1, 0, 1}, {0, 1, 2, 1}, {0, 1, 0, 0}} {
		_, err := Compare(bad[0], bad[1], bad[2], bad[3], CompareOptions{})
		require.ErrorContains(t, err, "measure: compare: ")
	}
	// Bursts of four on average: the difference is no longer beyond doubt.
	plain, err := Compare(60, 1000, 40, 1000, CompareOptions{})
	require.NoError(t, err)
	bursts, err := Compare(60, 1000, 40, 1000, CompareOptions{Inflation: 4})
	require.NoError(t, err)
	require.True(t, plain.Worse && !bursts.Worse)
	near(t, "twice as wide", bursts.Interval.High-bursts.Interval.Low, 2*(plain.Interval.High-plain.Interval.Low), 0.06)
	_, err = Compare(0, 1, 0, 1, CompareOptions{Inflation: 0.5})
	require.ErrorContains(t, err, "inflation")
	_, err = Compare(0, 1, 0, 1, CompareOptions{Margin: -1})
	require.ErrorContains(t, err, "margin")
}

// Textbook numbers of trials without failure (299, 59, 22, 45), the others
// re-computed.
func TestSuccessRun(t *testing.T) {
	for in, want := range map[[2]float64]int{
		{0.99, 0.95}: 299, {0.95, 0.95}: 59, {0.90, 0.90}: 22, {0.95, 0.90}: 45, {0.90, 0.95}: 29, {0.99, 0.90}: 230, {0.99, 0.99}: 459, {0.80, 0.90}: 11,
		{0.5, 0.5}: 1, {0.1, 0.1}: 1,
	} {
		got, err := SuccessRun(in[0], in[1])
		require.NoError(t, err)
		require.Equal(t, want, got, in)
		// The same by Clopper-Pearson: that many successes put the one-sided
		// lower bound at the reliability or above, one fewer does not.
		lower, _ := ClopperPearson(got, got, 1-2*(1-in[1]))
		if in[1] > 0.5 && lower < in[0]-1e-12 {
			t.Errorf("%v: %d successes show only %v", in, got, lower)
		}
	}
	for _, bad := range [][2]float64{{0, 0.5}, {1, 0.5}, {0.5, 0}, {0.5, 1}, {math.NaN(), 0.5}, {1 - 1e-12, 0.9}} {
		_, err := SuccessRun(bad[0], bad[1])
		require.ErrorContains(t, err, "measure: success run: ")
	}
}

func TestProportion(t *testing.T) {
	r, err := Proportion(12, 1000, ProportionOptions{})
	require.NoError(t, err)
	require.Equal(t, 1.2, r.Share)
	within(t, "exact", r.Exact.High, 2.08676796, 1e-7)
	within(t, "Wilson", r.Wilson.Low, 0.68776476, 1e-7)
	for _, bad := range [][2]int{{0, 0}, {-1, 5}, {6, 5}} {
		_, err := Proportion(bad[0], bad[1], ProportionOptions{})
		require.ErrorContains(t, err, "measure: proportion: ")
	}
}
