package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// constructed is a data set of three cycles at eleven points, in % of span.
func constructed() []TravelPoint {
	up := [][]float64{
		{0.05, 10.12, 20.22, 30.27, 40.22, 50.12, 60.02, 69.92, 79.87, 89.92, 100.03},
		{0.04, 10.13, 20.20, 30.28, 40.21, 50.14, 60.00, 69.93, 79.88, 89.91, 100.02},
		{0.06, 10.11, 20.21, 30.26, 40.23, 50.13, 60.01, 69.91, 79.86, 89.90, 100.04},
	}
	down := [][]float64{
		{0.09, 10.20, 20.34, 30.43, 40.40, 50.30, 60.18, 70.06, 79.99, 90.00, 100.03},
		{0.08, 10.22, 20.33, 30.44, 40.39, 50.32, 60.17, 70.07, 79.98, 90.01, 100.02},
		{0.10, 10.21, 20.35, 30.42, 40.41, 50.31, 60.19, 70.05, 79.97, 89.99, 100.04},
	}
	var points []TravelPoint
	for cycle := range up {
		for i := range 11 {
			points = append(points, TravelPoint{cycle + 1, true, float64(10 * i), up[cycle][i]}, TravelPoint{cycle + 1, false, float64(10 * i), down[cycle][i]})
		}
	}
	return points
}

// Every figure of the constructed data set. Definitions of IEC 61298-2:2008,
// 4.1.7, and ISA-51.1 from memory; values re-computed independently (linear
// programming for the minimax lines).
func TestTravelPointsConstructedData(t *testing.T) {
	r, err := TravelPoints(constructed(), TravelPointsOptions{})
	require.NoError(t, err)
	require.Equal(t, []int{11, 3}, []int{r.Positions, r.Cycles})
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"span", r.Span, 100},
		{"low end", r.LowEnd, 0.07}, {"high end", r.HighEnd, 100.03},
		{"inaccuracy above", r.InaccuracyAbove, 0.44}, {"inaccuracy below", r.InaccuracyBelow, -0.14},
		{"measured error above", r.ErrorAbove, 0.43}, {"measured error below", r.ErrorBelow, -0.13},
		{"hysteresis", r.Hysteresis, 0.18}, {"hysteresis at", r.HysteresisAt, 40},
		{"play (median of .09 .13 .16 .18 .18 .17 .14 .11 .09)", r.MedianHysteresis, 0.14},
		{"non-repeatability", r.Repeatability, 0.02}, {"pooled sd", r.RepeatabilitySD, 0.01},
		{"terminal-based", r.TerminalLine.NonLinearity, 0.292}, {"terminal-based at", r.TerminalLine.At, 30},
		{"terminal line", r.TerminalLine.Slope, 0.9996}, {"terminal line at 0", r.TerminalLine.Intercept, 0.07},
		{"independent", r.IndependentLine.NonLinearity, 0.1671875},
		{"independent line", r.IndependentLine.Slope, 0.9981875}, {"independent line at 0", r.IndependentLine.Intercept, 0.2371875},
		{"zero-based", r.ZeroLine.NonLinearity, 0.24318181818},
		{"zero-based line", r.ZeroLine.Slope, 1.00122727273}, {"zero-based line at 0", r.ZeroLine.Intercept, 0.07},
		{"least squares", r.LeastSquaresLine.NonLinearity, 0.19340909091},
		{"least-squares line", r.LeastSquaresLine.Slope, 0.99725}, {"least-squares line at 0", r.LeastSquaresLine.Intercept, 0.26340909091},
	} {
		within(t, c.what, c.got, c.want, 1e-9)
	}
	require.True(t, r.Monotonic)
	require.Zero(t, r.TurnsBack)
	errors := []float64{.07, .165, .275, .35, .31, .22, .095, -.01, -.075, -.045, .03}
	hysteresis := []float64{.04, .09, .13, .16, .18, .18, .17, .14, .11, .09, 0}
	for i, c := range r.Curve {
		within(t, "average error", c.Mean-c.Commanded, errors[i], 1e-9)
		within(t, "hysteresis of a position", c.Downwards-c.Upwards, hysteresis[i], 1e-9)
	}
}

