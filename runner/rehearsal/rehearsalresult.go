package rehearsal

import (
	"cmp"
	"math"
	"slices"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/bench"
	"fullthrow/runner/measure"
)

// curveSeverities are where the curve of detection is drawn.
func curveSeverities() []float64 {
	var x []float64
	for i := 4; i <= sweepSteps*4; i++ {
		x = append(x, sweepStep*float64(i)/4)
	}
	return x
}

// Result counts what the rehearsal has seen.
func (h *Rehearsal) Result() (*rehearsalResult, error) {
	r := &rehearsalResult{
		Schema: rehearsalSchema, Product: h.Method.Product.Product, Revision: h.Method.Product.Revision,
		Software: bench.Software(),
		Sources: append(append(h.Bench.Sources(), h.Method.Plan.Sources...),
			h.Method.Sources...),
		Seed: h.Options.Seed, Asked: len(h.jobs), Done: h.done,
		NotJudged: []unitResult{}, Escaped: []unitResult{},
		titles: rehearsalTitles{product: h.Method.Product.Title, plan: h.Method.PlanAt, limits: h.Method.LimitsAt,
			population: h.PopulationAt, took: h.took},
	}
	typical := h.typical()
	var escaped, must, wrong, good int // of what is counted
	for _, u := range h.units {
		if u == nil {
			continue
		}
		if u.outcome != reports.Passed && u.outcome != reports.Failed {
			r.NotJudged = append(r.NotJudged, h.unit(u, true, typical))
			continue
		}
		if u.defect == nil && !u.good {
			r.Population.Units++
		}
		mustCatch := h.mustCatch(u)
		switch {
		case u.defect != nil && h.Options.Units > 0:
		case len(u.given) == 0:
			good++
			if u.outcome == reports.Failed {
				wrong++
			}
		default:
			if u.defect == nil {
				r.Population.Defective++
			}
			if !mustCatch {
				break
			}
			must++
			if u.outcome == reports.Passed {
				escaped++
				if u.defect == nil {
					r.Escaped = append(r.Escaped, h.unit(u, false, typical))
				}
			}
		}
	}
	if h.Options.Units > 0 {
		r.Population.Good, r.Population.MustCatch = good, must
	}
	r.Escapes = newShare(escaped, must, h.Options.Escapes/100)
	r.FalseRejects = newShare(wrong, good, h.Options.Rejects/100)
	r.Kept = r.Escapes.Kept && r.FalseRejects.Kept && len(r.NotJudged) == 0 && r.Done == r.Asked
	for _, s := range h.People.Defect {
		d, err := h.defect(s, typical)
		if err != nil {
			return nil, err
		}
		r.Defects = append(r.Defects, d)
	}
	r.Limits = h.limits(typical)
	var err error
	r.Cycle, err = h.cycle()
	return r, err
}

// defect counts one kind of defect.
func (h *Rehearsal) defect(s sim.Share, typical []float64) (defectResult, error) {
	kind, err := sim.DefectNamed(s.Name)
	if err != nil {
		return defectResult{}, err
	}
	d := defectResult{Name: kind.Name, About: kind.About, Check: kind.Check, Graded: kind.Graded(),
		MustCatch: *s.MustCatch,
		Sweep:     []stepResult{}, Checks: []checkEdgeResult{}, Nearest: []missResult{}}
	var alone []*rehearsedUnit // units with this defect and no other
	sweepMust, sweepMissed := 0, 0
	for _, u := range h.units {
		if u == nil || u.outcome != reports.Passed && u.outcome != reports.Failed {
			continue
		}
		severity := u.severityOf(kind.Name)
		if severity == 0 {
			continue
		}
		if len(u.given) == 1 {
			alone = append(alone, u)
		}
		caught, must := u.outcome == reports.Failed, severity >= d.MustCatch-1e-9
		switch {
		case u.defect != nil:
			if n := len(d.Sweep); n == 0 || d.Sweep[n-1].Severity != u.severity {
				d.Sweep = append(d.Sweep, stepResult{Severity: u.severity})
			}
			step := &d.Sweep[len(d.Sweep)-1]
			step.Units++
			if caught {
				step.Caught++
			}
			if must {
				sweepMust++
				if !caught {
					sweepMissed++
				}
			}
		case !must:
			d.Below++
			if caught {
				d.BelowCaught++
			}
		default:
			d.Units++
			if !caught {
				d.Missed++
				break
			}
			d.Caught++
			if len(u.given) == 1 && !h.caughtBy(u, kind.Check) {
				d.Elsewhere++
			}
		}
		if must && !caught {
			d.Nearest = append(d.Nearest, h.misses(u, kind, severity, typical)...)
		}
	}
	d.SweepMissed = newShare(sweepMissed, sweepMust, 0)
	// The farthest from being caught first: that is what must change.
	slices.SortStableFunc(d.Nearest, func(a, b missResult) int { return cmp.Compare(b.Left, a.Left) })
	d.Nearest = d.Nearest[:min(len(d.Nearest), 3)]

	failed := func(u *rehearsedUnit) bool { return u.outcome == reports.Failed }
	d.rug = rug(alone, kind.Name, failed)
	if d.Graded {
		if d.Edge, d.curve, err = edges(alone, kind.Name, failed); err != nil {
			return d, err
		}
	}
	for i, c := range h.Method.Plan.Checks {
		var ran []*rehearsedUnit // a check that did not run has not missed anything
		k := checkEdgeResult{Check: c.Name}
		for _, u := range alone {
			if u.checks[i] < 0 {
				continue
			}
			ran = append(ran, u)
			if h.caughtBy(u, c.Name) {
				k.Caught++
			}
		}
		if k.Caught == 0 {
			continue
		}
		k.Units = len(ran)
		if d.Graded {
			if k.Edge, _, err = edges(ran, kind.Name, func(u *rehearsedUnit) bool {
				return h.caughtBy(u,
					c.Name)
			}); err != nil {
				return d, err
			}
		}
		d.Checks = append(d.Checks, k)
	}
	return d, nil
}

