package store

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

// What a damaged file holds in place of sums is an error, never a panic.
func TestPackedSumsThatAreNone(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	bad := 0
	for range 20000 {
		b := make([]byte, r.IntN(60))
		for i := range b {
			b[i] = byte(r.Uint32() >> (8 * r.IntN(3)))
		}
		if eachSlot(b, func(slot int, _ *counts) { require.Less(t, slot, slotsPerDay) }) != nil {
			bad++
		}
		if unpackPairs(b, map[int64]pair{}) != nil {
			bad++
		}
		if _, err := unpackCycle(b); err != nil {
			bad++
		}
		if _, err := eachMoment(b, func(int, *moment) {}); err != nil {
			bad++
		}
		if _, _, err := countsOfMoment(b, r.IntN(4)); err != nil {
			bad++
		}
		if eachNumber(b, func(int, float64) bool { return true }) != nil {
			bad++
		}
		if _, _, err := numberAt([]byte("["+string(b)+"]"), r.IntN(4)); err != nil {
			bad++
		}
	}
	require.Greater(t, bad, 50000)
}

func TestValuesComeBackAsTheyWere(t *testing.T) {
	values := []reports.Value{
		reports.Number(0), reports.Number(math.Copysign(0, -1)), reports.Number(5e-324), reports.Number(-math.MaxFloat64), reports.Number(0.1),
		reports.Text(`a"],[\\`), reports.Bool(true), {}, reports.Text(""), reports.Text("1e5"), reports.Number(1e21), reports.Text("\u2028,é"), reports.Number(3),
	}
	text := []byte("[")
	for i, v := range values {
		if i > 0 {
			text = append(text, ',')
		}
		text = appendValue(text, v)
	}
	text = append(text, ']')
	got := map[int]float64{}
	require.NoError(t, eachNumber(text, func(pos int, x float64) bool { got[pos] = x; return true }))
	for i, v := range values {
		want, isNumber := v.Number()
		x, ok := got[i]
		require.Equal(t, isNumber, ok, "%d", i)
		require.Equal(t, want, x)
		at, ok, err := numberAt(text, i)
		require.NoError(t, err)
		require.Equal(t, isNumber, ok)
		require.Equal(t, want, at)
	}
	_, ok, err := numberAt(text, len(values))
	require.NoError(t, err)
	require.False(t, ok)
}

// Sums of squares keep their digits where the values are large and their
// spread is small: NIST StRD, univariate, NumAcc4 (1,001 values about 1e7,
// certified mean 10000000.2, standard deviation 0.1 exactly).
func TestMomentsKeepTheirDigits(t *testing.T) {
	var one, parts moment
	part := moment{}
	for i := range 1001 {
		x := 10000000.2
		if i > 0 {
			x = []float64{10000000.1, 10000000.3}[i%2]
		}
		one.count(x, true, false)
		part.count(x, true, i%10 == 0)
		if i%7 == 0 {
			parts.merge(&part)
			part = moment{}
		}
	}
	parts.merge(&part)
	for _, m := range []moment{one, parts} {
		require.Equal(t, int64(1001), m.n)
		require.InDelta(t, 10000000.2, m.mean, 1e-8)
		require.InEpsilon(t, 0.1, math.Sqrt(m.m2/1000), 1e-7)
		require.Equal(t, []float64{10000000.1, 10000000.3}, []float64{m.min, m.max})
	}
	require.Equal(t, int64(101), parts.failed)
	var same moment
	for range 100 {
		same.count(0.1, true, false)
	}
	require.Zero(t, same.m2, "constant values have no spread at all")
	empty := moment{}
	same.merge(&empty)
	empty.merge(&same)
	require.Equal(t, same, empty)
	var huge moment
	huge.count(1.7e308, true, false)
	huge.count(-1.7e308, true, false)
	huge.count(1.7e308, true, false)
	require.Equal(t, math.Inf(1), huge.m2)
	require.InEpsilon(t, 1.7e308/3, huge.mean, 1e-12)
	other := moment{}
	other.count(-1.7e308, true, false)
	huge.merge(&other)
	require.InDelta(t, 0, huge.mean/1e308, 1e-12)
	require.Equal(t, math.Inf(1), huge.m2)
}

func TestTextsAreCleaned(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"", ""}, {"Kittiwake ✓", "Kittiwake ✓"}, {"a\x00b", "a\uFFFDb"}, {"a\xff\xfeb", "a\uFFFDb"}, {"a\nb", "a\nb"},
	} {
		require.Equal(t, c.want, clean(c.in))
		require.Equal(t, c.want, cleanKey(c.in))
	}
	long := strings.Repeat("é", 1000)
	require.Equal(t, strings.Repeat("é", 1000), clean(long))
	require.Len(t, clean(long+"x"), longLength)
	a, b := cleanKey(long), cleanKey(long+"x")
	require.NotEqual(t, a, b)
	require.LessOrEqual(t, len(a), keyLength)
	require.Equal(t, a, cleanKey(a), "once is enough")
}