// table reads a function at n points of [0, 1], upwards.
func table(n int, f func(x float64) float64) []TravelPoint {
	var points []TravelPoint
	for i := range n {
		x := float64(i) / float64(n-1)
		points = append(points, TravelPoint{1, true, x, f(x)})
	}
	return points
}

// y = x + 0.08 x (1 - x), a bow of 2 % of span: all four non-linearities in
// closed form [derived], on 101 points; the zero-based one re-computed, its slope
// over the continuum 1 + 4e(3 - 2 sqrt 2) with e = 0.02.
func TestTravelPointsBow(t *testing.T) {
	r, err := TravelPoints(table(101, func(x float64) float64 { return x + 0.08*x*(1-x) }), TravelPointsOptions{})
	require.NoError(t, err)
	within(t, "terminal-based", r.TerminalLine.NonLinearity, 2, 1e-9)
	within(t, "terminal-based at", r.TerminalLine.At, 0.5, 1e-12)
	within(t, "independent", r.IndependentLine.NonLinearity, 1, 1e-9)
	within(t, "independent line", r.IndependentLine.Slope, 1, 1e-9)
	within(t, "independent line at 0", r.IndependentLine.Intercept, 0.01, 1e-9)
	within(t, "least squares", r.LeastSquaresLine.NonLinearity, 1.32, 1e-9)
	within(t, "least-squares line at 0", r.LeastSquaresLine.Intercept, 0.0132, 1e-9)
	within(t, "zero-based", r.ZeroLine.NonLinearity, 1.3724823, 1e-7)
	within(t, "zero-based line", r.ZeroLine.Slope, 1.013724823, 1e-9)
	require.Zero(t, r.Hysteresis, "one direction only")
	require.True(t, math.IsNaN(r.MedianHysteresis) && math.IsNaN(r.Repeatability) && math.IsNaN(r.RepeatabilitySD))

	fine, err := TravelPoints(table(100001, func(x float64) float64 { return x + 0.08*x*(1-x) }), TravelPointsOptions{})
	require.NoError(t, err)
	within(t, "zero-based, continuum", fine.ZeroLine.NonLinearity, 1.3725830, 1e-6)
	within(t, "zero-based line, continuum", fine.ZeroLine.Slope, 1+0.08*(3-2*math.Sqrt2), 1e-6)
}

// No line is better than the independent one, and none through the low end
// than the zero-based one: against many lines near them, on random curves.
func TestTravelPointsLinesAreTheBest(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 200 {
		n := 2 + rng.IntN(30)
		noise, bow := rng.Float64()*0.1, rng.NormFloat64()*0.3
		points := table(n, func(x float64) float64 { return 3*x - 7 + bow*x*x + noise*rng.NormFloat64() })
		r, err := TravelPoints(points, TravelPointsOptions{Span: 1})
		require.NoError(t, err)
		off := func(slope, intercept float64) float64 {
			var d float64
			for _, p := range points {
				d = max(d, 100*math.Abs(p.Output-intercept-slope*p.Commanded))
			}
			return d
		}
		within(t, "independent as stated", r.IndependentLine.NonLinearity, off(r.IndependentLine.Slope, r.IndependentLine.Intercept), 1e-9)
		within(t, "zero-based as stated", r.ZeroLine.NonLinearity, off(r.ZeroLine.Slope, r.ZeroLine.Intercept), 1e-9)
		within(t, "zero-based line at the low end", r.ZeroLine.Intercept, points[0].Output, 1e-9)
		for range 300 {
			d := 0.03 * rng.NormFloat64() * rng.Float64()
			slope := r.IndependentLine.Slope + d
			if v := off(slope, r.IndependentLine.Intercept+0.03*rng.NormFloat64()*rng.Float64()); v < r.IndependentLine.NonLinearity-1e-9 {
				t.Fatalf("independent line %+v: another is off by %v only", r.IndependentLine, v)
			}
			if v := off(r.ZeroLine.Slope+d, points[0].Output); v < r.ZeroLine.NonLinearity-1e-9 {
				t.Fatalf("zero-based line %+v: another is off by %v only", r.ZeroLine, v)
			}
		}
		if !(r.IndependentLine.NonLinearity <= r.ZeroLine.NonLinearity+1e-9 && r.ZeroLine.NonLinearity <= r.TerminalLine.NonLinearity+1e-9 && r.IndependentLine.NonLinearity <= r.LeastSquaresLine.NonLinearity+1e-9) {
			t.Fatalf("the order of the non-linearities is wrong: %+v %+v %+v %+v", r.IndependentLine, r.ZeroLine, r.TerminalLine, r.LeastSquaresLine)
		}
	}
}

