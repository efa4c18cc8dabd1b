package yield

import (
	"encoding/json"
	"math"
	"strconv"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Names of the methods behind an interval.
const (
	// MethodWilson is the score interval without continuity correction: it
	// holds the true share with the confidence stated on average over shares,
	// at few units and at shares near 0 and 1 too, and is the one used unless
	// something else is asked for.
	MethodWilson = "Wilson"
	// MethodClopperPearson is the exact interval: it holds the true share with
	// at least the confidence stated, whatever the share. It is wider, and for
	// where something is promised: to a customer, or from zero failures.
	MethodClopperPearson = "Clopper-Pearson"
	// MethodPoisson is the exact interval of a count (Garwood 1936).
	MethodPoisson = "Poisson"
	// MethodEffective is Wilson's with so many units that one check alone would
	// have the variance of a product of several.
	MethodEffective = "Wilson, effective units"
	// MethodNewcombe is the interval of a difference of two shares, made of
	// two Wilson intervals (Newcombe 1998, method 10).
	MethodNewcombe = "Newcombe"
	// MethodStudent is that of a mean, by Student's t.
	MethodStudent = "Student"
	// MethodRank is that of a percentile from the ranks of values, whatever
	// their distribution.
	MethodRank = "ranks"
)

// DefaultConfidence is that of every interval for which none is stated.
const DefaultConfidence = 0.95

// Share is Count of Of, as a share of 1, and how sure that is: units are taken
// as drawn independently from a process that goes on as it was.
//
// Of nothing (0 of 0), and where counts cannot be (below 0, more than all),
// Value is NaN, Low 0 and High 1: nothing is known. 0 of n and n of n have an
// end that is exactly 0 or 1. In JSON a Value that is not known is null.
type Share struct {
	Count, Of  int64
	Value      float64
	Low, High  float64
	Confidence float64
	Method     string
}

// NewShare is a share with Wilson's interval. A confidence not between 0 and 1
// means [DefaultConfidence].
func NewShare(count, of int64, confidence float64) Share {
	return newShare(count, of, confidence, MethodWilson, Wilson)
}

// GuaranteedShare is a share with the interval of Clopper and Pearson.
func GuaranteedShare(count, of int64, confidence float64) Share {
	return newShare(count, of, confidence, MethodClopperPearson, ClopperPearson)
}

func newShare(count, of int64, confidence float64, method string, ends func(x, n, c float64) (low, high float64)) Share {
	s := Share{Count: count, Of: of, Value: math.NaN(), High: 1, Confidence: usualConfidence(confidence), Method: method}
	if s.possible() {
		s.Value = float64(count) / float64(of)
		s.Low, s.High = ends(float64(count), float64(of), s.Confidence)
	}
	return s
}

func (s Share) possible() bool { return s.Of > 0 && s.Count >= 0 && s.Count <= s.Of }

// Known says whether there is a share at all: not of 0 of 0.
func (s Share) Known() bool { return !math.IsNaN(s.Value) }

// Rest is the share of the others: of units that failed where s is of those
// that passed.
func (s Share) Rest() Share {
	s.Count = s.Of - s.Count
	s.Value, s.Low, s.High = 1-s.Value, 1-s.High, 1-s.Low
	if s.possible() {
		s.Value = float64(s.Count) / float64(s.Of)
	}
	return s
}

// MarshalJSON writes null for a value that is not known.
func (s Share) MarshalJSON() ([]byte, error) {
	return json.Marshal(shareJSON{s.Count, s.Of, orNull(s.Value), orNull(s.Low), orNull(s.High), s.Confidence, s.Method})
}

// UnmarshalJSON reads what MarshalJSON writes.
func (s *Share) UnmarshalJSON(data []byte) error {
	var j shareJSON
	if err := json.Unmarshal(data, &j); err != nil {
		return err
	}
	*s = Share{j.Count, j.Of, orNaN(j.Value), orNaN(j.Low), orNaN(j.High), j.Confidence, j.Method}
	return nil
}

type shareJSON struct {
	Count      int64    `json:"count"`
	Of         int64    `json:"of"`
	Value      *float64 `json:"value"`
	Low        *float64 `json:"low"`
	High       *float64 `json:"high"`
	Confidence float64  `json:"confidence"`
	Method     string   `json:"method"`
}

// Estimate is a figure that is not a share of a count, and how sure it is. A
// Value of NaN is not known; in JSON it and what is infinite are null.
type Estimate struct {
	Value      float64
	Low, High  float64
	Confidence float64
	Method     string
}

// Known says whether there is a value.
func (e Estimate) Known() bool { return !math.IsNaN(e.Value) }

// MarshalJSON writes null for what is not finite.
func (e Estimate) MarshalJSON() ([]byte, error) {
	return json.Marshal(estimateJSON{orNull(e.Value), orNull(e.Low), orNull(e.High), e.Confidence, e.Method})
}

// UnmarshalJSON reads what MarshalJSON writes; what was infinite comes back as
// NaN.
func (e *Estimate) UnmarshalJSON(data []byte) error {
	var j estimateJSON
	if err := json.Unmarshal(data, &j); err != nil {
		return err
	}
	*e = Estimate{orNaN(j.Value), orNaN(j.Low), orNaN(j.High), j.Confidence, j.Method}
	return nil
}

type estimateJSON struct {
	Value      *float64 `json:"value"`
	Low        *float64 `json:"low"`
	High       *float64 `json:"high"`
	Confidence float64  `json:"confidence"`
	Method     string   `json:"method,omitempty"`
}

// Probability is 0 to 1; NaN, and null in JSON, is not known.
type Probability float64

// MarshalJSON writes null for NaN.
func (p Probability) MarshalJSON() ([]byte, error) { return json.Marshal(orNull(float64(p))) }

// UnmarshalJSON reads what MarshalJSON writes.
func (p *Probability) UnmarshalJSON(data []byte) error {
	var v *float64
	if err := json.Unmarshal(data, &v); err != nil {
		return err
	}
	*p = Probability(orNaN(v))
	return nil
}

func orNull(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func orNaN(v *float64) float64 {
	if v == nil {
		return math.NaN()
	}
	return *v
}

func usualConfidence(c float64) float64 {
	if c > 0 && c < 1 {
		return c
	}
	return DefaultConfidence
}

// Wilson is the score interval of a share without continuity correction, for x
// of n (Wilson 1927; e-Handbook 7.2.4.1), as shares of 1. Numbers need not be
// whole: they may be effective ones. n not above 0, x not within 0 and n, NaN,
// an infinite n, or a confidence not between 0 and 1 gives 0 and 1: nothing is
// known.
func Wilson(x, n, confidence float64) (low, high float64) {
	if !trials(x, n) || !(confidence > 0 && confidence < 1) {
		return 0, 1
	}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	p := x / n
	middle := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	low, high = max(0, middle-half), min(1, middle+half)
	if x == 0 { // exactly, not but for rounding
		low = 0
	}
	if x == n {
		high = 1
	}
	return low, high
}

// ClopperPearson is the exact interval of a share for x of n (Clopper and
// Pearson 1934; e-Handbook 7.2.4.1), as shares of 1. Its ends at confidence
// 0.90 are the one-sided 95 % bounds. Inputs as for [Wilson].
func ClopperPearson(x, n, confidence float64) (low, high float64) {
	if !(confidence > 0 && confidence < 1) {
		return 0, 1
	}
	tail := (1 - confidence) / 2
	return exactLow(x, n, tail), exactHigh(x, n, tail)
}

// AtLeast is the share that is reached with the confidence given: the exact
// one-sided lower bound of x of n. Inputs as for [Wilson]; what cannot be used
// gives 0.
func AtLeast(x, n, confidence float64) float64 {
	if !(confidence > 0 && confidence < 1) {
		return 0
	}
	return exactLow(x, n, 1-confidence)
}

// AtMost is the share that is not exceeded with the confidence given: the
// exact one-sided upper bound of x of n. Inputs as for [Wilson]; what cannot be
// used gives 1.
func AtMost(x, n, confidence float64) float64 {
	if !(confidence > 0 && confidence < 1) {
		return 1
	}
	return exactHigh(x, n, 1-confidence)
}

func trials(x, n float64) bool { return n > 0 && !math.IsInf(n, 1) && x >= 0 && x <= n }

func exactLow(x, n, tail float64) float64 {
	if !trials(x, n) || x == 0 {
		return 0
	}
	return betaQuantile(x, n-x+1, tail)
}

func exactHigh(x, n, tail float64) float64 {
	if !trials(x, n) || x == n {
		return 1
	}
	return 1 - betaQuantile(n-x, x+1, tail) // the tail that keeps its digits
}

// betaQuantile is the p quantile of the beta distribution, gonum's sharpened by
// Newton steps on the same distribution's integral.
func betaQuantile(a, b, p float64) float64 {
	x := mathext.InvRegIncBeta(a, b, p)
	for range 3 {
		if !(x > 0 && x < 1) {
			return x
		}
		density := math.Exp((a-1)*math.Log(x) + (b-1)*math.Log1p(-x) - mathext.Lbeta(a, b))
		step := (mathext.RegIncBeta(a, b, x) - p) / density
		if math.IsNaN(step) || !(x-step > 0 && x-step < 1) || math.Abs(step) > 0.01*x {
			return x
		}
		x -= step
		if math.Abs(step) <= 1e-15*x {
			break
		}
	}
	return x
}

// Newcombe is the interval of p1 - p2 for x1 of n1 against x2 of n2, made of
// two Wilson intervals (Newcombe 1998, method 10; it stays within -1..+1 and
// needs no large numbers), as shares of 1. Inputs as for [Wilson]; what cannot
// be used gives -1 and 1.
func Newcombe(x1, n1, x2, n2, confidence float64) (low, high float64) {
	if !trials(x1, n1) || !trials(x2, n2) || !(confidence > 0 && confidence < 1) {
		return -1, 1
	}
	p1, p2 := x1/n1, x2/n2
	l1, u1 := Wilson(x1, n1, confidence)
	l2, u2 := Wilson(x2, n2, confidence)
	d := p1 - p2
	return d - math.Hypot(p1-l1, u2-p2), d + math.Hypot(u1-p1, p2-l2)
}

// Poisson is the exact interval of the expected count where count were seen
// (Garwood 1936). A count below 0, NaN or infinite, or a confidence not between
// 0 and 1 gives 0 and +Inf.
func Poisson(count, confidence float64) (low, high float64) {
	if !(count >= 0) || math.IsInf(count, 1) || !(confidence > 0 && confidence < 1) {
		return 0, math.Inf(1)
	}
	tail := (1 - confidence) / 2
	if count > 0 {
		low = mathext.GammaIncRegInv(count, tail)
	}
	return low, mathext.GammaIncRegCompInv(count+1, tail)
}

// SigmaShift is what the sigma level adds to the quantile of the normal
// distribution: 1.5. It is a convention, not a finding: it supposes that the
// mean of a process wanders that far in the long run, whatever the process, and
// it is why "six sigma" means 3.4 defects in a million and not 0.001.
const SigmaShift = 1.5

// SigmaLevel is the sigma level of a share of defects dpo (per opportunity),
// the normal quantile of 1 - dpo plus [SigmaShift]. It says nothing that dpo
// does not say. 0 gives +Inf, 1 gives -Inf, NaN and what is no share NaN.
func SigmaLevel(dpo float64) float64 {
	if !(dpo >= 0 && dpo <= 1) {
		return math.NaN()
	}
	return SigmaShift - distuv.UnitNormal.Quantile(dpo) // keeps the digits of a small dpo
}

// DefectsPerMillion is the inverse of [SigmaLevel], times a million: 6 gives
// 3.4. NaN gives NaN.
func DefectsPerMillion(sigma float64) float64 {
	return 1e6 * 0.5 * math.Erfc((sigma-SigmaShift)/math.Sqrt2)
}

// Percent is a share for people: 0.9 as "90.0 %". It has one digit after the
// point, or as many more as it takes that what is not all does not read 100 %
// and what is not nothing does not read 0 %: 0.99996 is "99.996 %". Beyond six
// digits it says "over" or "under"; NaN is "not known".
func Percent(share float64) string { return PercentDigits(share, 1) }

// PercentDigits is [Percent] with so many digits, or more.
func PercentDigits(share float64, digits int) string {
	if math.IsNaN(share) || math.IsInf(share, 0) {
		return "not known"
	}
	if share == 0 {
		share = 0 // no sign
	}
	shown := strconv.FormatFloat(100*share, 'f', digitsNeeded(share, digits), 64)
	if overdone(share, shown) {
		switch {
		case share > 0.5:
			return "over 99.999999 %"
		case share > 0:
			return "under 0.000001 %"
		}
		return "between -0.000001 % and 0 %"
	}
	return shown + " %"
}

// digitsNeeded is how many digits after the point a percentage needs, so many
// at least and six at most, that it does not read 0 or 100 and is not.
func digitsNeeded(share float64, digits int) int {
	const most = 6
	digits = min(max(digits, 0), most)
	for digits < most && overdone(share, strconv.FormatFloat(100*share, 'f', digits, 64)) {
		digits++
	}
	return digits
}

// overdone says that a percentage was rounded to 0 or 100 and is not.
func overdone(share float64, shown string) bool {
	v, err := strconv.ParseFloat(shown, 64)
	return err == nil && (v == 0 && share != 0 || v == 100 && share < 1)
}
