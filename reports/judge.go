package reports

import "math"

// Judge applies the limit's decision rule to a value, of which with bound
// ("more", "less") only one side is known. It is the only place where a value
// becomes a verdict: limits judge by it, and readers judge again by it.
//
// A limit of neither bound nor value, a value of another kind than the limit's, no
// value, and a number that is not finite give Error without a code.
func (l Limit) Judge(v Value, bound string) (Verdict, Code) {
	x, numeric := v.Number()
	switch {
	case v.IsNone() || math.IsNaN(x) || math.IsInf(x, 0):
		return Error, ""
	case l.Equal != nil || len(l.OneOf) > 0:
		return l.judgeList(v, bound)
	case !numeric || l.Lower == nil && l.Upper == nil:
		return Error, ""
	}
	return judgeRange(x, bound, l.Lower, l.Upper, l.Guard)
}

// judgeRange applies the decision rule with the guard band w on both sides; w
// is 0 for simple acceptance.
func judgeRange(x float64, bound string, lower, upper *float64, w float64) (Verdict, Code) {
	// Every value the reading allows lies in [from, to]; an open end that
	// touches a limit from outside is outside.
	switch bound {
	case "more":
		switch {
		case upper != nil && x >= *upper+w:
			return Fail, ""
		case upper == nil && x >= *lower+w:
			return Pass, ""
		}
		return Inconclusive, OnlyMore
	case "less":
		switch {
		case lower != nil && x <= *lower-w:
			return Fail, ""
		case lower == nil && x <= *upper-w:
			return Pass, ""
		}
		return Inconclusive, OnlyLess
	}
	switch {
	case lower != nil && x < *lower-w, upper != nil && x > *upper+w:
		return Fail, ""
	case (lower == nil || x >= *lower+w) && (upper == nil || x <= *upper-w):
		return Pass, ""
	}
	if lower != nil && upper != nil && *lower+w > *upper-w {
		return Inconclusive, UncertaintyTooLarge
	}
	return Inconclusive, NearLimit
}

func (l Limit) judgeList(v Value, bound string) (Verdict, Code) {
	allowed := l.OneOf
	if l.Equal != nil {
		allowed = []Value{*l.Equal}
	}
	possible := false
	for _, a := range allowed {
		if bound == "" && v.Equal(a) {
			return Pass, ""
		}
		x, _ := v.Number()
		y, _ := a.Number()
		if bound == "more" && y > x || bound == "less" && y < x {
			possible = true
		}
	}
	if possible {
		return Inconclusive, OneSided
	}
	return Fail, ""
}
