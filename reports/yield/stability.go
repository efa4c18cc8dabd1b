package yield

import (
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

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
	if isFinite(ratio) && isFinite(p) {
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
