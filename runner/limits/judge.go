package limits

import (
	"cmp"
	"math"

	"fullthrow/reports"
)

// Indication is a reading as a script gives it, before it is judged.
type Indication struct {
	Value reports.Value
	Unit  string // as the script wrote it: "mA"; "" for true/false, text and plain numbers
	// Bound is "more" or "less" where only one side of the value is known.
	Bound string
	// Uncertainty is expanded (k = 2), in Unit; 0: not stated.
	Uncertainty float64
}

// Judge judges one reading. The result carries value, uncertainty and limit in
// the unit without prefix of the indication ("mA" is recorded in A), the
// verdict, and in Problem the reason of an error or inconclusive verdict.
//
// Answers to special inputs: no value, NaN, infinity, an unknown unit, a unit
// with a value that is no number, a negative or non-finite uncertainty, an
// unknown bound: error, with or without limit. No limit of that name:
// unlimited. Another dimension or another kind of value than the limit's:
// error. An inconclusive verdict is an error instead where the file says
// inconclusive = "error"; it is never a pass.
//
// Conformance is given for a number with an uncertainty and a lower or upper
// limit, whatever the decision rule: 1 and 0 mean so but for rounding.
func (s *Set) Judge(check, name string, in Indication) reports.Reading {
	r := reports.Reading{Check: check, Name: name, Value: in.Value, Bound: in.Bound}
	var l *limit
	if s != nil {
		l = s.limits[check+"."+name]
	}
	fail := func(why reports.Reason) reports.Reading {
		r.Verdict, r.Problem = reports.Error, &why
		return r
	}
	bare := func(code reports.Code) reports.Reading { return fail(reports.Reason{Code: code}) }
	x, numeric := in.Value.Number()
	var from unit
	if numeric {
		var err error
		if from, err = parseUnit(in.Unit); err != nil {
			r.Unit = in.Unit
			return fail(reports.Reason{Code: reports.UnknownUnit, Unit: in.Unit, Text: unitHint(in.Unit)})
		}
		base := from.baseUnit()
		x = convert(x, from, base)
		r.Value, r.Unit = reports.Number(x), from.base
		r.Uncertainty = width(in.Uncertainty, from, base)
	}
	// The limit goes with the reading even where no verdict comes of it, as
	// long as it can be stated in the reading's unit.
	if l != nil && (!numeric || l.sort() == "numbers" && from.dimension == l.unit.dimension) {
		r.Limit = l.in(from, numeric)
		if !numeric && l.sort() == "numbers" {
			r.Unit = l.unit.base
		}
		if numeric && l.rule == Guarded {
			r.Limit.Guard = l.guard * r.Uncertainty
		}
	}
	switch {
	case in.Value.IsNone():
		return bare(reports.NoValue)
	case numeric && math.IsNaN(x):
		return bare(reports.NotANumber)
	case numeric && math.IsInf(x, 0):
		return bare(reports.NotFinite)
	case math.IsNaN(in.Uncertainty) || math.IsInf(in.Uncertainty, 0) || in.Uncertainty < 0:
		r.Uncertainty = 0
		return bare(reports.BadUncertainty)
	case in.Bound != "" && in.Bound != "more" && in.Bound != "less":
		return fail(reports.Reason{Code: reports.UnknownBound, Text: in.Bound})
	case !numeric && in.Unit != "":
		return fail(reports.Reason{Code: reports.UnitWithoutNumber, Unit: in.Unit})
	case !numeric && in.Bound != "":
		return fail(reports.Reason{Code: reports.BoundWithoutNumber, Text: in.Bound})
	case !numeric && in.Uncertainty != 0:
		return bare(reports.UncertaintyOfNone)
	case l == nil:
		r.Verdict = reports.Unlimited
		return r
	}
	if want := l.sort(); want != sortOf(in.Value) {
		return fail(reports.Reason{Code: reports.OtherKind, Kind: want, Text: in.Value.String()})
	}
	if numeric && from.dimension != l.unit.dimension {
		return fail(reports.Reason{Code: reports.OtherDimension, Unit: in.Unit, LimitUnit: l.symbol})
	}
	if (l.lower != nil || l.upper != nil) && l.rule == Guarded && in.Uncertainty == 0 {
		return bare(reports.UncertaintyMissing)
	}
	verdict, why := r.Limit.Judge(r.Value, in.Bound)
	if r.Verdict = verdict; why != "" {
		r.Problem = &reports.Reason{Code: why}
	}
	if l.lower != nil || l.upper != nil {
		r.Conformance = conformance(x, r)
	}
	if r.Verdict == reports.Inconclusive && s.inconclusive == ToError {
		fail(reports.Reason{Code: reports.InconclusiveIsError, Because: []reports.Reason{*r.Problem}})
	}
	if r.Verdict == reports.Fail {
		r.Cause, r.Inspect = l.cause, l.inspect
		above := r.Limit.Upper != nil && (x > *r.Limit.Upper || r.Bound == "more" && x >= *r.Limit.Upper)
		below := r.Limit.Lower != nil && (x < *r.Limit.Lower || r.Bound == "less" && x <= *r.Limit.Lower)
		switch {
		case above:
			r.Cause, r.Inspect = cmp.Or(l.causeAbove, l.cause), cmp.Or(l.inspectAbove, l.inspect)
		case below:
			r.Cause, r.Inspect = cmp.Or(l.causeBelow, l.cause), cmp.Or(l.inspectBelow, l.inspect)
		}
	}
	return r
}

// sort is the kind of value that the limit is for.
func (l *limit) sort() string {
	switch {
	case l.equal != nil:
		return sortOf(*l.equal)
	case len(l.oneOf) > 0:
		return sortOf(l.oneOf[0])
	}
	return "numbers"
}

// in is the limit for the record: in the reading's unit without prefix, which
// must be of the limit's dimension, or where the reading is no number in the
// limit's own unit without prefix.
func (l *limit) in(from unit, numeric bool) *reports.Limit {
	base := l.unit.baseUnit()
	if numeric {
		base = from.baseUnit()
	}
	number := func(p *float64) *float64 {
		if p == nil {
			return nil
		}
		x := convert(*p, l.unit, base)
		return &x
	}
	value := func(v reports.Value) reports.Value {
		if x, ok := v.Number(); ok {
			return reports.Number(convert(x, l.unit, base))
		}
		return v
	}
	out := &reports.Limit{Lower: number(l.lower), Upper: number(l.upper), Rule: l.rule, Why: l.why}
	if l.equal != nil {
		v := value(*l.equal)
		out.Equal = &v
	}
	for _, v := range l.oneOf {
		out.OneOf = append(out.OneOf, value(v))
	}
	return out
}
