package rehearsal

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/terminal"
)

// How much of each list the text shows; the JSON has all of it.
const (
	maxEscaped = 10
	maxTight   = 12
)

// WriteText writes the result for the engineer who tunes plan and limits: what
// is missed, by how much, and what would have to change.
func (r *rehearsalResult) WriteText(s *terminal.Screen) {
	t := r.titles
	s.Say("%s", s.Strong("Rehearsal of the "+t.product+": simulated units, invented data."))
	s.Say("Plan %s, limits %s,", t.plan, t.limits)
	units := wording.Count(r.Population.Units, "unit") + " of it"
	if r.Population.Units == 0 {
		units = wording.Count(r.FalseRejects.Of, "good unit")
	}
	s.Say("population %s, seed %d: %s, %s with one defect each.", t.population, r.Seed, units, wording.Count(r.swept(), "unit"))
	r.writeDefects(s)
	r.writeChecks(s)
	r.writeMisses(s)
	r.writeLimits(s)
	r.writeCycle(s)
	r.writeVerdict(s)
}

func (r *rehearsalResult) swept() (n int) {
	for _, d := range r.Defects {
		for _, step := range d.Sweep {
			n += step.Units
		}
	}
	return n
}

// table writes rows in columns, those after the first right of a gap.
func table(s *terminal.Screen, rows [][]string) {
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	for _, row := range rows {
		fmt.Fprintln(w, "  "+strings.Join(row, "\t"))
	}
	w.Flush()
	for line := range strings.Lines(b.String()) {
		s.Say("%s", strings.TrimRight(line, " \n"))
	}
}

func (r *rehearsalResult) writeDefects(s *terminal.Screen) {
	terminal.Heading(s, "What the plan catches",
		"must: from this severity on. Where half and 95 % are caught, with 95 % intervals (logistic in log severity);\ntoo few to tell: the interval reaches beyond must, a larger --sweep makes it narrower.")
	rows := [][]string{{"defect", "check", "must", "units", "caught", "missed", "half at", "95 % at", ""}}
	for _, d := range r.Defects {
		row := []string{d.Name, d.Check, severity(d.MustCatch), fmt.Sprint(d.Units), fmt.Sprint(d.Caught), fmt.Sprint(d.Missed)}
		switch {
		case !d.Graded:
			row = append(row, "there or not", "")
		case d.Edge == nil:
			row = append(row, "not tried", "")
		default:
			row = append(row, d.Edge.Half.String(), d.Edge.Most.String())
		}
		rows = append(rows, append(row, strings.Join(d.remarks(), "; ")))
	}
	table(s, rows)
}

// remarks says what is not as it should be with a kind of defect.
func (d *defectResult) remarks() (list []string) {
	if d.Missed > 0 {
		list = append(list, "ESCAPES")
	}
	if n := d.SweepMissed; n.Count > 0 {
		list = append(list, fmt.Sprintf("%d of %d of the sweep MISSED", n.Count, n.Of))
	}
	if d.Edge != nil {
		switch most := d.Edge.Most; {
		case most.Low > d.MustCatch || most.Bound == "more" && most.Low >= d.MustCatch:
			list = append(list, "seen too LATE")
		case most.High == nil || *most.High > d.MustCatch:
			list = append(list, "too few to tell")
		}
	}
	if d.Elsewhere > 0 {
		list = append(list, fmt.Sprintf("%d only by another check", d.Elsewhere))
	}
	return list
}

// String is "0.31 (0.28 to 0.34)", or "< 0.1", "> 1.5".
func (e edgeResult) String() string {
	switch e.Bound {
	case "less":
		return "< " + severity(e.At)
	case "more":
		return "> " + severity(e.At)
	}
	high := "?"
	if e.High != nil {
		high = severity(*e.High)
	}
	return severity(e.At) + " (" + severity(e.Low) + " to " + high + ")"
}

func severity(x float64) string { return strconv.FormatFloat(math.Round(100*x)/100, 'f', -1, 64) }

