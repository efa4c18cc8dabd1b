package rehearsal

import (
	"math"
	"path"
	"slices"
	"strings"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
)

// typical is the median of each reading on good units; NaN
// where none was taken.
func (h *Rehearsal) typical() []float64 {
	out := make([]float64, len(h.limit))
	for k := range out {
		values := h.goodValues(k)
		out[k] = math.NaN()
		if len(values) > 0 {
			slices.Sort(values)
			out[k] = values[len(values)/2]
		}
	}
	return out
}

// goodValues lists a reading's values on good units.
func (h *Rehearsal) goodValues(k int) []float64 {
	var values []float64
	for _, u := range h.units {
		if u != nil && len(u.given) == 0 && !math.IsNaN(u.values[k]) {
			values = append(values, u.values[k])
		}
	}
	return values
}

// position says where x stands between what is typical (0) and the limit (1),
// on the side where it is farther out, and which side that is: "lower" or
// "upper". ok is false where the limit is no number or nothing is typical.
func position(x, typical float64, l *reports.Limit) (at float64, side string, ok bool) {
	if l == nil || math.IsNaN(x) || math.IsNaN(typical) {
		return 0, "", false
	}
	at = math.Inf(-1)
	if l.Upper != nil && *l.Upper > typical {
		at, side, ok = (x-typical)/(*l.Upper-typical), "upper", true
	}
	if l.Lower != nil && *l.Lower < typical {
		if p := (typical - x) / (typical - *l.Lower); p > at {
			at, side, ok = p, "lower", true
		}
	}
	return at, side, ok
}

// expected lists the limits that a defect is expected to break.
func (h *Rehearsal) expected(kind sim.Defect) (list []int) {
	for k, rd := range h.limit {
		if rd == nil || rd.Check != kind.Check {
			continue
		}
		if ok, err := path.Match(kind.Reading, rd.Name); ok && err == nil {
			list = append(list, k)
		}
	}
	return list
}

// farthest is the reading farthest out of those that a defect is expected to
// move; ok is false if none was taken.
func (h *Rehearsal) farthest(u *rehearsedUnit, kind sim.Defect, typical []float64) (k int, at float64, side string, ok bool) {
	at = math.Inf(-1)
	for _, i := range h.expected(kind) {
		if p, s, found := position(u.values[i], typical[i], h.limit[i].Limit); found && p > at {
			k, at, side, ok = i, p, s, true
		}
	}
	return k, at, side, ok
}

// misses is how near a unit came to being caught by the reading that is
// expected to show its defect.
func (h *Rehearsal) misses(u *rehearsedUnit, kind sim.Defect, severity float64, typical []float64) []missResult {
	k, at, side, ok := h.farthest(u, kind, typical)
	if !ok {
		return nil
	}
	rd := h.limit[k]
	limit := *orLimit(rd.Limit, side)
	return []missResult{{Severity: math.Round(1000*severity) / 1000, Reading: rd.Check + "." + rd.Name, Value: u.values[k], Limit: limit, Unit: rd.Unit, Left: 1 - at}}
}

// orLimit is the limit's number on a side.
func orLimit(l *reports.Limit, side string) *float64 {
	if side == "lower" {
		return l.Lower
	}
	return l.Upper
}

