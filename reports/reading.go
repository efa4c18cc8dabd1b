package reports

// Miss says in words how a reading missed its limit: "15.3 µA, above 12 µA".
// For a reading that passed or was not judged it is the value alone.
func (rd Reading) Miss() string {
	show := func(v Value) string {
		if x, ok := v.Number(); ok {
			return FormatQuantity(x, rd.Unit)
		}
		return v.String()
	}
	value := show(rd.Value)
	switch rd.Bound {
	case "more":
		value = "more than " + value
	case "less":
		value = "less than " + value
	}
	l := rd.Limit
	if l == nil || rd.Verdict != Fail && rd.Verdict != Inconclusive {
		return value
	}
	x, isNumber := rd.Value.Number()
	switch {
	case isNumber && l.Upper != nil && x > *l.Upper:
		return value + ", above " + FormatQuantity(*l.Upper, rd.Unit)
	case isNumber && l.Lower != nil && x < *l.Lower:
		return value + ", below " + FormatQuantity(*l.Lower, rd.Unit)
	case isNumber && l.Guard > 0 && (l.Upper != nil || l.Lower != nil):
		return value + ", inside the limit but within its guard band"
	case isNumber && (l.Upper != nil || l.Lower != nil):
		return value + ", not shown to be within " + l.String(rd.Unit)
	case l.Equal != nil:
		return value + ", not " + show(*l.Equal)
	case len(l.OneOf) > 0:
		return value + ", not " + l.String(rd.Unit)
	}
	return value
}

// String writes the limit in words: "1 µA to 12 µA", "at most 8 ms",
// "exactly yes", "one of a, b".
func (l *Limit) String(unit string) string {
	show := func(v Value) string {
		if x, ok := v.Number(); ok {
			return FormatQuantity(x, unit)
		}
		return v.String()
	}
	switch {
	case l == nil:
		return "no limit"
	case l.Lower != nil && l.Upper != nil:
		return FormatQuantity(*l.Lower, unit) + " to " + FormatQuantity(*l.Upper, unit)
	case l.Upper != nil:
		return "at most " + FormatQuantity(*l.Upper, unit)
	case l.Lower != nil:
		return "at least " + FormatQuantity(*l.Lower, unit)
	case l.Equal != nil:
		return "exactly " + show(*l.Equal)
	case len(l.OneOf) > 0:
		s := "one of "
		for i, v := range l.OneOf {
			if i > 0 {
				s += ", "
			}
			s += show(v)
		}
		return s
	}
	return "no limit"
}
