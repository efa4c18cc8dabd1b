package yield

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"

	"fullthrow/reports/statistics"
)

// Shape is what the shape of values is, next to the normal distribution.
type Shape string

// The shapes.
const (
	ShapeUnknown Shape = "unknown"    // too few values, all the same, or too coarse to tell
	ShapeNormal  Shape = "normal"     // nothing speaks against it, or too little to matter
	ShapeDoubt   Shape = "doubtful"   // something does, not beyond doubt
	ShapeOther   Shape = "not_normal" // not normal, so much that indices made for normal values mislead
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
	Shape           Shape    `json:"shape"`
	// Look is how it departs, and of which Reach times as far, in the Look
	// constants that speak of that.
	Look  Look    `json:"look,omitempty"`
	Reach float64 `json:"reach,omitempty"`
	// Why is the reason for ShapeUnknown: [NotFinite], [TooFewValues],
	// [Constant], or "" with Coarse.
	Why Code `json:"why,omitempty"`
}

// Look is how a shape departs from the normal one.
type Look string

// The looks.
const (
	LookRight    Look = "right"     // skewed, with a long tail of high values
	LookLeft     Look = "left"      // of low values
	LookTails    Look = "tails"     // long on both sides
	LookFlat     Look = "flat"      // as where two groups are mixed
	LookLowFar   Look = "low_far"   // low values reach farther
	LookLowNear  Look = "low_near"  // not so far
	LookHighFar  Look = "high_far"  // high values reach farther
	LookHighNear Look = "high_near" // not so far
	LookUneven   Look = "uneven"    // as where groups are mixed or values are rounded
	LookSlight   Look = "slight"    // not exactly normal, too little to matter
)

// fewestForShape is how many values the test is done with; below, nothing
// would be found.
const fewestForShape = 8

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
			return math.Log1p(-statistics.NormalUpper(z))
		}
		return math.Log(statistics.NormalUpper(-z))
	}
	return -z*z/2 - math.Log(-z) - 0.5*math.Log(2*math.Pi) + math.Log1p(-1/(z*z)+3/(z*z*z*z))
}