// edges fits the curve of detection to units with one defect. It needs two
// severities at least, else there is no edge. A defect of severity 0 is none
// and is not caught, so the curve is one of the severity's logarithm.
func edges(units []*rehearsedUnit, defect string, caught func(*rehearsedUnit) bool) (*edgesResult, []float64, error) {
	var tried []measure.Tried
	severities := map[float64]bool{}
	for _, u := range units {
		t := measure.Tried{Strength: math.Log(u.severityOf(defect)), Trials: 1}
		if caught(u) {
			t.Caught = 1
		}
		tried = append(tried, t)
		severities[t.Strength] = true
	}
	if len(severities) < 2 {
		return nil, nil, nil
	}
	var at []float64
	for _, x := range curveSeverities() {
		at = append(at, math.Log(x))
	}
	found, err := measure.Detection(tried, measure.DetectionOptions{Strengths: at})
	if err != nil {
		return nil, nil, err
	}
	return &edgesResult{newEdge(found.Edges[0], tried), newEdge(found.Edges[1], tried)}, found.Detected, nil
}

func newEdge(e measure.Edge, tried []measure.Tried) edgeResult {
	low, high := math.Inf(1), math.Inf(-1)
	for _, t := range tried {
		low, high = min(low, t.Strength), max(high, t.Strength)
	}
	three := func(log float64) float64 { return math.Round(1000*math.Exp(log)) / 1000 }
	r := edgeResult{At: three(min(max(e.Strength, low), high)), Low: three(e.Low)} // exp(-Inf) is 0
	switch {
	case math.IsInf(e.Strength, -1):
		r.Bound = "less"
	case math.IsInf(e.Strength, 1):
		r.Bound = "more"
	}
	if !math.IsInf(e.Low, 0) {
		r.Low = three(e.Low)
	} else if e.Low > 0 {
		r.Low = three(high)
	}
	if !math.IsInf(e.High, 1) {
		v := three(max(e.High, low))
		r.High = &v
	}
	return r
}

// severityOf is the severity at which a unit has a defect, 0 if it does not.
func (u *rehearsedUnit) severityOf(defect string) float64 {
	for _, g := range u.given {
		if g.Name == defect {
			return g.Severity
		}
	}
	return 0
}

// caughtBy says whether a reading of the check broke its limit.
func (h *Rehearsal) caughtBy(u *rehearsedUnit, check string) bool {
	return slices.ContainsFunc(u.failed, func(k int) bool { return h.limit[k] != nil && h.limit[k].Check == check })
}

func (h *Rehearsal) unit(u *rehearsedUnit, reason bool, typical []float64) unitResult {
	r := unitResult{Index: u.index, Sweep: u.defect != nil, Defects: []givenResult{}}
	if reason {
		r.Reason = u.reason
	}
	for _, g := range u.given {
		r.Defects = append(r.Defects, givenResult{g.Name, math.Round(1000*g.Severity) / 1000})
		if kind, err := sim.DefectNamed(g.Name); err == nil && !reason {
			r.Nearest = append(r.Nearest, h.misses(u, kind, g.Severity, typical)...)
		}
	}
	return r
}

// cycle is how long units took.
func (h *Rehearsal) cycle() (cycleResult, error) {
	c := cycleResult{CycleTime: h.Method.Plan.CycleTime.Seconds(), Checks: []checkCycle{}}
	var all []float64
	byCheck := make([][]float64, len(h.Method.Plan.Checks))
	total, inChecks := 0.0, 0.0
	for _, u := range h.units {
		if u == nil || u.outcome != reports.Passed && u.outcome != reports.Failed || u.defect != nil &&
			h.Options.Units > 0 {
			continue
		}
		t := u.took.Seconds()
		all = append(all, t)
		total += t
		if c.CycleTime > 0 && t > c.CycleTime {
			c.Over++
		}
		for k, d := range u.checks {
			if d >= 0 {
				byCheck[k] = append(byCheck[k], d.Seconds())
				inChecks += d.Seconds()
			}
		}
	}
	if len(all) == 0 {
		return c, nil
	}
	c.Units = len(all)
	c.Mean, c.P95, c.Max = spread(all)
	c.Rest = (total - inChecks) / float64(len(all))
	for k, check := range h.Method.Plan.Checks {
		n := len(byCheck[k])
		if n == 0 {
			continue
		}
		k := checkCycle{Check: check.Name, Units: n}
		k.Mean, k.P95, k.Max = spread(byCheck[h.check[check.Name]])
		k.Share = k.Mean * float64(n) / total
		c.Checks = append(c.Checks, k)
	}
	return c, nil
}

// spread is mean, 95th percentile (nearest rank) and maximum of values, which
// must not be empty; it sorts them.
func spread(values []float64) (mean, p95, most float64) {
	slices.Sort(values)
	for _, v := range values {
		mean += v
	}
	n := len(values)
	return mean / float64(n), values[int(math.Ceil(0.95*float64(n)))-1], values[n-1]
}
