package causes

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/runner/limits"
)

// Three rules: a and b for the same reading, a first by the file; c for another.
const lessons = `product = "kite"
[[cause]]
name = "a"
cause = "cause a"
inspect = "part a"
often = 4
all = [{ reading = "c.x", is = "failed" }]
[[cause]]
name = "b"
cause = "cause b"
inspect = "part b"
all = [{ reading = "c.x", is = "failed" }]
[[cause]]
name = "c"
cause = "cause c"
inspect = "part c"
all = [{ reading = "c.y", is = "failed" }]
`

func parseLessons(t testing.TB) *Rules {
	t.Helper()
	r, err := Parse("causes.toml", []byte(lessons), limits.Convert)
	require.NoError(t, err)
	return r
}

// repaired are n units that failed c.x, each with a cause by these chances; the
// rest is something that the file does not know.
func repaired(rng *rand.Rand, n int, a, b float64) []Case {
	list := make([]Case, n)
	for i := range list {
		list[i] = Case{Readings: []reports.Reading{percent("x", 5, 1), percent("y", 0.5, 1)}, Suggested: "a"}
		switch u := rng.Float64(); {
		case u < a:
			list[i].Found = "a"
		case u < a+b:
			list[i].Found = "b"
		}
	}
	return list
}

func confidence(r *Rules, rule string) float64 {
	for _, c := range r.Rank([]reports.Reading{percent("x", 5, 1), percent("y", 0.5, 1)}) {
		if c.Rule == rule {
			return c.Confidence
		}
	}
	return 0
}

// The file says 4/6 and 1/6; in truth b is at fault in 60 of 100 units and a in
// 30. The more repairs, the nearer, and what is likelier comes first.
func TestRepairsMoveTheConfidenceToTheTruth(t *testing.T) {
	r := parseLessons(t)
	rng := rand.New(rand.NewPCG(7, 1))
	miss := func(n int) (sum float64) {
		const plants = 200
		for range plants {
			l := r.Learn(repaired(rng, n, 0.3, 0.6))
			sum += max(confidence(l, "a")-0.3, 0.3-confidence(l, "a")) + max(confidence(l, "b")-0.6, 0.6-confidence(l, "b"))
		}
		return sum / plants
	}
	last := 4.0/6 - 0.3 + 0.6 - 1.0/6
	for _, c := range []struct {
		repairs int
		within  float64
	}{{5, 0.70}, {20, 0.45}, {100, 0.20}, {1000, 0.06}} {
		now := miss(c.repairs)
		t.Logf("%d repairs: off by %.3f", c.repairs, now)
		assert.Less(t, now, last, "%d repairs", c.repairs)
		assert.Less(t, now, c.within, "%d repairs", c.repairs)
		last = now
	}
	learnt := r.Learn(repaired(rng, 1000, 0.3, 0.6))
	assert.Equal(t, "b", learnt.Rank([]reports.Reading{percent("x", 5, 1)})[0].Rule)
	assert.InDelta(t, 0.5, learnt.Rank([]reports.Reading{percent("y", 5, 1)})[0].Confidence, 1e-9, "c had no part in it")
	assert.InDelta(t, 4.0/6, confidence(r, "a"), 0.001, "the rules themselves stay")
	assert.InDelta(t, confidence(learnt, "a"), confidence(learnt.Learn(repaired(rand.New(rand.NewPCG(9, 9)), 1000, 0.3, 0.6)), "a"), 0.06, "taught anew, not twice")
}

// A file whose weights are right stays as it is.
func TestRepairsConfirmAFileThatIsRight(t *testing.T) {
	r := parseLessons(t)
	rng := rand.New(rand.NewPCG(7, 2))
	sum := 0.0
	for range 200 {
		sum += confidence(r.Learn(repaired(rng, 60, 4.0/6, 1.0/6)), "a")
	}
	assert.InDelta(t, 4.0/6, sum/200, 0.02)
}

// However many repairs say the same, no rule becomes certain, and none is lost.
func TestRepairsNeverMakeCertain(t *testing.T) {
	r := parseLessons(t)
	for _, n := range []int{1, 10, 100, 5000} {
		always := make([]Case, n)
		for i := range always {
			always[i] = Case{Readings: []reports.Reading{percent("x", 5, 1)}, Suggested: "a", Found: "a"}
		}
		c := confidence(r.Learn(always), "a")
		assert.Greater(t, c, 4.0/6)
		assert.LessOrEqual(t, c, ceiling)
		for i := range always {
			always[i].Found = ""
		}
		c = confidence(r.Learn(always), "a")
		assert.Less(t, c, 4.0/6)
		assert.Greater(t, c, 0.3, "a ratio stays within 1/8")
	}
	one := confidence(r.Learn([]Case{{Readings: []reports.Reading{percent("x", 5, 1)}, Suggested: "a", Found: "b"}}), "a")
	assert.Greater(t, one, 0.5, "one repair changes little: %v", one)
}

func TestEvidenceCountsRepairs(t *testing.T) {
	r := parseLessons(t)
	list := repaired(rand.New(rand.NewPCG(1, 1)), 17, 0, 0)
	for i := range list[:14] {
		list[i].Found = "a"
	}
	told := func(r *Rules) []reports.Evidence { return r.Rank([]reports.Reading{percent("x", 5, 1)})[0].Evidence }
	x := reports.EvidenceOf(percent("x", 5, 1), reports.Outside, &reports.Limit{Upper: new(1.0)})
	assert.Equal(t, []reports.Evidence{x, {Relation: reports.Ranked, Right: 14, Count: 17}}, told(r.Learn(list)))
	assert.Contains(t, told(r.Learn(list[16:])), reports.Evidence{Relation: reports.Ranked, Count: 1, Against: true})
	assert.Equal(t, []reports.Evidence{x}, told(r))
}

func TestNothingToLearnFrom(t *testing.T) {
	r := parseLessons(t)
	assert.Same(t, r, r.Learn(nil))
	assert.Nil(t, (*Rules)(nil).Learn([]Case{{Found: "a"}}))
	assert.Nil(t, (*Rules)(nil).Causes())
	same := r.Learn([]Case{{}, {Found: "a"}, {Suggested: "gone", Found: "gone"}, {Readings: []reports.Reading{percent("x", 0.5, 1)}, Found: "a"}})
	assert.Equal(t, confidence(r, "a"), confidence(same, "a"), "a rule that is gone, and readings that no rule speaks of, teach nothing")
	var names []string
	for _, c := range r.Causes() {
		names = append(names, fmt.Sprintf("%s: %s, %s", c.Rule, c.Cause, c.Inspect))
	}
	assert.Equal(t, []string{"a: cause a, part a", "b: cause b, part b", "c: cause c, part c"}, names)
	back := repaired(rand.New(rand.NewPCG(3, 3)), 50, 0.5, 0.3)
	forth := slices.Clone(back)
	slices.Reverse(forth)
	assert.InDelta(t, confidence(r.Learn(back), "b"), confidence(r.Learn(forth), "b"), 0.0011)
}
