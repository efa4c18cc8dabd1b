package yield

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// JCGM 100:2008 (GUM) H.2, Table H.2 prints r -0.36, 0.86, -0.65 (from memory); more digits
// and the rest re-computed with mpmath.
func TestCorrelatePublished(t *testing.T) {
	table := Table{
		Names:   []string{"V", "I", "phi"},
		Columns: [][]float64{numbers(t, "5.007 4.994 5.005 4.990 4.999"), numbers(t, "19.663 19.639 19.640 19.685 19.678"), numbers(t, "1.0456 1.0438 1.0468 1.0428 1.0433")},
	}
	r := Correlate(table, CorrelationOptions{})
	require.Len(t, r.Pairs, 3)
	want := map[string][3]float64{
		"V I": {-0.36, -0.35531121981751, -0.3}, "V phi": {0.86, 0.85762421083995, 0.8}, "I phi": {-0.65, -0.64511121768924, -0.7},
	}
	for _, p := range r.Pairs {
		w := want[p.A+" "+p.B]
		require.InDelta(t, w[0], p.Straight.Value, 5e-3)
		relative(t, "Pearson", p.Straight.Value, w[1], 1e-9)
		relative(t, "Spearman", p.Rank.Value, w[2], 1e-12)
		require.Equal(t, []int{5, 0}, []int{p.N, p.Dropped})
	}
	require.Equal(t, "V", r.Pairs[0].A)
	require.Equal(t, "phi", r.Pairs[0].B)
	e := CorrelationInterval(-0.35531121981751, 5, MethodPearson, 0.95)
	relative(t, "low", e.Low, -0.942213385102, 1e-10)
	relative(t, "high", e.High, 0.76757350271, 1e-10)
	require.Zero(t, r.Together)
}

func TestCorrelate(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	const n = 300
	a := normals(r, n, 0, 1)
	b, c, d, e, f := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range a {
		b[i] = -2*a[i] + 0.5*r.NormFloat64()
		c[i] = math.Exp(4 * a[i])
		d[i] = r.NormFloat64()
		e[i] = r.NormFloat64()
		f[i] = 7
	}
	d[0], e[0] = 1e5, 1e5 // far out together
	a[5], b[5], b[6] = math.NaN(), 3, math.Inf(-1)
	got := Correlate(Table{Names: []string{"a", "b", "c", "d", "e", "f", "g"}, Columns: [][]float64{a, b, c, d, e, f, {1, 2, 3}}}, CorrelationOptions{})
	require.Equal(t, []string{"f"}, got.Constant)
	require.Equal(t, []string{"g"}, got.Few)
	require.Len(t, got.Pairs, 10)
	require.Equal(t, 3, got.Together)
	require.Equal(t, "a c", got.Pairs[0].A+" "+got.Pairs[0].B)
	require.InDelta(t, 1, got.Pairs[0].Rank.Value, 1e-12)
	require.Equal(t, []int{299, 1}, []int{got.Pairs[0].N, got.Pairs[0].Dropped})
	for _, p := range got.Pairs {
		switch p.A + p.B {
		case "ab":
			require.Equal(t, 298, p.N)
			require.Less(t, p.Rank.Value, -0.9)
			require.Less(t, p.Test.Adjusted, 0.05)
			// Pairwise: as if only the common runs had been given.
			var x, y []float64
			for i := range a {
				if i != 5 && i != 6 {
					x, y = append(x, a[i]), append(y, b[i])
				}
			}
			alone := Correlate(Table{Names: []string{"a", "b"}, Columns: [][]float64{x, y}}, CorrelationOptions{}).Pairs[0]
			relative(t, "Spearman", p.Rank.Value, alone.Rank.Value, 1e-12)
			relative(t, "Pearson", p.Straight.Value, alone.Straight.Value, 1e-12)
		case "de":
			require.Greater(t, p.Straight.Value, 0.99) // two values make it
			require.Less(t, math.Abs(p.Rank.Value), 0.2)
			require.Greater(t, p.Test.Adjusted, 0.05)
		}
	}
	_, err := json.Marshal(got)
	require.NoError(t, err)
}

