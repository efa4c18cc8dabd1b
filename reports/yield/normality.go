package yield

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// What the shape of values is, next to the normal distribution.
const (
	ShapeUnknown = "unknown"  // too few values, all the same, or too coarse to tell
	ShapeNormal  = "normal"   // nothing speaks against it, or too little to matter
	ShapeDoubt   = "doubtful" // something does, not beyond doubt
	ShapeOther   = "other"    // not normal, so much that indices made for normal values mislead
)

// Normality is how well values fit a normal distribution, which capability
// indices and expected shares suppose.
//
// With many thousands of values every test rejects, since nothing is exactly
// normal. So it takes both to call a shape "other": a p-value below 0.01, and a
// departure that matters: skewness beyond 0.5 either way, excess kurtosis above
// 1 or below -0.8, or, from 1000 values on, a percentile at 0.135 % or 99.865 %
// that lies more than 15 % nearer to the median or farther from it than 3
// standard deviations. These bounds are common practice, not a standard: at
// skewness 0.5 the share beyond 3 sigma on the long side is about three times
// the normal one. With p from 0.01 to 0.05 it is "doubtful".
type Normality struct {
	N int `json:"n"`
	// AndersonDarling is the statistic A squared, Adjusted the same times
	// 1 + 0.75/n + 2.25/n^2, for mean and standard deviation taken from the
	// values; P as likely would normal values fit no better.
	AndersonDarling *float64 `json:"anderson_darling,omitempty"`
	Adjusted        *float64 `json:"adjusted,omitempty"`
	P               *float64 `json:"p,omitempty"`
	Skewness        *float64 `json:"skewness,omitempty"`        // 0 for normal values; adjusted for n
	Kurtosis        *float64 `json:"excess_kurtosis,omitempty"` // 0 for normal values; adjusted for n
	Distinct        int      `json:"distinct"`                  // different values
	Coarse          bool     `json:"coarse,omitempty"`          // the reading's steps are as wide as its spread
	Shape           string   `json:"shape"`                     // one of the Shape constants
	Look            string   `json:"look,omitempty"`            // "skewed to the right", ...
	Text            string   `json:"text"`                      // a sentence
}

// fewestForShape is how many values the test is done with; below, nothing
// would be found.
const fewestForShape = 8

// AndersonDarling tests values against the normal distribution with mean and
// standard deviation taken from them (Stephens' case 3): A squared, the same
// adjusted for n, and the p-value by D'Agostino & Stephens 1986, Goodness-of-fit
// techniques, Table 4.9 (from memory). Values need not be sorted. It is an error
// for fewer than 8 values, values that are not finite, and values that are all
// the same.
func AndersonDarling(values []float64) (statistic, adjusted, p float64, err error) {
	n := len(values)
	if n < fewestForShape {
		return 0, 0, 0, fmt.Errorf("normality: %s: %d at least are needed", countOf(n, "value"), fewestForShape)
	}
	for _, v := range values {
		if !isFinite(v) {
			return 0, 0, 0, fmt.Errorf("normality: a value is not a finite number")
		}
	}
	sorted := slices.Sorted(slices.Values(values))
	m, s := meanAndSD(sorted)
	if sorted[0] == sorted[n-1] || !(s > 0) {
		return 0, 0, 0, fmt.Errorf("normality: all values are the same")
	}
	statistic, adjusted, p = andersonDarling(sorted, m, s)
	return statistic, adjusted, p, nil
}

func andersonDarling(sorted []float64, m, s float64) (statistic, adjusted, p float64) {
	n := float64(len(sorted))
	sum := 0.0
	for i, v := range sorted {
		sum += float64(2*i+1)*logNormalBelow((v-m)/s) + (2*n-float64(2*i+1))*logNormalBelow(-(v-m)/s)
	}
	statistic = -n - sum/n
	a := statistic * (1 + 0.75/n + 2.25/(n*n))
	switch {
	case a >= 10: // the formula below is of no use out here
		p = math.Exp(1.2937 - 5.709*10 + 0.0186*100)
	case a >= 0.6:
		p = math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
	case a >= 0.34:
		p = math.Exp(0.9177 - 4.279*a - 1.38*a*a)
	case a >= 0.2:
		p = -math.Expm1(-8.318 + 42.796*a - 59.938*a*a)
	default:
		p = -math.Expm1(-13.436 + 101.14*a - 223.73*a*a)
	}
	return statistic, a, p
}

// logNormalBelow is the logarithm of the share of a normal distribution below
// z, also where that is too small for a number.
func logNormalBelow(z float64) float64 {
	if z > -30 {
		if z > 5 {
			return math.Log1p(-normalUpper(z))
		}
		return math.Log(normalUpper(-z))
	}
	return -z*z/2 - math.Log(-z) - 0.5*math.Log(2*math.Pi) + math.Log1p(-1/(z*z)+3/(z*z*z*z))
}

