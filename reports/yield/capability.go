package yield

import (
	"fmt"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// Estimator names how the short-term (within) standard deviation was had.
type Estimator string

// The estimators.
const (
	// EstimatorMovingRange is the mean moving range by d2, of single values.
	EstimatorMovingRange Estimator = "moving range / d2"
	// EstimatorMeanRange is the mean range by d2, of subgroups of up to 25.
	EstimatorMeanRange Estimator = "mean range / d2"
	// EstimatorMeanSD is the mean standard deviation by c4, of subgroups.
	EstimatorMeanSD Estimator = "mean s / c4"
	// EstimatorPooled is the root of the mean variance within subgroups,
	// weighted by degrees of freedom, without c4. It wastes nothing.
	EstimatorPooled Estimator = "pooled s"
)

// CapabilityOptions are what a study may be told. The zero value is usual.
type CapabilityOptions struct {
	Name, Unit string
	Confidence float64 // of every interval; 0 means 0.95
	// Within is the estimator of subgroups; empty means pooled. Single values
	// always go by their moving range.
	Within Estimator
	// Freedom is the degrees of freedom of the within sigma where not those of
	// its estimator are wanted: some programs take one less than the number of
	// values whatever the estimator, which makes intervals too narrow.
	Freedom float64
}

// CapabilityStudy is whether a process can hold its limits. What cannot be said
// is missing, and Problem, State or a caution says why.
//
// Cp and Cpk go by the spread of neighbours (within: what the process could do
// if it never moved), Pp and Ppk by that of all values (what it does). Intervals:
// Cp, Pp by chi squared, Cpk and Ppk and those of one side by Bissell's
// approximation (e-Handbook 6.1.6), with the degrees of freedom that the
// estimator of sigma really has: for all n - 1; for the moving range, about 0.6
// of that. Cpm is Taguchi's: as in the e-Handbook with the standard deviation of
// all values (n - 1) and the squared distance of their mean from the target; its
// interval is Boyles' (Journal of Quality Technology 23, 1991, from memory), with
// n (1+x^2)^2 / (1+2x^2) degrees of freedom, x = (mean - target) / s. Programs
// that leave out the square print wider ones.
type CapabilityStudy struct {
	Name string `json:"name,omitempty"`
	Unit string `json:"unit,omitempty"`
	Spec Spec   `json:"spec"`

	N          int       `json:"n"`
	Groups     int       `json:"groups"` // subgroups; as many as values where these are single
	Mean       float64   `json:"mean"`
	Min        float64   `json:"min"`
	Max        float64   `json:"max"`
	Overall    float64   `json:"overall_sigma"` // standard deviation of all values
	Within     float64   `json:"within_sigma"`  // of neighbours, 0 not known
	By         Estimator `json:"within_by,omitempty"`
	Freedom    float64   `json:"within_freedom,omitempty"`
	Confidence float64   `json:"confidence"`

	Cp  *Estimate `json:"cp,omitempty"`
	Cpl *Estimate `json:"cpl,omitempty"`
	Cpu *Estimate `json:"cpu,omitempty"`
	Cpk *Estimate `json:"cpk,omitempty"`
	Pp  *Estimate `json:"pp,omitempty"`
	Ppl *Estimate `json:"ppl,omitempty"`
	Ppu *Estimate `json:"ppu,omitempty"`
	Ppk *Estimate `json:"ppk,omitempty"`
	Cpm *Estimate `json:"cpm,omitempty"`
	// OffCentre is k: the distance of the mean from the middle of the limits,
	// as a share of half their distance.
	OffCentre *float64 `json:"off_centre,omitempty"`

	// Expected is the share outside the limits that a normal distribution with
	// mean and overall standard deviation has, below and above the same by
	// side; it means little where the shape is other. The interval is by the
	// delta method on the normal scale, which for one limit is Bissell's.
	Expected      *Estimate `json:"expected_outside,omitempty"`
	ExpectedBelow *float64  `json:"expected_below,omitempty"`
	ExpectedAbove *float64  `json:"expected_above,omitempty"`
	// Observed is the share of these values that is outside, whatever their
	// distribution, with the exact interval.
	Observed *Share `json:"observed_outside,omitempty"`

	Normality  Normality        `json:"normality"`
	Stability  Stability        `json:"stability"`
	Percentile *PercentileStudy `json:"percentile,omitempty"`

	State CapabilityState `json:"state"`
	// Index is which of the indices State goes by: "cpk" or "ppk"; of
	// percentiles, Percentile's ppk. "" without any.
	Index    string   `json:"index,omitempty"`
	Cautions []Remark `json:"cautions,omitempty"`
	Problem  *Remark  `json:"problem,omitempty"` // why there are no indices at all
}

// CapabilityState is what a study says. 1.33 is common practice, as is 1.00 for "just".
type CapabilityState string

// The states.
const (
	CapabilityNone      CapabilityState = "none"       // no indices: see Problem
	CapabilityMoot      CapabilityState = "moot"       // indices mean nothing: the process moves
	CapabilityByPercent CapabilityState = "percentile" // indices mean little: not normal; go by percentiles
	CapabilityHolds     CapabilityState = "holds"      // Cpk, or Ppk where that is smaller, surely 1.33 or more
	CapabilityLikely    CapabilityState = "likely"     // 1.33 or more, but it may be less
	CapabilityJust      CapabilityState = "just"       // from 1.00 up to 1.33
	CapabilityNot       CapabilityState = "not"        // below 1.00
)

const (
	// IndexGood is what a capability index should be, by common practice, and
	// IndexJust where limits begin to be broken as a matter of course.
	IndexGood           = 1.33
	IndexJust           = 1.0
	fewestForCapability = 8
	usualForCapability  = 30
)

// Capability studies single values, in order of time.
func Capability(values []float64, spec Spec, o CapabilityOptions) CapabilityStudy {
	return CapabilityOf(Singles(values), spec, o)
}

// Capability studies a series by its own limits, one value at a time.
func (s Series) Capability(o CapabilityOptions) CapabilityStudy {
	if o.Name == "" {
		o.Name = s.Name
	}
	if o.Unit == "" {
		o.Unit = s.Unit
	}
	groups, _ := Cut(s, Cutting{}) // each its own: no error
	t := CapabilityOf(groups, Spec{Lower: s.Lower, Upper: s.Upper}, o)
	if s.LimitChanged {
		t.caution(LimitChanged)
	}
	if s.Total > int64(len(s.Points)) {
		t.caution(Newest, len(s.Points), s.Total)
	}
	if share, places := differBy(s); share >= 0.1 {
		t.caution(NestsDiffer, places, share)
	}
	return t
}

// CapabilityOf studies subgroups in order of time; subgroups of one are single
// values.
//
// It gives no indices, and says why in Problem: without limits, or with limits
// that are not numbers or in the wrong order; with values that are not finite;
// with fewer than 8 values; with values that are all the same.
func CapabilityOf(groups []Subgroup, spec Spec, o CapabilityOptions) CapabilityStudy {
	o.Confidence = usualConfidence(o.Confidence)
	groups = slices.DeleteFunc(slices.Clone(groups), func(g Subgroup) bool { return len(g.Values) == 0 })
	t := CapabilityStudy{Name: o.Name, Unit: o.Unit, Spec: spec, Groups: len(groups), Confidence: o.Confidence,
		State:     CapabilityNone,
		Normality: Normality{Shape: ShapeUnknown}, Stability: Stability{State: StabilityUnknown}}
	var all []float64
	for _, g := range groups {
		all = append(all, g.Values...)
	}
	t.N = len(all)
	for _, l := range []**float64{&t.Spec.Lower, &t.Spec.Upper, &t.Spec.Target} {
		if *l != nil && !statistics.Finite(**l) {
			*l = nil
		}
	}
	if t.Problem = problemOf(all, spec); t.Problem == nil || t.describable(all) {
		t.describe(all, groups, o)
	}
	if t.Problem == nil {
		t.indices(all, groups, o)
	}
	t.conclude()
	return t
}

// problemOf is why there can be no indices.
func problemOf(all []float64, spec Spec) *Remark {
	because := func(code Code, args ...any) *Remark {
		r := remark(code, args...)
		return &r
	}
	for _, l := range []*float64{spec.Lower, spec.Upper, spec.Target} {
		if l != nil && !statistics.Finite(*l) {
			return because(LimitNotFinite)
		}
	}
	wrong := 0
	for _, v := range all {
		if !statistics.Finite(v) {
			wrong++
		}
	}
	switch {
	case len(all) == 0:
		return because(NoValues)
	case wrong > 0:
		return because(NotFinite, wrong, len(all))
	case len(all) > 1 && !statistics.Finite(sdOf(all)):
		return because(TooLarge)
	case spec.Lower == nil && spec.Upper == nil:
		return because(NoLimits)
	case spec.Lower != nil && spec.Upper != nil && *spec.Lower >= *spec.Upper:
		return because(LimitsSwapped)
	case len(all) < fewestForCapability:
		return because(TooFewValues, len(all), fewestForCapability)
	case spanOf(all) == 0:
		return because(Constant)
	}
	return nil
}

// describable says whether values have a mean at all.
func (t *CapabilityStudy) describable(all []float64) bool {
	return len(all) > 1 && statistics.Finite(sdOf(all))
}

// sdOf is not finite where a value is not.
func sdOf(all []float64) float64 {
	_, s := statistics.MeanSD(all)
	return s
}

func (t *CapabilityStudy) caution(code Code, args ...any) {
	t.Cautions = append(t.Cautions, remark(code, args...))
}

func (t *CapabilityStudy) describe(all []float64, groups []Subgroup, o CapabilityOptions) {
	sorted := slices.Sorted(slices.Values(all))
	t.Mean, t.Overall = statistics.MeanSD(all)
	t.Min, t.Max = sorted[0], sorted[len(sorted)-1]
	t.Normality = newNormality(sorted)
	t.Stability = newStability(groups, t.Normality, o)
	if t.Problem == nil {
		t.Percentile = newPercentileStudy(sorted, t.Spec, o.Confidence)
	}
}

// withinSpread takes the short-term sigma by the estimator asked for.
func (t *CapabilityStudy) withinSpread(groups []Subgroup, o CapabilityOptions) error {
	var sigma, freedom float64
	var err error
	x, singleErr := singles(groups)
	by := o.Within
	switch {
	case singleErr == nil:
		by = EstimatorMovingRange
		sigma, freedom = statistics.Mean(movingRanges(x))/twoValues(false).RangeMean, movingFreedom(len(x))
	case by == "" || by == EstimatorPooled:
		by = EstimatorPooled
		sigma, freedom = pooled(groups)
	case by == EstimatorMeanRange:
		sigma, freedom, err = withinSigma(groups, rangeSpread{constants: map[int]Constants{}})
	case by == EstimatorMeanSD:
		sigma, freedom, err = withinSigma(groups, sdSpread{})
	default:
		err = fmt.Errorf("subgroups have no %q", by)
	}
	if err != nil || !(sigma > 0) {
		return err
	}
	if o.Freedom > 0 {
		freedom = o.Freedom
	}
	t.Within, t.By, t.Freedom = sigma, by, freedom
	return nil
}

// movingFreedom is the degrees of freedom of the mean moving range of n values:
// those of a standard deviation with the same relative variance. Neighbouring
// ranges share a value; the mean product of two such ranges is
// (4/pi) (sqrt(3)/2 + pi/12) sigma^2.
func movingFreedom(n int) float64 {
	m := float64(n - 1)
	mean := 4 / math.Pi // squared, of one range
	one := 2 - mean
	pair := 4/math.Pi*(math.Sqrt(3)/2+math.Pi/12) - mean
	variance := (m*one + 2*(m-1)*pair) / (m * m)
	return mean / (2 * variance)
}

func (t *CapabilityStudy) indices(all []float64, groups []Subgroup, o CapabilityOptions) {
	n := float64(t.N)
	if err := t.withinSpread(groups, o); err != nil {
		t.caution(NoWithin)
	} else if t.Within == 0 {
		t.caution(NeighboursAlike)
	}
	estimate := func(v float64, interval func(v float64) (low, high float64), method string) *Estimate {
		if math.IsNaN(v) {
			return nil
		}
		low, high := interval(v)
		return &Estimate{Value: v, Low: low, High: high, Confidence: o.Confidence, Method: method}
	}
	for _, set := range []struct {
		sigma, freedom   float64
		cp, cpl, cpu, ck **Estimate
	}{
		{t.Within, t.Freedom, &t.Cp, &t.Cpl, &t.Cpu, &t.Cpk},
		{t.Overall, n - 1, &t.Pp, &t.Ppl, &t.Ppu, &t.Ppk},
	} {
		x := NewIndices(t.Mean, set.sigma, t.Spec)
		both := func(v float64) (float64, float64) { return CpInterval(v, set.freedom, o.Confidence) }
		side := func(v float64) (float64, float64) { return CpkInterval(v, n, set.freedom, o.Confidence) }
		*set.cp = estimate(x.Cp, both, "chi squared")
		*set.cpl, *set.cpu, *set.ck = estimate(x.Cpl, side, "Bissell"), estimate(x.Cpu, side, "Bissell"),
			estimate(x.Cpk, side, "Bissell")
	}
	x := NewIndices(t.Mean, t.Overall, t.Spec)
	if !math.IsNaN(x.Cpm) {
		target := *t.Spec.Lower + (*t.Spec.Upper-*t.Spec.Lower)/2
		if t.Spec.Target != nil {
			target = *t.Spec.Target
		}
		freedom := CpmFreedom(n, t.Mean, t.Overall, target)
		t.Cpm = estimate(x.Cpm, func(v float64) (float64, float64) { return CpInterval(v, freedom, o.Confidence) },
			"Boyles")
		t.OffCentre = &x.K
	}
	t.outside(all, o)
}

// outside is what is outside the limits, and what is expected to be.
func (t *CapabilityStudy) outside(all []float64, o CapabilityOptions) {
	count := int64(0)
	for _, v := range all {
		if t.Spec.Lower != nil && v < *t.Spec.Lower || t.Spec.Upper != nil && v > *t.Spec.Upper {
			count++
		}
	}
	seen := GuaranteedShare(count, int64(t.N), o.Confidence)
	t.Observed = &seen
	below, above := OutsideNormal(t.Mean, t.Overall, t.Spec)
	t.ExpectedBelow, t.ExpectedAbove = &below, &above
	e := Estimate{Value: below + above, High: 1, Confidence: o.Confidence, Method: "delta method, normal scale"}
	t.Expected = &e
	if !(e.Value > 1e-300) || e.Value >= 1 {
		return
	}
	// d(share)/d(mean) and d(share)/d(sigma), over the density at the normal
	// quantile of the share.
	var byMean, bySigma float64
	density := func(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
	if l := t.Spec.Lower; l != nil {
		z := (t.Mean - *l) / t.Overall
		byMean -= density(z) / t.Overall
		bySigma += density(z) * z / t.Overall
	}
	if u := t.Spec.Upper; u != nil {
		z := (*u - t.Mean) / t.Overall
		byMean += density(z) / t.Overall
		bySigma += density(z) * z / t.Overall
	}
	n := float64(t.N)
	z := -statistics.NormalQuantile(e.Value)
	sd := math.Sqrt(square(byMean*t.Overall)/n+square(bySigma*t.Overall)/(2*(n-1))) / density(z)
	half := statistics.NormalQuantile((1+o.Confidence)/2) * sd
	if statistics.Finite(half) {
		e.Low, e.High = statistics.NormalUpper(z+half), statistics.NormalUpper(z-half)
		t.Expected = &e
	}
}

// differBy is the share of the variance of a series that lies between nests,
// beyond what chance puts there (omega squared), and how many nests there are.
func differBy(s Series) (share float64, places int) {
	groups, err := Cut(s, Cutting{By: "nest"})
	if err != nil || len(groups) < 2 {
		return 0, len(groups)
	}
	within, freedom := pooled(groups)
	_, all := statistics.MeanSD(s.Values())
	total := all * all * float64(len(s.Points)-1)
	k := float64(len(groups) - 1)
	if share = (total - within*within*freedom - k*within*within) / (total + within*within); !(share > 0) {
		return 0, len(groups)
	}
	return share, len(groups)
}

// conclude says what the indices are worth, and which to go by.
func (t *CapabilityStudy) conclude() {
	if t.Problem != nil {
		return
	}
	if t.N < usualForCapability {
		t.caution(FewValues, t.N, usualForCapability)
	}
	if target := t.Spec.Target; target != nil && (t.Spec.Lower != nil && *target < *t.Spec.Lower ||
		t.Spec.Upper != nil && *target > *t.Spec.Upper) {
		t.caution(TargetOutside)
	}
	t.Index = "cpk"
	if t.Cpk == nil {
		t.Index = "ppk"
	}
	switch {
	case t.Stability.State == StabilityUnstable:
		t.State = CapabilityMoot
	case t.Normality.Shape == ShapeOther:
		t.State = CapabilityByPercent
		if p := t.Percentile; p != nil && p.Caution != nil {
			t.Cautions = append(t.Cautions, *p.Caution)
		}
	default:
		// The smaller of the two: what the process does, not what it might.
		if t.Cpk != nil && t.Ppk.Value < t.Cpk.Value/ratioMatters {
			t.Index = "ppk"
			t.caution(CouldBeBetter, t.Cpk.Value, t.Cpk.Low, t.Cpk.High)
		}
		t.State = grade(t.Decisive())
	}
}

// Decisive is the index that the state goes by; nil without any.
func (t *CapabilityStudy) Decisive() *Estimate {
	switch {
	case t.State == CapabilityByPercent && t.Percentile != nil && t.Percentile.Ppk != nil:
		return t.Percentile.Ppk
	case t.Index == "cpk":
		return t.Cpk
	case t.Index == "ppk":
		return t.Ppk
	}
	return nil
}

// Recentre is by how much the mean would have to move to lie in the middle of
// the limits, where that is worth while: ok is false where it lies there, or
// nearly so. Cpk would then be Cp.
func (t *CapabilityStudy) Recentre() (by float64, ok bool) {
	if t.Cp == nil || t.Cpk == nil || t.OffCentre == nil || t.Cp.Value-t.Cpk.Value <= 0.15 || *t.OffCentre <= 0.1 {
		return 0, false
	}
	return *t.Spec.Lower + (*t.Spec.Upper-*t.Spec.Lower)/2 - t.Mean, true
}

// grade says what an index means that means something.
func grade(index *Estimate) CapabilityState {
	switch {
	case index.Low >= IndexGood:
		return CapabilityHolds
	case index.Value >= IndexGood:
		return CapabilityLikely
	case index.Value >= IndexJust:
		return CapabilityJust
	}
	return CapabilityNot
}
