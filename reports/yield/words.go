package yield

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// fewWidth is how wide an interval must be for the words "from so few".
const fewWidth = 0.1

// String is the share for people, of units: "90.0 %; from so few units, anywhere
// between 59.6 % and 98.2 %".
func (s Share) String() string { return s.Sentence("units") }

// Sentence is [Share.String] of something else: runs, checks.
func (s Share) Sentence(of string) string {
	switch {
	case s.Of == 0 && s.Count == 0:
		return "not known: there are no " + of
	case !s.Known():
		return fmt.Sprintf("not known: %d of %d %s cannot be", s.Count, s.Of, of)
	case s.High-s.Low > fewWidth:
		return fmt.Sprintf("%s; from so few %s, anywhere %s", Percent(s.Value), of, s.Between())
	}
	return fmt.Sprintf("%s, %s", Percent(s.Value), s.Between())
}

// Between is the interval for people: "between 59.6 % and 98.2 %".
func (s Share) Between() string {
	digits := digitsNeeded(s.Value, 1) // as many as beside it
	return "between " + PercentDigits(s.Low, digits) + " and " + PercentDigits(s.High, digits)
}

// Sure is how sure the interval is: "in 95 of 100 cases the true value lies in
// such an interval (Wilson)".
func (s Share) Sure() string {
	return fmt.Sprintf("in %s of 100 cases the true value lies in such an interval (%s)", strconv.FormatFloat(100*s.Confidence, 'f', -1, 64), s.Method)
}

// Seconds is a time for people to a tenth of a second: "38.2 s". What is not
// finite is "not known".
func Seconds(s float64) string {
	if math.IsNaN(s) || math.IsInf(s, 0) {
		return "not known"
	}
	return strconv.FormatFloat(s, 'f', 1, 64) + " s"
}

// Span is a longer time for people: "45 s", "12 min", "3.4 h". What is not
// finite is "not known".
func Span(s float64) string {
	switch {
	case math.IsNaN(s) || math.IsInf(s, 0):
		return "not known"
	case s > 0 && s < 1:
		return "under 1 s"
	case s < 99.5:
		return strconv.FormatFloat(s, 'f', 0, 64) + " s"
	case s < 99.5*60:
		return strconv.FormatFloat(s/60, 'f', 0, 64) + " min"
	}
	return strconv.FormatFloat(s/3600, 'f', 1, 64) + " h"
}

// Perhaps is an estimate for people with so many digits after the point:
// "0.300, between 0.202 and 0.428". NaN is "not known"; an end, or a value, that
// is not bounded says "or more".
func (e Estimate) Perhaps(digits int) string {
	f := func(v float64) string { return strconv.FormatFloat(v, 'f', digits, 64) }
	switch {
	case math.IsNaN(e.Value):
		return "not known"
	case math.IsInf(e.Value, 1) && !math.IsInf(e.Low, 0):
		return f(e.Low) + " or more"
	case math.IsInf(e.Value, 0):
		return "not known"
	case math.IsInf(e.High, 1):
		return fmt.Sprintf("%s, %s or more", f(e.Value), f(e.Low))
	case math.IsInf(e.Low, -1):
		return fmt.Sprintf("%s, %s or less", f(e.Value), f(e.High))
	}
	return fmt.Sprintf("%s, between %s and %s", f(e.Value), f(e.Low), f(e.High))
}

// Term is a figure's name and what it means.
type Term struct {
	Key     string `json:"key"`     // as in JSON
	Name    string `json:"name"`    // as people read it
	Meaning string `json:"meaning"` // one plain sentence
}

// String is "First-pass yield: units that passed at their first run, of all
// units tested."
func (t Term) String() string { return t.Name + ": " + t.Meaning }

// Meaning is what a term means, by its key or its name in any case; "" if there
// is no such term.
func Meaning(term string) string { return Explain(term).Meaning }

// Explain is the term by its key or its name in any case; a zero Term if there
// is none.
func Explain(term string) Term {
	for _, t := range Terms() {
		if strings.EqualFold(t.Key, term) || strings.EqualFold(t.Name, term) {
			return t
		}
	}
	return Term{}
}