// NewNormality judges the shape of values, given in any order.
//
// Fewer than 8 values, values that are not finite, and values all the same give
// "unknown" and say why. Values with few different ones, or whose smallest
// step is wider than their standard deviation, are too coarse: "unknown" too.
func NewNormality(values []float64) Normality {
	sorted := slices.Sorted(slices.Values(values))
	return newNormality(sorted)
}

func newNormality(sorted []float64) Normality {
	n := len(sorted)
	t := Normality{N: n, Shape: ShapeUnknown}
	for _, v := range sorted {
		if !isFinite(v) {
			t.Text = "Values that are not finite numbers have no shape."
			return t
		}
	}
	step := math.Inf(1)
	for i, v := range sorted {
		if i == 0 || v > sorted[i-1] {
			t.Distinct++
			if i > 0 {
				step = min(step, v-sorted[i-1])
			}
		}
	}
	switch {
	case n < fewestForShape:
		t.Text = fmt.Sprintf("Whether they are normally distributed cannot be told from %s: %d at least are needed.", countOf(n, "value"), fewestForShape)
		return t
	case t.Distinct == 1:
		t.Text = "All values are the same: they have no shape."
		return t
	}
	m, s := meanAndSD(sorted)
	statistic, adjusted, p := andersonDarling(sorted, m, s)
	t.AndersonDarling, t.Adjusted, t.P = &statistic, &adjusted, &p
	skewness, kurtosis := stat.Skew(sorted, nil), stat.ExKurtosis(sorted, nil)
	t.Skewness, t.Kurtosis = &skewness, &kurtosis
	if step > s || t.Distinct <= 4 && n >= 20 {
		t.Coarse = true
		t.Text = fmt.Sprintf("The values come in %d steps only, as wide as their spread: the reading is too coarse to tell its shape, and its spread.", t.Distinct)
		return t
	}
	look, matters := t.departure(sorted, m, s)
	switch {
	case p >= 0.05:
		t.Shape = ShapeNormal
		t.Text = "Nothing speaks against a normal distribution"
		if n < 50 {
			t.Text += fmt.Sprintf("; with %d values only a gross departure would show", n)
		}
		t.Text += "."
	case p >= 0.01 && matters:
		t.Shape, t.Look = ShapeDoubt, look
		t.Text = fmt.Sprintf("Perhaps not normally distributed: %s (normal values would fit no better in %.2g of 100 cases).", look, 100*p)
	case matters:
		t.Shape, t.Look = ShapeOther, look
		t.Text = fmt.Sprintf("Not normally distributed: %s.", look)
	case n < 300:
		t.Shape, t.Look = ShapeDoubt, "neither skewed nor with long tails, but uneven"
		t.Text = "Perhaps not normally distributed: uneven, as where groups are mixed or values are rounded."
	default:
		t.Shape, t.Look = ShapeNormal, "not exactly normal"
		t.Text = fmt.Sprintf("Not exactly normal, as %d values show, but too little to matter (skewness %.2f, excess kurtosis %.2f).", n, skewness, kurtosis)
	}
	return t
}

// Bounds beyond which a departure from the normal shape matters.
const (
	skewMatters     = 0.5
	tailsMatter     = 1.0
	flatMatters     = -0.8
	percentileShift = 0.15
	percentileFrom  = 1000 // values, from which on the outer percentiles tell something
)

// departure is how the shape differs, in words, and whether it matters.
func (t Normality) departure(sorted []float64, m, s float64) (string, bool) {
	skew, kurtosis := *t.Skewness, *t.Kurtosis
	switch {
	case skew > skewMatters:
		return "skewed to the right (a long tail of high values)", true
	case skew < -skewMatters:
		return "skewed to the left (a long tail of low values)", true
	case kurtosis > tailsMatter:
		return "values far out on both sides are commoner than in a normal distribution", true
	case kurtosis < flatMatters:
		return "flatter than a normal distribution, as where two groups are mixed", true
	}
	if len(sorted) >= percentileFrom {
		median := quantile(sorted, 0.5)
		below, above := (median-quantile(sorted, outerShare()))/(3*s), (quantile(sorted, 1-outerShare())-median)/(3*s)
		for _, side := range []struct {
			name  string
			reach float64
		}{{"low", below}, {"high", above}} {
			switch {
			case side.reach > 1+percentileShift:
				return fmt.Sprintf("%s values reach %.2f times as far as in a normal distribution", side.name, side.reach), true
			case side.reach < 1-percentileShift:
				return fmt.Sprintf("%s values reach only %.2f times as far as in a normal distribution", side.name, side.reach), true
			}
		}
	}
	return "", false
}
