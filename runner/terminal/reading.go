package terminal

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/draw"
	"fullthrow/reports/wording"
	"fullthrow/runner/input"
)

// rulerCells is how many places a value can take between its limits.
const rulerCells = 11

// shown writes a value as people read it: "9.1 µA", "yes", "no value".
func shown(v reports.Value, unit string) string {
	if x, ok := v.Number(); ok {
		return reports.FormatQuantity(x, unit)
	}
	return wording.English().One(v, unit)
}

// judged says in words how a reading stands to its limit.
func judged(r reports.Reading) string {
	why := wording.Prefixed(": ", cmp.Or(wording.English().Reason(r.Problem), wording.English().Miss(r)))
	switch r.Verdict {
	case reports.Pass:
		return "kept"
	case reports.Unlimited:
		return "no limit"
	case reports.Error:
		return "NOT MEASURED" + wording.Prefixed(": ", wording.English().Reason(r.Problem))
	case reports.Inconclusive:
		return "UNDECIDED" + why
	}
	return "NOT KEPT" + why
}

// readingLine is one reading as a line: name, value, ruler between the limits
// or the limit in words, judgement.
func readingLine(r reports.Reading) string {
	value := shown(r.Value, r.Unit)
	switch r.Bound {
	case "more":
		value = "> " + value
	case "less":
		value = "< " + value
	}
	where := ""
	if l := r.Limit; l != nil {
		where = strings.Repeat(" ", 10) + wording.English().Limit(l, r.Unit)
		if x, ok := r.Value.Number(); ok && !math.IsNaN(x) && l.Lower != nil && l.Upper != nil && *l.Lower < *l.Upper {
			where = fmt.Sprintf("%9s %s %s", reports.FormatQuantity(*l.Lower, r.Unit),
				draw.Ruler(x, *l.Lower, *l.Upper, rulerCells), reports.FormatQuantity(*l.Upper, r.Unit))
		}
	}
	return strings.TrimRight(fmt.Sprintf("%-21s %9s  %-36s %s", r.Name, value, where, judged(r)), " ")
}

// broken tells whether a reading keeps a run from passing.
func broken(v reports.Verdict) bool {
	return v == reports.Fail || v == reports.Error || v == reports.Inconclusive
}

// ReadingHint says which reading was perhaps meant.
func ReadingHint(given string, known []string) string {
	var within, checks []string
	for _, n := range known {
		if strings.Contains(strings.ToLower(n), strings.ToLower(given)) {
			within = append(within, n)
		}
		check, _, _ := strings.Cut(n, ".")
		if !slices.Contains(checks, check) {
			checks = append(checks, check)
		}
	}
	switch n := input.Near(given, known); {
	case len(known) == 0:
		return "there are no readings at all"
	case len(within) > 0 && len(within) <= 8:
		return "did you mean " + strings.Join(within, " or ") + "?"
	case n != "":
		return `did you mean "` + n + `"?`
	case len(within) > 8:
		return fmt.Sprintf("%d readings have that in their name, such as %s", len(within), strings.Join(within[:4],
			", "))
	}
	return "readings are named check.reading; the checks are " + strings.Join(checks, ", ")
}
