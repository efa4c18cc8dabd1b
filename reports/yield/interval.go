package yield

import (
	"encoding/json"
	"math"

	"fullthrow/reports/statistics"
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
	return newShare(count, of, confidence, MethodWilson, statistics.Wilson)
}

// GuaranteedShare is a share with the interval of Clopper and Pearson.
func GuaranteedShare(count, of int64, confidence float64) Share {
	return newShare(count, of, confidence, MethodClopperPearson, statistics.ClopperPearson)
}

func newShare(count, of int64, confidence float64, method string, ends func(x, n, c float64) (low,
	high float64)) Share {
	s := Share{Count: count, Of: of, Value: math.NaN(), High: 1, Confidence: usualConfidence(confidence),
		Method: method}
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

// JSONShape is what [Share.MarshalJSON] writes.
func (Share) JSONShape() any { return shareJSON{} }

// JSONShape is what [Estimate.MarshalJSON] writes.
func (Estimate) JSONShape() any { return estimateJSON{} }

// JSONShape is what [Probability.MarshalJSON] writes.
func (Probability) JSONShape() any { return (*float64)(nil) }

// MarshalJSON writes null for a value that is not known.
func (s Share) MarshalJSON() ([]byte, error) {
	return json.Marshal(shareJSON{s.Count, s.Of, orNull(s.Value), orNull(s.Low), orNull(s.High), s.Confidence,
		s.Method})
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
	return SigmaShift - statistics.NormalQuantile(dpo) // keeps the digits of a small dpo
}

// DefectsPerMillion is the inverse of [SigmaLevel], times a million: 6 gives
// 3.4. NaN gives NaN.
func DefectsPerMillion(sigma float64) float64 {
	return 1e6 * 0.5 * math.Erfc((sigma-SigmaShift)/math.Sqrt2)
}
