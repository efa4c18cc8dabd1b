package causes

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/runner/limits"
)

// rank ranks readings by a file with `product` and other = 1 before it.
func rank(t *testing.T, file string, list ...reports.Reading) []reports.Cause {
	t.Helper()
	r, err := Parse("causes.toml", []byte("product = \"kite\"\n"+file), limits.Convert)
	require.NoError(t, err)
	return r.Rank(list)
}

// percent is a reading of check c, in percent, with an upper limit.
func percent(name string, x, upper float64) reports.Reading {
	v := reports.Pass
	if !(x <= upper) {
		v = reports.Fail
	}
	return reports.Reading{Check: "c", Name: name, Value: reports.Number(x), Unit: "%", Limit: &reports.Limit{Upper: &upper}, Verdict: v}
}

const a = `
[[cause]]
name = "a"
cause = "cause a"
inspect = "part a"
often = 4
all = [{ reading = "c.x", is = "failed" }]
`

// Weights by hand: 4 x 3 / 2 = 6 for a, 2 for b, 1 for what is not known.
func TestConfidence(t *testing.T) {
	list := rank(t, a+`for = [{ reading = "c.y", is = "kept", times = 3 }]
against = [{ reading = "c.z", above = 0.02, unit = "1", times = 2 }]
[[cause]]
name = "b"
cause = "cause b"
inspect = "part b"
often = 2
all = [{ reading = "c.x", is = "too high" }]
`, percent("x", 5, 1), percent("y", 0.1, 1), percent("z", 3, 10))
	require.Len(t, list, 2)
	assert.Equal(t, "a", list[0].Rule)
	assert.InDelta(t, 6.0/9, list[0].Confidence, 0.0006)
	assert.InDelta(t, 2.0/9, list[1].Confidence, 0.0006)
	against := reports.EvidenceOf(percent("z", 3, 10), reports.Above, &reports.Limit{Lower: new(2.0)})
	against.Against = true
	assert.Equal(t, []reports.Evidence{
		reports.EvidenceOf(percent("x", 5, 1), reports.Outside, &reports.Limit{Upper: new(1.0)}),
		reports.EvidenceOf(percent("y", 0.1, 1), reports.Within, nil),
		against,
	}, list[0].Evidence)
	assert.Equal(t, []string{"c.x"}, list[0].Explains)
	assert.Equal(t, "part a", list[0].Inspect)
}

// Causes of readings that have nothing in common do not take from each other.
func TestTwoDefectsDoNotCompete(t *testing.T) {
	b := `
[[cause]]
name = "b"
cause = "cause b"
inspect = "part b"
often = 4
all = [{ reading = "c.y", is = "failed" }]
`
	list := rank(t, a+b, percent("x", 5, 1), percent("y", 5, 1))
	require.Len(t, list, 2)
	assert.InDelta(t, 0.8, list[0].Confidence, 1e-9)
	assert.InDelta(t, 0.8, list[1].Confidence, 1e-9)
	// Once one of them says that it explains the other's reading too, they do,
	// and the one that explains more comes first of equals.
	list = rank(t, a+b+`explains = ["c.x"]`, percent("x", 5, 1), percent("y", 5, 1))
	require.Len(t, list, 2)
	assert.Equal(t, "b", list[0].Rule)
	assert.InDelta(t, 4.0/9, list[0].Confidence, 0.0006)
}