// Scale, offset, order of the rows, and time reversal (the ways up and down
// change places) leave every figure in % of span as it is.
func TestTravelPointsInvariance(t *testing.T) {
	want, err := TravelPoints(constructed(), TravelPointsOptions{})
	require.NoError(t, err)
	same := func(name string, got TravelPointsResult, err error) {
		require.NoError(t, err, name)
		for i, pair := range [][2]float64{
			{got.Hysteresis, want.Hysteresis}, {got.Repeatability, want.Repeatability}, {got.RepeatabilitySD, want.RepeatabilitySD},
			{got.TerminalLine.NonLinearity, want.TerminalLine.NonLinearity}, {got.IndependentLine.NonLinearity, want.IndependentLine.NonLinearity},
			{got.ZeroLine.NonLinearity, want.ZeroLine.NonLinearity}, {got.LeastSquaresLine.NonLinearity, want.LeastSquaresLine.NonLinearity},
			{got.InaccuracyAbove, want.InaccuracyAbove}, {got.ErrorBelow, want.ErrorBelow}, {got.TurnsBack, want.TurnsBack},
			{math.Abs(got.MedianHysteresis), want.MedianHysteresis},
		} {
			if math.Abs(pair[0]-pair[1]) > 1e-8 {
				t.Errorf("%s: figure %d is %v, was %v", name, i, pair[0], pair[1])
			}
		}
	}
	scaled := constructed()
	for i := range scaled {
		scaled[i].Output = 1500 + 5.12*(2*scaled[i].Output-100) // µs
	}
	r, err := TravelPoints(scaled, TravelPointsOptions{OutputLow: 988, OutputHigh: 2012})
	same("output scaled and offset", r, err)
	within(t, "low end", r.LowEnd, 988+0.07*10.24, 1e-9)

	both := constructed()
	for i := range both {
		both[i].Commanded, both[i].Output = 1e6+3*both[i].Commanded, 1e6+3*both[i].Output
	}
	r, err = TravelPoints(both, TravelPointsOptions{})
	same("both scaled and offset", r, err)

	shuffled := constructed()
	rand.New(rand.NewPCG(1, 1)).Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
	r, err = TravelPoints(shuffled, TravelPointsOptions{})
	same("shuffled", r, err)
	require.Equal(t, want.HysteresisAt, r.HysteresisAt)

	reversed := constructed()
	slices.Reverse(reversed)
	for i := range reversed {
		reversed[i].Up = !reversed[i].Up
	}
	r, err = TravelPoints(reversed, TravelPointsOptions{})
	same("reversed in time", r, err)
	within(t, "play, reversed in time", r.MedianHysteresis, -want.MedianHysteresis, 1e-9)

	mirrored := constructed()
	for i := range mirrored {
		mirrored[i].Output = 100 - mirrored[i].Output
	}
	r, err = TravelPoints(mirrored, TravelPointsOptions{OutputLow: 100, OutputHigh: 1e-300})
	require.NoError(t, err)
	within(t, "reversed channel: hysteresis", r.Hysteresis, want.Hysteresis, 1e-9)
	within(t, "reversed channel: play", r.MedianHysteresis, want.MedianHysteresis, 1e-9)
	within(t, "reversed channel: non-linearity", r.IndependentLine.NonLinearity, want.IndependentLine.NonLinearity, 1e-9)
	require.True(t, r.Monotonic)
}

func TestTravelPointsMonotonic(t *testing.T) {
	points := table(11, func(x float64) float64 { return x })
	points[5].Output = points[4].Output - 0.01
	r, err := TravelPoints(points, TravelPointsOptions{})
	require.NoError(t, err)
	within(t, "turns back", r.TurnsBack, 1, 1e-9)
	require.False(t, r.Monotonic)
	r, err = TravelPoints(points, TravelPointsOptions{Slack: 1.5})
	require.NoError(t, err)
	require.True(t, r.Monotonic)
}

