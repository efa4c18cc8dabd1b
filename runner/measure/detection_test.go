package measure

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Bliss, Annals of Applied Biology 22 (1935) 134-167: beetles killed by carbon
// disulphide against the logarithm of its concentration. The logistic fit by
// maximum likelihood is -60.72 + 34.27 x, with standard errors 5.18 and 2.91
// (Dobson, An Introduction to Generalized Linear Models; from memory): half at
// 1.7717, 95 % at 1.8576. The interval is re-computed by the delta method.
func TestDetectionBliss(t *testing.T) {
	var tried []Tried
	for i, x := range []float64{1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839} {
		tried = append(tried, Tried{x, []int{59, 60, 62, 56, 63, 59, 62, 60}[i], []int{6, 13, 18, 28, 52, 53, 61, 60}[i]})
	}
	r, err := Detection(tried, DetectionOptions{Strengths: []float64{1.7717, 1.8576}})
	require.NoError(t, err)
	half, most := r.Edges[0], r.Edges[1]
	assert.InDelta(t, 60.72/34.27, half.Strength, 0.0015)
	assert.InDelta(t, (60.72+math.Log(19))/34.27, most.Strength, 0.004)
	assert.InDelta(t, 0.0151, half.High-half.Low, 0.002)
	assert.InDelta(t, 0.5, r.Detected[0], 0.02)
	assert.InDelta(t, 0.95, r.Detected[1], 0.02)

	slices.Reverse(tried)
	tried = append(tried, Tried{Strength: 3}, Tried{1.6907, 0, 0})
	again, err := Detection(tried, DetectionOptions{})
	require.NoError(t, err)
	assert.Equal(t, r.Edges, again.Edges, "the order of the trials and strengths without any do not matter")
}

func TestDetectionExtremes(t *testing.T) {
	grid := func(caught func(x float64) int) (out []Tried) {
		for i := 1; i <= 15; i++ {
			x := float64(i) / 10
			out = append(out, Tried{x, 4, caught(x)})
		}
		return out
	}
	step, err := Detection(grid(func(x float64) int {
		if x > 0.55 {
			return 4
		}
		return 0
	}), DetectionOptions{})
	require.NoError(t, err)
	half := step.Edges[0]
	assert.InDelta(t, 0.55, half.Strength, 0.01, "a step: in the middle of the gap")
	assert.InDelta(t, 0.5, half.Low, 0.03)
	assert.InDelta(t, 0.6, half.High, 0.03)

	all, err := Detection(grid(func(float64) int { return 4 }), DetectionOptions{})
	require.NoError(t, err)
	assert.True(t, math.IsInf(all.Edges[0].Strength, -1), "all caught: below what was tried, got %v", all.Edges[0])
	none, err := Detection(grid(func(float64) int { return 0 }), DetectionOptions{})
	require.NoError(t, err)
	assert.True(t, math.IsInf(none.Edges[0].Strength, 1), "none caught: beyond what was tried, got %v", none.Edges[0])
	assert.True(t, math.IsInf(none.Edges[1].High, 1))

	for name, bad := range map[string][]Tried{
		"nothing": nil, "one strength": {{1, 4, 2}, {1, 4, 3}}, "NaN": {{math.NaN(), 1, 1}, {1, 1, 1}},
		"more caught than tried": {{1, 1, 2}, {2, 1, 1}}, "negative": {{1, -1, 0}, {2, 1, 1}},
	} {
		_, err := Detection(bad, DetectionOptions{})
		assert.Error(t, err, name)
	}
	for _, o := range []DetectionOptions{{Confidence: 1}, {Confidence: 0.95}, {Probabilities: []float64{1}}, {Probabilities: []float64{0}}} {
		_, err := Detection(grid(func(float64) int { return 1 }), o)
		assert.Error(t, err, "%+v", o)
	}
}

// Of trials drawn from a known curve the intervals hold its edges about as
// often as they say.
func TestDetectionCovers(t *testing.T) {
	const sets = 120
	rng := rand.New(rand.NewPCG(1, 2))
	held := [2]int{}
	for range sets {
		half, width := 0.4+0.6*rng.Float64(), 0.02+0.1*rng.Float64()
		var tried []Tried
		for i := 1; i <= 15; i++ {
			tr := Tried{Strength: float64(i) / 10, Trials: 6}
			for range tr.Trials {
				if rng.Float64() < 1/(1+math.Exp(-(tr.Strength-half)/width)) {
					tr.Caught++
				}
			}
			tried = append(tried, tr)
		}
		r, err := Detection(tried, DetectionOptions{Confidence: 90})
		require.NoError(t, err)
		for i, want := range []float64{half, half + width*math.Log(19)} {
			if e := r.Edges[i]; e.Low <= want && want <= e.High {
				held[i]++
			}
		}
	}
	for i, n := range held {
		assert.Greater(t, n, sets*82/100, "edge %d", i)
	}
}
