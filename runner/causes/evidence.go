package causes

import (
	"slices"

	"fullthrow/reports"
)

// alike is how many readings of one pattern are told; the rest is a number.
const alike = 2

// evidence is what speaks for a rule that fits, failed readings first, and last
// what speaks against it.
func (x *rule) evidence(s *readings) []reports.Evidence {
	var broken, normal, against []reports.Evidence
	seen := map[string]bool{}
	for _, list := range [][]condition{x.all, x.any, x.for_} {
		for _, k := range list {
			names, ok := k.of(s)
			if !ok {
				continue
			}
			told := k.evidence(s, names, seen)
			if len(names) > 0 && hasFailed(s.by[names[0]]) {
				broken = append(broken, told...)
			} else {
				normal = append(normal, told...)
			}
		}
	}
	for _, k := range x.against {
		if names, ok := k.of(s); ok {
			for _, e := range k.evidence(s, names, seen) {
				e.Against = true
				against = append(against, e)
			}
		}
	}
	if x.taught.ranked > 0 {
		if e := x.taught.evidence(); e.Against {
			against = append(against, e)
		} else {
			normal = append(normal, e)
		}
	}
	return slices.Concat(broken, normal, against)
}

// evidence tells a condition that holds; readings already told are left out.
func (k condition) evidence(s *readings, names []string, seen map[string]bool) []reports.Evidence {
	if k.is == absent {
		return []reports.Evidence{{Reading: k.reading, Relation: reports.Missing}}
	}
	names = slices.DeleteFunc(slices.Clone(names), func(n string) bool { return seen[n] })
	var told []reports.Evidence
	for i, n := range names {
		seen[n] = true
		if i < alike {
			told = append(told, k.about(s.by[n], s.convert))
		}
	}
	if more := len(names) - alike; more > 0 {
		told[len(told)-1].More = more
	}
	return told
}

// about tells one reading of which the condition is true.
func (k condition) about(r reports.Reading, convert Convert) reports.Evidence {
	switch {
	case hasFailed(r):
		return reports.EvidenceOf(r, reports.Outside, r.Limit)
	case k.is == kept:
		return reports.EvidenceOf(r, reports.Within, nil)
	}
	edge := func(q *float64) *float64 {
		if q == nil {
			return nil
		}
		x, err := convert(*q, k.unit, r.Unit)
		if err != nil {
			return nil
		}
		return &x
	}
	l := reports.Limit{Lower: edge(k.above), Upper: edge(k.below)}
	switch {
	case l.Lower != nil && l.Upper != nil:
		return reports.EvidenceOf(r, reports.Between, &l)
	case l.Lower != nil:
		return reports.EvidenceOf(r, reports.Above, &l)
	}
	return reports.EvidenceOf(r, reports.Below, &l)
}