func TestCorrelateEdges(t *testing.T) {
	require.Empty(t, Correlate(Table{}, CorrelationOptions{}).Pairs)
	nan := math.NaN()
	// Never in the same run; and constant in the runs that have both.
	a, b, c := make([]float64, 22), make([]float64, 22), make([]float64, 22)
	for i := range a {
		a[i], b[i], c[i] = float64(i), nan, 0
		if i >= 11 {
			a[i], b[i], c[i] = nan, float64(i%5), float64(i%4)
		}
	}
	got := Correlate(Table{Names: []string{"a", "b", "c"}, Columns: [][]float64{a, b, c}}, CorrelationOptions{})
	require.Len(t, got.Pairs, 3)
	require.Greater(t, got.Pairs[0].Test.Adjusted, 0.05)
	for i, n := range []int{0, 11} {
		p := got.Pairs[1+i]
		require.Nil(t, p.Test)
		require.False(t, p.Rank.Known())
		require.Equal(t, n, p.N)
	}
	require.True(t, math.IsNaN(CorrelationInterval(0.5, 3, MethodPearson, 0).Low))
	require.Equal(t, 1.0, CorrelationInterval(1, 30, MethodPearson, 0).Low)
	require.Zero(t, correlationTail(-1, 10))
}

func TestAlign(t *testing.T) {
	at := func(run string, hour int, v float64) Point {
		return Point{Run: run, Time: time.Date(2026, 1, 5, hour, 0, 0, 0, time.UTC), Value: v}
	}
	got := Align([]Series{
		{Name: "a", Unit: "V", Points: []Point{at("r1", 1, 1), at("r3", 3, 3)}},
		{Name: "b", Unit: "A", Points: []Point{at("r2", 2, 20), at("r3", 3, 30), at("r3", 3, 31)}},
	})
	require.Equal(t, []string{"r1", "r2", "r3"}, got.Runs)
	require.Equal(t, []string{"a", "b"}, got.Names)
	require.Equal(t, "[[1 NaN 3] [NaN 20 31]]", fmt.Sprint(got.Columns))
}

// Fisher's z holds a correlation of 0.6 as often as it says, ranks nearly so.
func TestCorrelationCoverage(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	const rounds = 1000
	var straight, rank int
	truth := 6 / math.Pi * math.Asin(0.3) // Spearman's of a normal pair with 0.6
	for range rounds {
		x, y := normals(r, 40, 0, 1), make([]float64, 40)
		for i := range y {
			y[i] = 0.6*x[i] + 0.8*r.NormFloat64()
		}
		p := Correlate(Table{Names: []string{"a", "b"}, Columns: [][]float64{x, y}}, CorrelationOptions{}).Pairs[0]
		if p.Straight.Low <= 0.6 && 0.6 <= p.Straight.High {
			straight++
		}
		if p.Rank.Low <= truth && truth <= p.Rank.High {
			rank++
		}
	}
	require.InDelta(t, 0.95, float64(straight)/rounds, 0.02)
	require.InDelta(t, 0.95, float64(rank)/rounds, 0.025)
}

func BenchmarkCorrelate(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 1))
	var whole, holes Table
	for i := range 83 {
		x := normals(r, 10000, 5, 1)
		y := append([]float64(nil), x...)
		y[i] = math.NaN() // no two readings have the same runs
		whole.Names, whole.Columns = append(whole.Names, "r"), append(whole.Columns, x)
		holes.Names, holes.Columns = append(holes.Names, "r"), append(holes.Columns, y)
	}
	for name, table := range map[string]Table{"whole": whole, "holes": holes} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				Correlate(table, CorrelationOptions{})
			}
		})
	}
}
