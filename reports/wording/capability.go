package wording

import "fullthrow/reports/yield"

// index is an index with its interval: "Cpk 1.50 (1.35 to 1.65)".
func index(t *Translator, s *yield.CapabilityStudy) string {
	e := s.Decisive()
	if e == nil {
		return ""
	}
	name := "Ppk"
	if s.Index == "cpk" && s.State != yield.CapabilityByPercent {
		name = "Cpk"
	}
	fixed := func(v float64) string { return t.Fixed(v, 2) }
	return brackets(t, name+nbsp+fixed(e.Value), Range(t, e.Low, e.High, fixed))
}

// CapabilityVerdict is what a study says, in a sentence.
func CapabilityVerdict(t *Translator, s *yield.CapabilityStudy) string {
	id := "figures.capability." + string(s.State)
	switch {
	case s.State == yield.CapabilityNone && s.Problem != nil:
		return t.T(id, "why", Remark(t, *s.Problem))
	case s.State == yield.CapabilityByPercent && (s.Percentile == nil || s.Percentile.Ppk == nil):
		return t.T("figures.capability.percentile_none")
	case s.State == yield.CapabilityByPercent && s.Percentile.AtMost:
		return t.T("figures.capability.percentile_most", "index", "Ppk"+nbsp+t.Fixed(s.Percentile.Ppk.Value, 2))
	}
	return t.T(id, "index", index(t, s), "usual", t.Fixed(yield.IndexGood, 2))
}

// CapabilityMeans is what that means, and what to do: a sentence each.
func CapabilityMeans(t *Translator, s *yield.CapabilityStudy) []string {
	if s.Problem != nil {
		return nil
	}
	var out []string
	switch s.State {
	case yield.CapabilityMoot:
		out = append(out, t.T("figures.capability.look_when"))
	case yield.CapabilityByPercent:
	default:
		e := s.Expected
		out = append(out, t.T("figures.capability.expected", "share", t.PerMillion(e.Value), "low", t.PerMillion(e.Low),
			"high", t.PerMillion(e.High)))
		if by, ok := s.Recentre(); ok {
			out = append(out, t.T("figures.capability.off_centre", "by", t.Quantity(by, s.Unit), "value",
				t.Fixed(s.Cp.Value, 2)))
		}
	}
	if o := s.Observed; o != nil {
		out = append(out, t.T("figures.capability.observed", "part", o.Count, "all", s.N, "share", t.Share(o.Value),
			"low", t.Share(o.Low), "high", t.Share(o.High)))
	}
	return out
}

// CapabilityBasis is what the verdict rests on, where there is something: the
// shape of the values, and whether they hold still.
func CapabilityBasis(t *Translator, s *yield.CapabilityStudy) []string {
	var out []string
	if s.Normality.N > 0 {
		out = append(out, Shape(t, s.Normality))
	}
	if s.Stability.Points > 0 {
		out = append(out, Stability(t, s.Stability))
	}
	return out
}

// fewForShape is below how many values only a gross departure shows.
const fewForShape = 50

// Shape is what the shape of values is, in a sentence.
func Shape(t *Translator, n yield.Normality) string {
	look := ""
	if n.Look != "" {
		look = t.T("figures.look."+string(n.Look), "times", t.Fixed(n.Reach, 2))
	}
	switch {
	case n.Coarse:
		return t.T("figures.shape.coarse", "count", n.Distinct)
	case n.Shape == yield.ShapeNormal && n.N < fewForShape:
		return t.T("figures.shape.normal_few", "count", n.N)
	}
	return t.T("figures.shape."+string(n.Shape), "look", look)
}

// Stability is what a process does over time, in a sentence.
func Stability(t *Translator, s yield.Stability) string {
	id := "figures.stability." + string(s.State)
	if s.Reason != "" {
		id += "_" + string(s.Reason)
	}
	times := ""
	if s.Ratio != nil {
		times = t.Fixed(*s.Ratio, 2)
	}
	count := any(s.Signals)
	if s.Reason == yield.ReasonFew {
		count = s.Points
	}
	return t.T(id, "count", count, "points", s.Points, "chance", t.Digits(s.Chance, 2), "times", times)
}