// writeChecks lists what each check sees by itself, where that is more than
// the table of defects says.
func (r *rehearsalResult) writeChecks(s *terminal.Screen) {
	rows := [][]string{{"check", "defect", "half at", "95 % at"}}
	var order []string
	by := map[string][][]string{}
	for _, d := range r.Defects {
		seen := 0
		for _, c := range d.Checks {
			if 20*c.Caught > c.Units {
				seen++
			}
		}
		for _, c := range d.Checks {
			if seen < 2 || c.Edge == nil || 20*c.Caught <= c.Units {
				continue // nothing new, or a unit now and then
			}
			mark := ""
			if c.Check == d.Check {
				mark = "its own"
			}
			if by[c.Check] == nil {
				order = append(order, c.Check)
			}
			by[c.Check] = append(by[c.Check], []string{d.Name, c.Edge.Half.String(), c.Edge.Most.String(), mark})
		}
	}
	if len(order) == 0 {
		return
	}
	for _, check := range order {
		for i, row := range by[check] {
			name := check
			if i > 0 {
				name = ""
			}
			rows = append(rows, append([]string{name}, row...))
		}
	}
	terminal.Heading(s, "Defects that several checks see", "Each check by itself, of the units on which it ran.")
	table(s, rows)
}

func (r *rehearsalResult) writeMisses(s *terminal.Screen) {
	if len(r.Escaped) > 0 {
		terminal.Heading(s, "Units of the population that escaped", "")
		for i, u := range r.Escaped {
			if i == maxEscaped {
				s.Say("  and %d more", len(r.Escaped)-i)
				break
			}
			s.Say("  unit %d: %s%s", u.Index, u.defects(), wording.Prefixed(": ", nearestOf(u.Nearest)))
		}
	}
	var lines []string
	for _, d := range r.Defects {
		if len(d.Nearest) > 0 {
			m := d.Nearest[0]
			lines = append(lines, fmt.Sprintf("%s, severity %s: %s", d.Name, severity(m.Severity), m))
		}
	}
	if len(lines) > 0 {
		terminal.Heading(s, "By how much", "The worst miss of each defect at or beyond the severity from which it must be caught.")
		for _, l := range lines {
			s.Say("  %s", l)
		}
	}
	if n := len(r.NotJudged); n > 0 {
		terminal.Heading(s, fmt.Sprintf("Not judged: %s", wording.Count(n, "unit")), "A plan must have an answer for every unit: a measurement that cannot be made is a reading that fails.")
		for i, u := range r.NotJudged {
			if i == maxEscaped {
				s.Say("  and %d more", n-i)
				break
			}
			s.Say("  unit %d: %s: %s", u.Index, u.defects(), u.Reason)
		}
	}
}

func nearestOf(list []missResult) string {
	if len(list) == 0 {
		return ""
	}
	return list[0].String()
}

func (m missResult) String() string {
	return fmt.Sprintf("%s was %s, limit %s: %.0f %% of the room from a typical good unit left",
		m.Reading, reports.FormatQuantityBeside(m.Value, m.Limit, m.Unit), reports.FormatQuantity(m.Limit, m.Unit), 100*m.Left)
}

func (u unitResult) defects() string {
	var list []string
	for _, g := range u.Defects {
		list = append(list, g.Name+" "+severity(g.Severity))
	}
	return cmp.Or(strings.Join(list, ", "), "good")
}

func (r *rehearsalResult) writeLimits(s *terminal.Screen) {
	var shown []limitResult
	for _, l := range r.Limits {
		if l.Good > 0 && (l.Side != "equal" || l.Rejected > 0) {
			shown = append(shown, l)
		}
	}
	if len(shown) == 0 {
		return
	}
	// What matters most: limits that reject good units, then those with the
	// least room, on either side.
	slices.SortStableFunc(shown, func(a, b limitResult) int {
		return cmp.Or(cmp.Compare(b.Rejected, a.Rejected), cmp.Compare(a.slack(), b.slack()))
	})
	terminal.Heading(s, "Where limits stand",
		"Between the worst good unit and the mildest of those that must be caught and that no other limit catches.\nRoom: what is left towards each, of the way from a typical good unit to the limit. The tightest first; --json has all.")
	rows := [][]string{{"limit", "line", "good", "worst", "room", "limit", "mildest", "room", "with", ""}}
	for _, l := range shown[:min(len(shown), maxTight)] {
		rows = append(rows, l.row())
	}
	table(s, rows)
}

// beyond is how far beyond the limit the mildest unit stands that it must
// catch, of the room between a typical good unit and the limit.
func (l limitResult) beyond() (room float64, ok bool) {
	if l.Mildest == nil || l.At == l.Median {
		return 0, false
	}
	return (l.Mildest.Value-l.Median)/(l.At-l.Median) - 1, true
}

// slack is the smaller of the two rooms.
func (l limitResult) slack() float64 {
	if b, ok := l.beyond(); ok {
		return min(l.Left, b)
	}
	return l.Left
}

