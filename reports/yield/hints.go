package yield

import (
	"cmp"
	"slices"
)

// NoFaultFound is the finding that nothing was wrong with the unit, as in a
// repair.
const NoFaultFound = "no-fault-found"

// RepairRow is what a repair says about the hint that came with the failure.
type RepairRow struct {
	Suggested string // the rule that was ranked first, "" if there was none
	Found     string // what was found: a rule, [NoFaultFound], or a finding without a rule
	Rule      bool   // Found is a rule
}

// HintStudy says how good the hints for causes were, by what repairs found.
type HintStudy struct {
	Repairs      int64 `json:"repairs"`
	NoFaultFound int64 `json:"no_fault_found"`
	NoHint       int64 `json:"no_hint"` // repairs of failures without a hint
	// Right is how many hints were right, of those that were given. One after
	// which nothing was found counts as wrong: it sent a technician looking.
	Right Share `json:"right"`
	// Rules is the same for each rule, those suggested most first.
	Rules []HintRule `json:"rules"`
	// NoRule is what was found that no rule speaks of, most first; without
	// NoFaultFound. A line that grows wants a rule of its own.
	NoRule []FindingCount `json:"no_rule"`
	// Confused are hints that were wrong, by what was found in place of them,
	// most first.
	Confused []Confusion `json:"confused"`
}

// HintRule is how good the hints of one rule were.
type HintRule struct {
	Rule  string `json:"rule"`
	Right Share  `json:"right"` // of the repairs for which it was suggested
	Found int64  `json:"found"` // repairs that found it, whatever had been suggested
	// Missed are those of them for which something else, or nothing, had been
	// suggested.
	Missed int64 `json:"missed"`
}

// FindingCount is how often something was found.
type FindingCount struct {
	Found string `json:"found"`
	Count int64  `json:"count"`
}

// Confusion is how often one thing was suggested and another found.
type Confusion struct {
	Suggested string `json:"suggested"`
	Found     string `json:"found"`
	Count     int64  `json:"count"`
}

// StudyHints compares what was suggested with what was found. No rows give
// shares that are not known. Rows with an empty Found are left out. Equals are
// in the order of the alphabet.
func StudyHints(rows []RepairRow, confidence float64) HintStudy {
	var s HintStudy
	type tally struct{ suggested, right, found, missed int64 }
	rules := map[string]*tally{}
	of := func(rule string) *tally {
		if rules[rule] == nil {
			rules[rule] = &tally{}
		}
		return rules[rule]
	}
	free := map[string]int64{}
	confused := map[[2]string]int64{}
	right := int64(0)
	for _, r := range rows {
		if r.Found == "" {
			continue
		}
		s.Repairs++
		switch {
		case r.Found == NoFaultFound:
			s.NoFaultFound++
		case r.Rule:
			of(r.Found).found++
			if r.Found != r.Suggested {
				of(r.Found).missed++
			}
		default:
			free[r.Found]++
		}
		switch {
		case r.Suggested == "":
			s.NoHint++
		case r.Suggested == r.Found:
			of(r.Suggested).suggested++
			of(r.Suggested).right++
			right++
		default:
			of(r.Suggested).suggested++
			confused[[2]string{r.Suggested, r.Found}]++
		}
	}
	s.Right = NewShare(right, s.Repairs-s.NoHint, confidence)
	for name, t := range rules {
		s.Rules = append(s.Rules, HintRule{Rule: name, Right: NewShare(t.right, t.suggested, confidence),
			Found: t.found, Missed: t.missed})
	}
	slices.SortFunc(s.Rules, func(a, b HintRule) int {
		return cmp.Or(cmp.Compare(b.Right.Of, a.Right.Of), cmp.Compare(b.Found, a.Found), cmp.Compare(a.Rule, b.Rule))
	})
	for name, n := range free {
		s.NoRule = append(s.NoRule, FindingCount{name, n})
	}
	slices.SortFunc(s.NoRule, func(a, b FindingCount) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Found, b.Found))
	})
	for pair, n := range confused {
		s.Confused = append(s.Confused, Confusion{pair[0], pair[1], n})
	}
	slices.SortFunc(s.Confused, func(a, b Confusion) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Suggested, b.Suggested),
			cmp.Compare(a.Found, b.Found))
	})
	return s
}