// The special inputs of the doc comment.
func TestTravelPointsSpecialInputs(t *testing.T) {
	for name, points := range map[string][]TravelPoint{
		"empty": nil, "one row": {{1, true, 1, 1}}, "one position": {{1, true, 1, 1}, {1, false, 1, 2}},
		"NaN": {{1, true, 0, 0}, {1, true, 1, math.NaN()}}, "Inf": {{1, true, math.Inf(-1), 0}, {1, true, 1, 1}},
	} {
		_, err := TravelPoints(points, TravelPointsOptions{})
		require.ErrorContains(t, err, "measure: travel points: ", name)
	}
	for _, o := range []TravelPointsOptions{{OutputLow: 1, OutputHigh: 1}, {SamePosition: -1}, {Slack: math.NaN()}, {OutputHigh: math.Inf(1)}, {Span: -1}} {
		_, err := TravelPoints(constructed(), o)
		require.ErrorContains(t, err, "measure: travel points: ")
	}

	r, err := TravelPoints(table(11, func(float64) float64 { return 0.5 }), TravelPointsOptions{})
	require.NoError(t, err)
	require.True(t, r.Monotonic)
	within(t, "constant: inaccuracy", r.InaccuracyAbove, 50, 1e-9)
	within(t, "constant: non-linearity", r.TerminalLine.NonLinearity, 0, 1e-12)
	within(t, "constant: slope", r.LeastSquaresLine.Slope, 0, 1e-12)

	// Clipped at ± 80 %: flat ends. The terminal line has slope 1.6 and lies
	// 0.16 of 2 off at ±0.8.
	r, err = TravelPoints(table(21, func(x float64) float64 { return min(max(2*x-1, -0.8), 0.8) }), TravelPointsOptions{OutputLow: -1, OutputHigh: 1})
	require.NoError(t, err)
	within(t, "clipped: non-linearity", r.TerminalLine.NonLinearity, 8, 1e-9)
	require.True(t, r.Monotonic)

	// Positions that scatter count as one when they lie within what is said.
	rng := rand.New(rand.NewPCG(9, 9))
	scattered := constructed()
	for i := range scattered {
		d := 0.01 * (rng.Float64() - 0.5)
		scattered[i].Commanded += d
		scattered[i].Output += d
	}
	r, err = TravelPoints(scattered, TravelPointsOptions{SamePosition: 0.1})
	require.NoError(t, err)
	require.Equal(t, 11, r.Positions)
	within(t, "scattered: hysteresis", r.Hysteresis, 0.18, 0.02)
}

func BenchmarkTravelPoints(b *testing.B) {
	for _, n := range []int{11, 1000, 100000} {
		rng := rand.New(rand.NewPCG(1, 1))
		points := table(n, func(x float64) float64 { return x + 0.08*x*(1-x) + 1e-4*rng.NormFloat64() })
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := TravelPoints(points, TravelPointsOptions{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Whatever the table: no panic, and non-linearities in their order.
func FuzzTravelPoints(f *testing.F) {
	f.Add([]byte("a table of no particular kind, long enough for some positions"))
	f.Add([]byte{0, 0, 0, 255, 255, 255})
	f.Fuzz(func(t *testing.T, data []byte) {
		var points []TravelPoint
		for ; len(data) >= 3; data = data[3:] {
			points = append(points, TravelPoint{int(data[0]), data[0]%2 == 0, float64(data[1]), float64(int8(data[2]))})
		}
		r, err := TravelPoints(points, TravelPointsOptions{})
		plainError(t, err)
		if err != nil {
			return
		}
		a, b, c, d := r.IndependentLine.NonLinearity, r.ZeroLine.NonLinearity, r.TerminalLine.NonLinearity, r.LeastSquaresLine.NonLinearity
		if !(a <= b*(1+1e-9)+1e-9 && b <= c*(1+1e-9)+1e-9 && a <= d*(1+1e-9)+1e-9) {
			t.Fatalf("independent %v, zero-based %v, terminal-based %v, least squares %v", a, b, c, d)
		}
		if r.Hysteresis < 0 || r.TurnsBack < 0 || r.ErrorAbove > r.InaccuracyAbove+1e-9 || r.ErrorBelow < r.InaccuracyBelow-1e-9 {
			t.Fatalf("figures do not agree: %+v", r)
		}
	})
}