// limits sets each limit beside the good units and those it must catch.
func (h *Rehearsal) limits(typical []float64) []limitResult {
	names := h.Method.Limits.Names()
	out := []limitResult{}
	type key struct {
		line int
		side string
	}
	index := map[key]int{}
	row := func(k int, side string) *limitResult {
		id := key{h.Method.Limits.Line(names[k]), side}
		if id.line == 0 {
			id.line = -1 - k
		}
		i, ok := index[id]
		if !ok {
			i = len(out)
			index[id] = i
			out = append(out, limitResult{Limit: names[k], Line: max(id.line, 0), Side: side, Left: math.Inf(1)})
		}
		out[i].Limit = together(out[i].Limit, names[k])
		return &out[i]
	}
	for k := range names {
		rd := h.limit[k]
		if rd == nil {
			continue
		}
		values := h.goodValues(k)
		broke := func(side string) (n int) {
			for _, u := range h.units {
				if u != nil && len(u.given) == 0 && slices.Contains(u.failed, k) {
					if at, s, ok := position(u.values[k], typical[k], rd.Limit); side == "equal" || ok && s == side && at >= 1 {
						n++
					}
				}
			}
			return n
		}
		sides := []string{}
		if rd.Limit.Lower != nil {
			sides = append(sides, "lower")
		}
		if rd.Limit.Upper != nil {
			sides = append(sides, "upper")
		}
		if len(sides) == 0 {
			sides = append(sides, "equal")
		}
		for _, side := range sides {
			l := row(k, side)
			l.Unit = rd.Unit
			l.Rejected += broke(side)
			l.Good += len(values)
			if side == "equal" {
				l.Left = 0
				continue
			}
			l.At = *orLimit(rd.Limit, side)
			for _, x := range values {
				left := (l.At - x) / (l.At - typical[k])
				if l.At == typical[k] {
					left = 0
				}
				if left < l.Left {
					l.Left, l.Worst, l.Median = left, x, typical[k]
				}
			}
			if len(values) == 0 {
				l.Left = 0
			}
		}
	}
	h.mildest(row, typical)
	return out
}

// mildest enters, for each limit, the mildest unit that it alone must catch.
func (h *Rehearsal) mildest(row func(int, string) *limitResult, typical []float64) {
	nearest := map[int]float64{} // by line and side
	for _, u := range h.units {
		if u == nil || u.outcome != reports.Passed && u.outcome != reports.Failed || !h.mustCatch(u) {
			continue
		}
		k, at, side, ok := h.alone(u, typical)
		if !ok {
			continue
		}
		l := row(k, side)
		id := 2 * l.Line
		if side == "lower" {
			id++
		}
		if l.Mildest == nil {
			l.Mildest = &mildestResult{}
			nearest[id] = math.Inf(1)
		}
		l.Mildest.Units++
		if at < nearest[id] {
			nearest[id] = at
			l.Mildest.Value, l.Mildest.Defects = u.values[k], h.unit(u, true, typical).Defects
		}
	}
}

// alone is the reading farthest out of the one limit that a unit breaks; of a
// unit that escaped, of the limit that it should have broken. ok is false where
// there are several such limits, or the limit is no number.
func (h *Rehearsal) alone(u *rehearsedUnit, typical []float64) (k int, at float64, side string, ok bool) {
	if u.outcome == reports.Passed {
		for _, g := range u.given {
			kind, err := sim.DefectNamed(g.Name)
			if err != nil {
				continue
			}
			if i, p, s, found := h.farthest(u, kind, typical); found && (!ok || p > at) {
				k, at, side, ok = i, p, s, true
			}
		}
		return k, at, side, ok
	}
	names := h.Method.Limits.Names()
	line := -1
	for _, i := range u.failed {
		if h.limit[i] == nil {
			return 0, 0, "", false
		}
		if l := h.Method.Limits.Line(names[i]); line >= 0 && l != line {
			return 0, 0, "", false
		} else {
			line = l
		}
		p, s, found := position(u.values[i], typical[i], h.limit[i].Limit)
		if !found {
			return 0, 0, "", false
		}
		if !ok || p > at {
			k, at, side, ok = i, p, s, true
		}
	}
	return k, at, side, ok
}

// together is the pattern of two names that share a limit: what differs between
// them is a star.
func together(a, b string) string {
	if a == b {
		return a
	}
	if ok, err := path.Match(a, b); ok && err == nil && strings.Contains(a, "*") {
		return a
	}
	check, _, _ := strings.Cut(b, ".")
	rest, other := strings.TrimPrefix(a, check+"."), strings.TrimPrefix(b, check+".")
	n := 0 // of bytes that end both
	for n < len(rest) && n < len(other) && rest[len(rest)-1-n] == other[len(other)-1-n] {
		n++
	}
	tail := rest[len(rest)-n:]
	if _, after, ok := strings.Cut(tail, "_"); ok { // whole words only
		return check + ".*_" + after
	}
	return check + ".*"
}
