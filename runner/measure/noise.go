package measure

import (
	"math"
	"slices"
)

func noise(r *TravelResult, dwells []dwell) {
	var squares float64
	var freedom int
	var all []float64
	for _, d := range dwells {
		for _, v := range d.values {
			squares += (v - d.mean) * (v - d.mean)
			r.NoisePeak = math.Max(r.NoisePeak, math.Abs(v-d.mean))
		}
		low, high := extremes(d.values)
		r.NoisePeakToPeak = math.Max(r.NoisePeakToPeak, high-low)
		freedom += len(d.values) - 1
		all = append(all, d.values...)
	}
	if freedom > 0 {
		r.Noise = math.Sqrt(squares / float64(freedom))
	}
	r.Step = smallestStep(all)
	r.Resolution = math.Max(6.6*r.Noise, r.Step)
	if way := math.Abs(r.HighEnd - r.LowEnd); way > 0 {
		r.EffectiveBits = math.Max(0, math.Log2(way/math.Max(math.Sqrt(12)*r.Noise, r.Step)))
	}
}

// smallestStep is the smallest difference between two different values, 0 if
// there is none. It sorts x.
func smallestStep(x []float64) float64 {
	slices.Sort(x)
	step := 0.0
	for i := 1; i < len(x); i++ {
		if d := x[i] - x[i-1]; d > 1e-9 && (step == 0 || d < step) {
			step = d
		}
	}
	return step
}
