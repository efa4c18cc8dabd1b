package causes

import (
	"cmp"
	"math"
	"path"
	"slices"
	"strings"

	"fullthrow/reports"
)

const (
	// most is how many causes are worth a technician's time.
	most = 5
	// ceiling is the highest confidence: a rule file is experience, no proof.
	ceiling = 0.95
	// floor leaves out what hardly anybody would look at.
	floor = 0.05
)

// Rank lists the likely causes of what the readings of a failed unit show, the
// likeliest first, at most five; of equals the one that explains more comes
// first, then the one that stands first in the file. nil where no rule fits,
// where no reading failed, and for nil Rules. Of readings taken twice under
// one name the last counts. A reading that could not be judged (verdict error)
// is neither kept nor failed; a value that is not finite is neither above nor
// below anything.
func (r *Rules) Rank(readings []reports.Reading) []reports.Cause {
	if r == nil {
		return nil
	}
	set := newReadings(readings, r.convert)
	fits := r.fits(set)
	for i := range fits {
		fits[i].weight *= fits[i].taught.ratio
	}
	var list []reports.Cause
	for i, f := range fits {
		sum := f.weight + r.other
		for j, g := range fits {
			if i != j && common(f.explains, g.explains) {
				sum += g.weight
			}
		}
		c := math.Min(ceiling, f.weight/sum)
		if !(c >= floor) {
			continue
		}
		list = append(list, reports.Cause{Rule: f.name, Cause: f.cause, Where: f.where, Part: f.part,
			Inspect:    f.inspect,
			Confidence: math.Round(c*1000) / 1000, Evidence: f.evidence(set), Explains: f.explains})
	}
	slices.SortStableFunc(list, func(a, b reports.Cause) int {
		return cmp.Or(cmp.Compare(b.Confidence, a.Confidence), cmp.Compare(len(b.Explains), len(a.Explains)))
	})
	return list[:min(len(list), most)]
}

// fit is a rule that fits what the readings show.
type fit struct {
	*rule
	weight   float64 // by the file
	explains []string
}

// fits lists the rules that fit and explain a reading that failed.
func (r *Rules) fits(set *readings) []fit {
	var list []fit
	for i := range r.list {
		x := &r.list[i]
		weight, ok := x.weigh(set)
		if !ok {
			continue
		}
		explains := x.explained(set)
		if len(explains) == 0 {
			continue // nothing of it failed: there is nothing to explain
		}
		list = append(list, fit{x, weight, explains})
	}
	return list
}

func common(a, b []string) bool {
	return slices.ContainsFunc(a, func(s string) bool { return slices.Contains(b, s) })
}

// readings are those of one unit, by name.
type readings struct {
	convert Convert
	order   []string
	by      map[string]reports.Reading
}

func newReadings(list []reports.Reading, convert Convert) *readings {
	s := &readings{convert: convert, by: map[string]reports.Reading{}}
	for _, r := range list {
		full := r.Check + "." + r.Name
		if _, twice := s.by[full]; !twice {
			s.order = append(s.order, full)
		}
		s.by[full] = r
	}
	return s
}

// match lists the readings that a pattern names.
func (s *readings) match(pattern string) []string {
	if !strings.Contains(pattern, "*") {
		if _, ok := s.by[pattern]; ok {
			return []string{pattern}
		}
		return nil
	}
	var names []string
	for _, n := range s.order {
		if ok, _ := path.Match(pattern, n); ok {
			names = append(names, n)
		}
	}
	return names
}

func hasFailed(r reports.Reading) bool {
	return r.Verdict == reports.Fail || r.Verdict == reports.Inconclusive
}

// of lists the readings of which the condition is true, and says whether these
// are enough for it to hold. An absent reading holds with an empty list.
func (k condition) of(s *readings) (names []string, holds bool) {
	all := s.match(k.reading)
	if k.is == absent {
		return nil, len(all) == 0
	}
	for _, n := range all {
		if k.says(s.by[n], s.convert) {
			names = append(names, n)
		}
	}
	return names, len(names) >= k.count
}

// says is whether the condition is true of one reading that is there.
func (k condition) says(r reports.Reading, convert Convert) bool {
	x, isNumber := r.Value.Number()
	isNumber = isNumber && !math.IsNaN(x) && !math.IsInf(x, 0)
	switch k.is {
	case failed:
		return hasFailed(r)
	case kept:
		return r.Verdict == reports.Pass
	case tooHigh:
		return hasFailed(r) && isNumber && r.Limit != nil && r.Limit.Upper != nil &&
			(x > *r.Limit.Upper || r.Bound == "more" && x >= *r.Limit.Upper)
	case tooLow:
		return hasFailed(r) && isNumber && r.Limit != nil && r.Limit.Lower != nil &&
			(x < *r.Limit.Lower || r.Bound == "less" && x <= *r.Limit.Lower)
	case absent:
		return false
	}
	if !isNumber {
		return false
	}
	if k.above != nil {
		a, err := convert(*k.above, k.unit, r.Unit)
		if err != nil || r.Bound == "less" || !(x > a || r.Bound == "more" && x >= a) {
			return false
		}
	}
	if k.below != nil {
		b, err := convert(*k.below, k.unit, r.Unit)
		if err != nil || r.Bound == "more" || !(x < b || r.Bound == "less" && x <= b) {
			return false
		}
	}
	return true
}

// weigh is the weight of a rule, and whether it fits.
func (x *rule) weigh(s *readings) (float64, bool) {
	holds := func(k condition) bool { _, ok := k.of(s); return ok }
	for _, k := range x.all {
		if !holds(k) {
			return 0, false
		}
	}
	if len(x.any) > 0 && !slices.ContainsFunc(x.any, holds) || slices.ContainsFunc(x.none, holds) {
		return 0, false
	}
	w := x.often
	for _, k := range x.for_ {
		if holds(k) {
			w *= k.times
		}
	}
	for _, k := range x.against {
		if holds(k) {
			w /= k.times
		}
	}
	return w, true
}

// explained lists the failed readings that the cause accounts for.
func (x *rule) explained(s *readings) []string {
	named := map[string]bool{}
	for _, list := range [][]condition{x.all, x.any, x.for_} {
		for _, k := range list {
			names, _ := k.of(s)
			for _, n := range names {
				named[n] = true
			}
		}
	}
	for _, p := range x.explains {
		for _, n := range s.match(p) {
			named[n] = true
		}
	}
	var names []string
	for _, n := range s.order {
		if named[n] && hasFailed(s.by[n]) {
			names = append(names, n)
		}
	}
	return names
}

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