func newNormality(sorted []float64) Normality {
	n := len(sorted)
	t := Normality{N: n, Shape: ShapeUnknown}
	for _, v := range sorted {
		if !statistics.Finite(v) {
			t.Why = NotFinite
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
		t.Why = TooFewValues
		return t
	case t.Distinct == 1:
		t.Why = Constant
		return t
	}
	m, s := statistics.MeanSD(sorted)
	statistic, adjusted, p := andersonDarling(sorted, m, s)
	t.AndersonDarling, t.Adjusted, t.P = &statistic, &adjusted, &p
	skewness, kurtosis := stat.Skew(sorted, nil), stat.ExKurtosis(sorted, nil)
	t.Skewness, t.Kurtosis = &skewness, &kurtosis
	if step > s || t.Distinct <= 4 && n >= 20 {
		t.Coarse = true
		return t
	}
	look, reach, matters := t.departure(sorted, m, s)
	switch {
	case p >= 0.05:
		t.Shape = ShapeNormal
	case p >= 0.01 && matters:
		t.Shape, t.Look, t.Reach = ShapeDoubt, look, reach
	case matters:
		t.Shape, t.Look, t.Reach = ShapeOther, look, reach
	case n < 300:
		t.Shape, t.Look = ShapeDoubt, LookUneven
	default:
		t.Shape, t.Look = ShapeNormal, LookSlight
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

// departure is how the shape differs, and whether it matters.
func (t Normality) departure(sorted []float64, m, s float64) (look Look, reach float64, matters bool) {
	skew, kurtosis := *t.Skewness, *t.Kurtosis
	switch {
	case skew > skewMatters:
		return LookRight, 0, true
	case skew < -skewMatters:
		return LookLeft, 0, true
	case kurtosis > tailsMatter:
		return LookTails, 0, true
	case kurtosis < flatMatters:
		return LookFlat, 0, true
	}
	if len(sorted) >= percentileFrom {
		median := statistics.Quantile(sorted, 0.5)
		below, above := (median-statistics.Quantile(sorted, outerShare()))/(3*s),
			(statistics.Quantile(sorted, 1-outerShare())-median)/(3*s)
		for _, side := range []struct {
			far, near Look
			reach     float64
		}{{LookLowFar, LookLowNear, below}, {LookHighFar, LookHighNear, above}} {
			switch {
			case side.reach > 1+percentileShift:
				return side.far, side.reach, true
			case side.reach < 1-percentileShift:
				return side.near, side.reach, true
			}
		}
	}
	return "", 0, false
}

// StabilityState is what a process does over time.
type StabilityState string

// The states of a process over time.
const (
	StabilityUnknown  StabilityState = "unknown"  // too few points
	StabilityStable   StabilityState = "stable"   // nothing but chance is seen
	StabilitySlight   StabilityState = "slight"   // it moves, too little to matter
	StabilityUnstable StabilityState = "unstable" // it moves so much that one figure for all of it means nothing
)

// Stability is whether a process was the same all the time, which capability
// supposes: by a control chart (Western Electric rules), and by how much wider
// all values are spread than neighbours are.
//
// Rules fire by chance as well, at about 17 of 1000 points, and on skewed values
// more often whatever their order. So a process counts as unstable if more
// points fire than chance gives, one in twenty at least, and the values are not
// merely skewed, or if the spread over all time is 5 % larger than that of
// neighbours and that is no chance (p below 0.01). What is no chance but smaller
// is "slight".
type Stability struct {
	Points  int       `json:"points"`
	Signals int       `json:"signals"` // points at which a rule fired
	Chance  float64   `json:"chance"`  // as many would by chance
	Rules   []RuleHit `json:"rules,omitempty"`
	// Ratio is the standard deviation over all by that of neighbours (single
	// values: von Neumann's mean square successive difference; subgroups: the
	// pooled one). It needs no normal distribution.
	Ratio *float64 `json:"ratio,omitempty"`
	// P as likely would a process that does not move look as uneven (von
	// Neumann's ratio; analysis of variance).
	P     *float64       `json:"p,omitempty"`
	State StabilityState `json:"state"`
	// Reason is what State goes by.
	Reason StabilityReason `json:"reason,omitempty"`
}

// StabilityReason is what tells whether a process moves.
type StabilityReason string

// The reasons.
const (
	ReasonFew     StabilityReason = "few"     // points: it cannot be told
	ReasonNoChart StabilityReason = "chart"   // there is none: it cannot be told
	ReasonSpread  StabilityReason = "spread"  // all values are spread wider than neighbours, by Ratio
	ReasonSignals StabilityReason = "signals" // so many points break a rule of the control chart
	// many break one, as happens with values that are not normal, but their order is chance
	ReasonShape StabilityReason = "shape"
)

const (
	ratioMatters       = 1.05
	signalsMatter      = 0.05 // of all points
	fewestForStability = 10   // values
)

// newStability judges groups in order of time; shape is that of all values.
func newStability(groups []Subgroup, shape Normality, o CapabilityOptions) Stability {
	t := Stability{State: StabilityUnknown}
	single := !slices.ContainsFunc(groups, func(g Subgroup) bool { return len(g.Values) != 1 })
	values := 0
	for _, g := range groups {
		values += len(g.Values)
	}
	t.Points = len(groups)
	if values < fewestForStability || len(groups) < 5 {
		t.Reason = ReasonFew
		return t
	}
	kind := ChartMeansSDs
	if single {
		kind = ChartIndividuals
	}
	chart, err := NewChart(kind, groups, ChartOptions{Unit: o.Unit})
	if err != nil {
		t.Reason = ReasonNoChart
		return t
	}
	// Only the values, or means: ranges tell of the spread within.
	for _, h := range chart.Rules {
		if h.Panel == 0 {
			t.Rules = append(t.Rules, h)
		}
	}
	for _, p := range chart.Panels[0].Points {
		if len(p.Rules) > 0 {
			t.Signals++
		}
	}
	t.Chance = float64(t.Points) * WesternElectric.falseSignals(false)
	ratio, p := unevenness(groups, single)
	if statistics.Finite(ratio) && statistics.Finite(p) {
		t.Ratio, t.P = &ratio, &p
	}
	many := float64(t.Signals) > max(1, chanceLimit(t.Chance))
	skewed := shape.Shape == ShapeOther
	moves := t.P != nil && p < 0.01
	switch {
	case moves && ratio >= ratioMatters:
		t.State, t.Reason = StabilityUnstable, ReasonSpread
	case many && !skewed && !moves:
		t.State, t.Reason = StabilitySlight, ReasonSignals
		if float64(t.Signals) >= signalsMatter*float64(t.Points) {
			t.State = StabilityUnstable
		}
	case moves:
		t.State, t.Reason = StabilitySlight, ReasonSpread
	case many:
		t.State, t.Reason = StabilityStable, ReasonShape
	case t.Signals > 0:
		t.State, t.Reason = StabilityStable, ReasonSignals
	default:
		t.State = StabilityStable
	}
	return t
}

// unevenness is how much wider all values are spread than neighbours, and the
// chance of that in a process that does not move.
func unevenness(groups []Subgroup, single bool) (ratio, p float64) {
	var all []float64
	for _, g := range groups {
		all = append(all, g.Values...)
	}
	n := float64(len(all))
	_, s := statistics.MeanSD(all)
	if single {
		sum := 0.0
		for i := 1; i < len(all); i++ {
			sum += square(all[i] - all[i-1])
		}
		eta := sum / (2 * (n - 1)) / (s * s) // 1 where order is chance
		// Its variance under chance (von Neumann 1941, from memory).
		return 1 / math.Sqrt(eta), statistics.NormalUpper((1 - eta) / math.Sqrt((n-2)/(n*n-1)))
	}
	within, freedom := pooled(groups)
	between := float64(len(groups) - 1)
	rest := (n-1)*s*s - within*within*freedom
	return s / within, statistics.RatioTail(max(0, rest)/between/(within*within), between, freedom)
}

// pooled is the standard deviation within subgroups, by their sums of squares,
// and its degrees of freedom. Without any it is NaN.
func pooled(groups []Subgroup) (sigma, freedom float64) {
	sum := 0.0
	for _, g := range groups {
		if n := len(g.Values); n > 1 {
			_, s := statistics.MeanSD(g.Values)
			sum += s * s * float64(n-1)
			freedom += float64(n - 1)
		}
	}
	return math.Sqrt(sum / freedom), freedom
}