func (l limitResult) row() []string {
	q := func(x float64) string { return reports.FormatQuantity(x, l.Unit) }
	sign := map[string]string{"upper": "≤ ", "lower": "≥ ", "equal": "="}[l.Side]
	row := []string{l.Limit, strconv.Itoa(l.Line)}
	if l.Side == "equal" {
		return append(row, "", "", "", sign, "", "", "", rejectedWord(l.Rejected))
	}
	row = append(row, q(l.Median), q(l.Worst), fmt.Sprintf("%.0f %%", 100*l.Left), sign+q(l.At))
	if b, ok := l.beyond(); ok {
		row = append(row, q(l.Mildest.Value), fmt.Sprintf("%.0f %%", 100*b), unitResult{Defects: l.Mildest.Defects}.defects())
	} else {
		row = append(row, "", "", "")
	}
	return append(row, rejectedWord(l.Rejected))
}

func rejectedWord(n int) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("REJECTS %d good", n)
}

func (r *rehearsalResult) writeCycle(s *terminal.Screen) {
	c := r.Cycle
	if c.Units == 0 {
		return
	}
	terminal.Heading(s, "Time on the bench", "Of the plan, without handling; the simulated instruments answer as fast as usual ones.")
	text := fmt.Sprintf("  mean %.1f s, 95 %% within %.1f s, at most %.1f s", c.Mean, c.P95, c.Max)
	if c.CycleTime > 0 {
		text += fmt.Sprintf("; cycle time %g s, ", c.CycleTime)
		if c.Over == 0 {
			text += "kept by all"
		} else {
			text += fmt.Sprintf("NOT KEPT by %d of %d", c.Over, c.Units)
		}
	}
	s.Say("%s", text)
	order := slices.Clone(c.Checks)
	slices.SortStableFunc(order, func(a, b checkCycle) int { return cmp.Compare(b.Share, a.Share) })
	rows := [][]string{}
	for _, k := range order {
		rows = append(rows, []string{k.Check, fmt.Sprintf("%4.1f s", k.Mean), fmt.Sprintf("%3.0f %%", 100*k.Share), strings.Repeat("█", int(math.Round(40*k.Share))),
			unusual(k)})
	}
	rows = append(rows, []string{"(ready, safe)", fmt.Sprintf("%4.1f s", c.Rest), fmt.Sprintf("%3.0f %%", 100*c.Rest/c.Mean), strings.Repeat("█", int(math.Round(40*c.Rest/c.Mean)))})
	table(s, rows)
}

// unusual says that a check takes much longer on some units.
func unusual(k checkCycle) string {
	if k.Max > 1.1*k.Mean+0.05 {
		return fmt.Sprintf("up to %.1f s", k.Max)
	}
	return ""
}

func (r *rehearsalResult) writeVerdict(s *terminal.Screen) {
	of := "units of the population that must be caught"
	if r.Population.Units == 0 {
		of = "units of the sweep that must be caught"
	}
	s.Say("")
	s.Say("%s", r.Escapes.line(s, "Escapes", of))
	if r.FalseRejects.Of > 0 {
		s.Say("%s", r.FalseRejects.line(s, "False rejects", "good units"))
	}
	if n := len(r.NotJudged); n > 0 {
		s.Say("%s", s.Strong(fmt.Sprintf("NOT JUDGED: %s", wording.Count(n, "unit"))))
	}
	missed, of2 := 0, 0
	for _, d := range r.Defects {
		missed, of2 = missed+d.SweepMissed.Count, of2+d.SweepMissed.Of
	}
	if of2 > 0 && r.Population.Units > 0 {
		s.Say("In the sweep %d of %d that must be caught were missed.", missed, of2)
	}
	s.Say("%s", s.Faint(fmt.Sprintf("%s in %.0f s, %.0f a second.", wording.Count(r.Done, "unit"), r.titles.took.Seconds(), float64(r.Done)/max(r.titles.took.Seconds(), 1e-3))))
}

func (x shareResult) line(s *terminal.Screen, name, of string) string {
	if x.Of == 0 {
		return fmt.Sprintf("%s: nothing to count: no %s", name, of)
	}
	word := "as allowed"
	if !x.Kept {
		word = "MORE THAN ALLOWED"
	}
	return s.Strong(fmt.Sprintf("%s: %d of %d %s, %s", name, x.Count, x.Of, of, percent(x.Share))) +
		fmt.Sprintf("; allowed %s: %s. From so many units, between %s and %s (95 %%, Clopper-Pearson).", percent(x.Allowed), word, percent(x.Low), percent(x.High))
}

func percent(x float64) string { return strconv.FormatFloat(100*x, 'g', 3, 64) + " %" }
