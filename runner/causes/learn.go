package causes

import (
	"math"
	"slices"

	"fullthrow/reports"
)

// Case is a unit that was repaired: what its failed run showed, and what turned
// out to be wrong with it.
type Case struct {
	Readings  []reports.Reading // of the failed run
	Suggested string            // the rule that its report had ranked first, "" if none
	Found     string            // the rule that the repair proved right; whatever else was found is none
}

const (
	// standing is how many repairs the file's own weights count for: that many
	// must say otherwise before a weight has moved half of its way.
	standing = 5.0
	// reach is how far repairs can move a weight, up and down.
	reach = 8.0
	// steps and still end the search: it closes in steadily, and the third
	// digit of a guess is worth nothing.
	steps = 500
	still = 1e-4
)

// experience is what repairs have taught about a rule.
type experience struct {
	ratio         float64 // the weight is multiplied by it; 1 is as in the file
	ranked, right int     // repairs for which it was ranked first, and at which it was found
}

// Learn is the same rules with weights that repairs have moved: see "What
// repairs teach" in the package's comment. The rules themselves stay as they
// are. Without a case, the answer is as the file says; nil Rules learn nothing.
// The order of the cases does not matter.
func (r *Rules) Learn(cases []Case) *Rules {
	if r == nil || len(cases) == 0 {
		return r
	}
	names := r.Names()
	taught := make([]experience, len(names))
	for i := range taught {
		taught[i].ratio = 1
	}
	found := make([]float64, len(names))
	var choices []choice
	for _, c := range cases {
		if i := slices.Index(names, c.Suggested); i >= 0 {
			taught[i].ranked++
			if c.Found == c.Suggested {
				taught[i].right++
			}
		}
		k, ok := r.choiceOf(c, names)
		if !ok {
			continue
		}
		choices = append(choices, k)
		if k.found >= 0 {
			found[k.found]++
		}
	}
	for range steps {
		moved := 0.0
		offered := make([]float64, len(names))
		for _, k := range choices {
			sum := r.other
			for i, w := range k.weights {
				sum += w * taught[i].ratio
			}
			for i, w := range k.weights {
				offered[i] += w / sum
			}
		}
		for i, w := range offered {
			to := min(max((found[i]+standing)/(w+standing), 1/reach), reach)
			moved = max(moved, math.Abs(math.Log(to/taught[i].ratio)))
			taught[i].ratio = to
		}
		if moved < still {
			break
		}
	}
	wiser := *r
	wiser.list = slices.Clone(r.list)
	for i := range wiser.list {
		wiser.list[i].taught = taught[slices.Index(names, wiser.list[i].name)]
	}
	return &wiser
}

// choice is what a repair decided between: rules that explain the same
// readings, and what the file does not know.
type choice struct {
	weights []float64 // by the file, of each name; 0 had no part in it
	found   int       // -1 none of them
}

// choiceOf finds between what a repair has decided. A unit that has two
// defects is repaired for one: rules that have no reading in common with what
// was found had no part in it.
func (r *Rules) choiceOf(c Case, names []string) (k choice, ok bool) {
	fits := r.fits(newReadings(c.Readings, r.convert))
	k.found = -1
	var core []fit
	for _, f := range fits {
		if f.name == c.Found {
			core, k.found = append(core, f), slices.Index(names, f.name)
		}
	}
	if core == nil { // none of the rules: the one ranked first was wrong
		for _, f := range fits {
			if core == nil || f.weight > core[0].weight {
				core = []fit{f}
			}
		}
	}
	if core == nil {
		return k, false // no rule had anything to say
	}
	k.weights = make([]float64, len(names))
	for _, f := range fits {
		if slices.ContainsFunc(core, func(g fit) bool { return common(f.explains, g.explains) }) {
			k.weights[slices.Index(names, f.name)] += f.weight
		}
	}
	return k, true
}

// evidence tells how often the rule was right.
func (e experience) evidence() reports.Evidence {
	return reports.Evidence{Relation: reports.Ranked, Right: e.right, Count: e.ranked, Against: 2*e.right < e.ranked}
}

// Causes lists the rules as causes, each once, in the order of the file, without
// a confidence and without where: what there is to choose from at the repair
// bench.
func (r *Rules) Causes() []reports.Cause {
	if r == nil {
		return nil
	}
	var list []reports.Cause
	seen := map[string]bool{}
	for _, x := range r.list {
		if !seen[x.name] {
			seen[x.name] = true
			list = append(list, reports.Cause{Rule: x.name, Cause: x.cause, Part: x.part, Inspect: x.inspect})
		}
	}
	return list
}