// Terms are all names of figures that commands and pages use, in the order in
// which a reader meets them.
func Terms() []Term {
	return []Term{
		{"unit", "Unit", "one handset under its serial number; it counts once, however often it is tested."},
		{"judged_run", "Judged run", "a run that ended as passed or failed; one that ended by a fault of the bench, or was aborted, says nothing about the unit."},
		{"first_pass", "First-pass yield", "units that passed at their first run, of all units tested."},
		{"final", "Final yield", "units whose newest run passed, retests and repairs included, of all units tested; one that waits for its retest counts as not passed."},
		{"retested", "Retest rate", "units that were tested more than once, of all units tested."},
		{"no_fault_found", "No fault found", "of the units that failed at first, those that passed later though nothing was done to them: a false alarm of the bench, or a fault that comes and goes."},
		{"repaired", "Repaired", "units at which a technician found something and dealt with it, of all units tested."},
		{"dpu", "Defects per unit (DPU)", "failed checks in first runs, for each unit tested; one unit may have several."},
		{"dpo", "Defects per opportunity (DPO)", "failed checks, of all checks judged in first runs."},
		{"dpmo", "Defects per million opportunities (DPMO)", "how many checks in a million would fail at this rate."},
		{"sigma", "Sigma level", "the same rate of failed checks on another scale, where 6 means 3.4 in a million; it holds a shift of 1.5 by convention, which nothing here has measured."},
		{"throughput", "Throughput yield", "units that would have no failed check if failures fell on units at random, e to the power of minus DPU."},
		{"rolled", "Rolled throughput yield", "the chance of a unit to pass every check at its first run: the shares of all checks, multiplied."},
		{"normalised", "Normalised yield", "the yield each check would have if all had the same; it compares plans with different numbers of checks."},
		{"interval", "Interval", "where the true value can be expected, as only so many units were seen; the fewer units, the wider."},
		{"confidence", "Confidence", "in how many of 100 such cases the interval holds the true value, 95 unless said otherwise."},
		{"wilson", "Wilson interval", "the interval used for shares: right on average, also for few units and for shares near 0 or 100 %."},
		{"clopper_pearson", "Clopper-Pearson interval", "a wider interval for shares, for where something is promised: it holds the true value at least as often as it says, whatever that is."},
		{"pareto", "Pareto", "what goes wrong, the most frequent first: where work pays most."},
		{"vital_few", "Vital few", "the fewest causes that together make up 80 % of all findings."},
		{"of_tested", "Of units tested", "units that have it at their first run, of all units tested."},
		{"of_failed", "Of units failed", "units that have it, of those that failed at their first run; a unit with two things wrong counts in both."},
		{"cumulative", "Cumulative share", "findings in this row and all above it, of all findings."},
		{"findings", "Findings", "things found wrong; a unit may have more than one."},
		{"trend", "Trend", "first-pass yield hour by hour, lot by lot, or whatever is asked for, side by side."},
		{"by_chance", "By chance", "how often two groups that do not differ would look as different as these."},
		{"corrected", "Corrected for many comparisons", "who compares many groups finds one that stands out by luck alone; this makes up for it (Holm's method)."},
		{"cycle", "Cycle time", "how long a run takes from its start to its verdict, without the time to change units."},
		{"mean", "Mean", "the sum of all values, divided by how many there are."},
		{"median", "Median", "half of the values lie below it, half above."},
		{"p95", "95th percentile", "95 of 100 values lie below it."},
		{"takt", "Takt", "the line's pace, as the station states it: one unit every so long, however many nests it has."},
		{"over", "Over the cycle time", "runs that took longer than the plan intends, of all judged runs."},
		{"capacity", "Capacity per hour", "units that all nests could test in an hour, each in the cycle time that the plan intends, if changing them took no time."},
		{"possible", "Possible per hour", "units that could be tested in an hour at the mean cycle time, if changing them took no time."},
		{"needed", "Needed per hour", "units that the takt asks for in an hour."},
		{"lost", "Time lost", "time of runs that ended by a fault of the bench or were aborted, and so judged no unit."},
		{"bench_error", "Bench error", "a run that ended because the bench could not measure; the unit is neither good nor bad."},
		{"aborted", "Aborted", "a run that was stopped before it ended, by the operator, the guard or a power cut."},
		{"units_lost", "Units not tested", "units that could have been tested in the time lost, at the median cycle time."},
		{"limit", "Limit", "the lowest or highest value that a reading may have."},
		{"standard_deviation", "Standard deviation", "how far values usually lie from their mean."},
		{"cp", "Cp", "how many times the spread of a reading (six standard deviations, as seen within short times) fits between its limits."},
		{"cpk", "Cpk", "how many half spreads (three standard deviations) lie between the mean and the nearer limit; below 1, limits are broken as a matter of course."},
		{"pp", "Pp", "Cp with the spread of all values, slow wandering included."},
		{"ppk", "Ppk", "Cpk with the spread of all values, slow wandering included."},
		{"cpm", "Cpm", "Cp with a penalty for lying off the target."},
		{"normality", "Normality check", "whether the values are spread as a normal distribution (a bell curve); if not, Cp and Cpk mean nothing and percentiles are used instead."},
		{"control_chart", "Control chart", "values in order of time with the limits that a steady process stays within; a point outside has a cause worth finding."},
		{"control_limits", "Control limits", "where nearly all points of a steady process lie; they come from the process, and have nothing to do with the limits of the product."},
		{"golden_unit", "Golden unit", "a unit kept to prove the bench: if its readings change, the bench has."},
		{"drift", "Drift", "a slow change in one direction."},
		{"difference", "Difference", "how much more the one has than the other, on average; an interval that holds 0 means that no difference is shown."},
		{"correlation", "Correlation", "whether two readings go together: 1 in step, -1 in opposite steps, 0 not at all; it does not say which causes which."},
	}
}