func TestWhatFits(t *testing.T) {
	lower := 1.0
	low := reports.Reading{Check: "c", Name: "x", Value: reports.Number(0.5), Unit: "A", Limit: &reports.Limit{Lower: &lower}, Verdict: reports.Fail}
	more := percent("x", 1, 1)
	more.Bound, more.Verdict = "more", reports.Fail
	less := percent("x", 1, 1)
	less.Bound = "less"
	undecided := percent("x", 0.9, 1)
	undecided.Verdict = reports.Inconclusive
	broken := percent("x", math.NaN(), 1)
	broken.Verdict = reports.Error
	text := reports.Reading{Check: "c", Name: "x", Value: reports.Text("red"), Verdict: reports.Fail}
	other := percent("other", 5, 1)
	for _, c := range []struct {
		name, conditions string
		readings         []reports.Reading
		fits             bool
	}{
		{"failed", `all = [{ reading = "c.x", is = "failed" }]`, []reports.Reading{percent("x", 5, 1)}, true},
		{"failed, kept", `all = [{ reading = "c.x", is = "failed" }]`, []reports.Reading{percent("x", 0.5, 1)}, false},
		{"failed, absent", `all = [{ reading = "c.x", is = "failed" }]`, []reports.Reading{other}, false},
		{"failed, inconclusive", `all = [{ reading = "c.x", is = "failed" }]`, []reports.Reading{undecided}, true},
		{"failed, error", `all = [{ reading = "c.x", is = "failed" }]`, []reports.Reading{broken}, false},
		{"kept, error", `all = [{ reading = "c.x", is = "kept" }, { reading = "c.other", is = "failed" }]`, []reports.Reading{broken, other}, false},
		{"failed, a text", `all = [{ reading = "c.x", is = "failed" }]`, []reports.Reading{text}, true},
		{"above, a text", `all = [{ reading = "c.x", above = 0, unit = "1" }]`, []reports.Reading{text}, false},
		{"too high", `all = [{ reading = "c.x", is = "too high" }]`, []reports.Reading{percent("x", 5, 1)}, true},
		{"too high, from one side", `all = [{ reading = "c.x", is = "too high" }]`, []reports.Reading{more}, true},
		{"too high, too low", `all = [{ reading = "c.x", is = "too high" }]`, []reports.Reading{low}, false},
		{"too low", `all = [{ reading = "c.x", is = "too low" }]`, []reports.Reading{low}, true},
		{"below, in another unit", `all = [{ reading = "c.x", below = 600, unit = "mA" }]`, []reports.Reading{low}, true},
		{"below, of another dimension", `all = [{ reading = "c.x", below = 600, unit = "mV" }]`, []reports.Reading{low}, false},
		{"above, known to be more", `all = [{ reading = "c.x", above = 1, unit = "%" }]`, []reports.Reading{more}, true},
		{"above, known to be less", `all = [{ reading = "c.x", above = 0.5, unit = "%" }, { reading = "c.other", is = "failed" }]`, []reports.Reading{less, other}, false},
		{"between", `all = [{ reading = "c.x", above = 4, below = 6, unit = "%" }]`, []reports.Reading{percent("x", 5, 1)}, true},
		{"absent", `all = [{ reading = "c.x", is = "absent" }, { reading = "c.other", is = "failed" }]`, []reports.Reading{other}, true},
		{"any", `any = [{ reading = "c.x", is = "failed" }, { reading = "c.other", is = "failed" }]`, []reports.Reading{other}, true},
		{"none", `all = [{ reading = "c.other", is = "failed" }]
none = [{ reading = "c.x", is = "failed" }]`, []reports.Reading{percent("x", 5, 1), other}, false},
		{"of several, enough", `all = [{ reading = "c.*", is = "failed", count = 2 }]`, []reports.Reading{percent("x", 5, 1), other}, true},
		{"of several, too few", `all = [{ reading = "c.*", is = "failed", count = 2 }]`, []reports.Reading{percent("x", 0.5, 1), other}, false},
		{"nothing failed", `all = [{ reading = "c.x", is = "kept" }]`, []reports.Reading{percent("x", 0.5, 1)}, false},
		{"no reading at all", `all = [{ reading = "c.x", is = "absent" }]`, nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			list := rank(t, "[[cause]]\nname = \"a\"\ncause = \"c\"\ninspect = \"i\"\n"+c.conditions, c.readings...)
			assert.Equal(t, c.fits, len(list) == 1, "%v", list)
		})
	}
}

// A rule with `each` is one rule a name, and says which.
func TestEach(t *testing.T) {
	list := rank(t, `
[name.left]
words = "left stick"
part = "left-stick"
[[cause]]
name = "play"
cause = "play"
inspect = "i"
part = "sticks"
each = ["left", "right_x"]
all = [{ reading = "c.{each}_play", is = "failed" }]
`, percent("left_play", 2, 1), percent("right_x_play", 2, 1))
	require.Len(t, list, 2)
	assert.Equal(t, "left stick: play", list[0].String())
	assert.Equal(t, "left-stick", list[0].Part)
	assert.Equal(t, "right x: play", list[1].String())
	assert.Equal(t, "sticks", list[1].Part)
	assert.Equal(t, []string{"c.right_x_play"}, list[1].Explains)
}

// However heavy the evidence, nothing is certain; and five causes are enough.
func TestNeverCertainNeverLong(t *testing.T) {
	list := rank(t, "other = 0.001\n"+a+`for = [{ reading = "c.x", is = "failed", times = 1000 }]`, percent("x", 5, 1))
	require.Len(t, list, 1)
	assert.Equal(t, 0.95, list[0].Confidence)
	file := ""
	var readings []reports.Reading
	for _, n := range []string{"a", "b", "c", "d", "e", "f", "g"} {
		file += "\n[[cause]]\nname = \"" + n + "\"\ncause = \"c\"\ninspect = \"i\"\nall = [{ reading = \"c." + n + "\", is = \"failed\" }]\n"
		readings = append(readings, percent(n, 5, 1))
	}
	assert.Len(t, rank(t, file, readings...), 5)
	var none *Rules
	assert.Nil(t, none.Rank(readings))
}

func BenchmarkRank(b *testing.B) {
	r, err := Parse("causes.toml", []byte("product = \"kite\"\n"+a), limits.Convert)
	require.NoError(b, err)
	list := []reports.Reading{percent("x", 5, 1), percent("y", 0.1, 1)}
	for b.Loop() {
		r.Rank(list)
	}
}
