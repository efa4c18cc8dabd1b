package yield

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

func plural(n int64, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return strconv.FormatInt(n, 10) + " " + word + "s"
}

// yieldText: "First-pass yield: 92.1 % in 24A, 95.4 % in 24B, 3.3 points more
// (0.4 to 6.1)."
func (c Comparison) yieldText(y ShareDifference) string {
	if !y.A.Known() || !y.B.Known() {
		return "First-pass yield cannot be compared: not both have a unit that was judged."
	}
	text := fmt.Sprintf("First-pass yield: %s in %s (%d of %d), %s in %s (%d of %d)",
		Percent(y.A.Value), c.A, y.A.Count, y.A.Of, Percent(y.B.Value), c.B, y.B.Count, y.B.Of)
	d := y.Difference
	switch {
	case y.Test == nil:
		return text + ": no difference."
	case y.Test.P > 1-c.Confidence:
		return text + fmt.Sprintf(": chance alone may do this; the difference may be anything from %s to %s.", signed(d.Low), sayPoints(d.High))
	case d.Value > 0:
		return text + fmt.Sprintf(": %s more, %s to %s.", sayPoints(d.Value), sayDigits(100*d.Low, 2), sayDigits(100*d.High, 2))
	}
	return text + fmt.Sprintf(": %s less, %s to %s.", sayPoints(-d.Value), sayDigits(-100*d.High, 2), sayDigits(-100*d.Low, 2))
}

func signed(x float64) string { return sayDigits(100*x, 2) }

// readingText is one sentence on a reading.
func (c Comparison) readingText(d Difference, say Say) string {
	if d.Level.Test == nil {
		return c.untestedText(d, say)
	}
	var parts []string
	if d.Level.Difference.Method == MethodPopulation {
		parts = append(parts, c.populationText(d, say))
	} else if d.differs(DiffersLevel) {
		parts = append(parts, c.levelText(d, say))
	}
	if d.differs(DiffersSpread) {
		parts = append(parts, c.spreadText(d, say))
	}
	if d.differs(DiffersFailing) {
		f := d.Failing
		parts = append(parts, fmt.Sprintf("fails in %s of %s (%d of %d) and in %s of %s (%d of %d)",
			Percent(f.B.Value), c.B, f.B.Count, f.B.Of, Percent(f.A.Value), c.A, f.A.Count, f.A.Of))
	}
	if len(parts) > 0 {
		return d.Name + ": " + strings.Join(parts, "; ") + "."
	}
	text := d.Name + ": no difference beyond chance"
	if e := d.Level.Difference; !math.IsNaN(e.Low) {
		text += fmt.Sprintf("; %s may lie from %s to %s against %s", c.B, say(e.Low, d.Unit), say(e.High, d.Unit), c.A)
	}
	if least := d.leastP(); least <= 1-c.Confidence {
		text += fmt.Sprintf(" (alone it would count, but of %d questions asked at once some come out like this by chance)", c.Questions)
	}
	return text + "."
}

func (d Difference) leastP() float64 {
	least := 1.0
	for _, t := range d.tests() {
		if t != nil {
			least = min(least, t.P)
		}
	}
	return least
}

func (c Comparison) untestedText(d Difference, say Say) string {
	if d.A.N == 1 && d.B.N == 1 {
		return fmt.Sprintf("%s: %s in %s, %s in %s: one value each and no population to set the difference against, so nothing can be said of it.",
			d.Name, say(d.A.Mean, d.Unit), c.A, say(d.B.Mean, d.Unit), c.B)
	}
	why := "it cannot be told from chance"
	if len(d.Cautions) > 0 {
		why = d.Cautions[0]
	} else if d.Level.Why != "" {
		why = d.Level.Why
	}
	return fmt.Sprintf("%s: %s.", d.Name, why)
}

// populationText is on two single units.
func (c Comparison) populationText(d Difference, say Say) string {
	e := d.Level.Difference
	if e.Value == 0 {
		return fmt.Sprintf("%s and %s read the same, %s", c.A, c.B, say(d.A.Mean, d.Unit))
	}
	how := "less"
	if e.Value > 0 {
		how = "more"
	}
	times := sayDigits(math.Abs(d.Level.Spreads.Value), 2) + " times"
	if times == "1 times" {
		times = "just"
	}
	text := fmt.Sprintf("%s reads %s %s than %s, %s the spread of %d units; of two units picked at random, %s lie farther apart",
		c.B, say(math.Abs(e.Value), d.Unit), how, c.A, times, d.Level.population, sayChance(d.Level.Test.P))
	if s := d.limitText(); s != "" {
		text += "; " + s
	}
	return text
}

func (c Comparison) levelText(d Difference, say Say) string {
	e := d.Level.Difference
	if e.Value == 0 && d.Level.Higher != nil {
		// Many equal values: the middle stays and the rest moves.
		share, more, less := *d.Level.Higher, c.B, c.A
		if share < 0.5 {
			share, more, less = 1-share, c.A, c.B
		}
		return fmt.Sprintf("%s tends to read higher than %s (in %s of pairs, equal ones counted half), though most of the values are the same", more, less, sayShare(share))
	}
	how, low, high := "higher", e.Low, e.High
	if e.Value < 0 {
		how, low, high = "lower", -e.High, -e.Low
	}
	text := fmt.Sprintf("%s reads %s %s than %s", c.B, say(math.Abs(e.Value), d.Unit), how, c.A)
	if low < high {
		text += " (" + say(low, d.Unit) + " to " + say(high, d.Unit) + ")"
	}
	if s := d.limitText(); s != "" {
		text += ", " + s
	}
	return text
}

// limitText: "12 % of the limit's width nearer to the upper limit".
func (d Difference) limitText() string {
	if d.Limit == nil || d.Limit.Toward == "" {
		return ""
	}
	l := d.Limit
	share := math.Abs(l.Share.Value)
	switch {
	case math.IsNaN(share) && l.Of == "room":
		return "with the mean of the first beyond its limit already"
	case math.IsNaN(share):
		return ""
	case l.Of == "width" && l.Inward:
		return sayShare(share) + " of the limits' width, towards their middle"
	case l.Of == "width":
		return sayShare(share) + " of the limits' width nearer to the " + l.Toward + " limit"
	case l.Inward:
		return "which gives " + sayShare(share) + " more room to the limit"
	}
	return "which takes " + sayShare(share) + " of the room to the limit"
}

func (c Comparison) spreadText(d Difference, say Say) string {
	s := *d.Spread
	if math.IsNaN(s.Ratio.Value) || s.Ratio.Value == 0 {
		return fmt.Sprintf("scatters by %s in %s and by %s in %s", say(s.B, d.Unit), c.B, say(s.A, d.Unit), c.A)
	}
	more, less, ratio, low, high := c.B, c.A, s.Ratio.Value, s.Ratio.Low, s.Ratio.High
	if ratio < 1 {
		more, less, ratio, low, high = c.A, c.B, 1/ratio, 1/high, 1/low
	}
	text := fmt.Sprintf("%s scatters %s times as much as %s", more, sayDigits(ratio, 2), less)
	if !math.IsNaN(low) {
		text += fmt.Sprintf(" (%s to %s)", sayDigits(low, 2), sayDigits(high, 2))
	}
	return text
}

// text is for the whole.
func (c Comparison) text() string {
	n := len(c.Readings)
	if n == 0 {
		return fmt.Sprintf("%s and %s have no reading in common: nothing can be compared.", c.A, c.B)
	}
	tested := n - c.Untested
	var text string
	switch {
	case tested == 0:
		text = fmt.Sprintf("Of %s none can be told from chance: there are too few values.", plural(int64(n), "reading"))
	case c.Differ == 0 && tested == 1:
		text = "The one reading does not differ beyond chance."
	case c.Differ == 0:
		text = fmt.Sprintf("None of %d readings differs beyond chance.", tested)
	default:
		verb := "differ"
		if c.Differ == 1 {
			verb = "differs"
		}
		text = fmt.Sprintf("%d of %s %s; the most important: %s", c.Differ, plural(int64(tested), "reading"), verb, c.Readings[0].Text)
		if c.Differ < tested {
			text += " The rest is within what chance brings."
		}
	}
	if c.Untested > 0 && tested > 0 {
		text += fmt.Sprintf(" Of %s nothing can be said.", plural(int64(c.Untested), "more reading"))
	}
	for i, only := range [][]string{c.OnlyA, c.OnlyB} {
		if len(only) > 0 {
			text += fmt.Sprintf(" %s only in %s: %s.", plural(int64(len(only)), "reading"), []string{c.A, c.B}[i], strings.Join(only, ", "))
		}
	}
	return text
}

func (c Comparison) cautions() []string {
	var out []string
	few := int64(math.MaxInt64)
	singles := false
	for _, d := range c.Readings {
		few = min(few, d.A.N, d.B.N)
		singles = singles || d.A.N == 1 || d.B.N == 1
	}
	switch {
	case len(c.Readings) == 0:
	case singles:
		out = append(out, "A single value says what this unit read, once: measure it again before acting on it.")
	case few < 8:
		out = append(out, fmt.Sprintf("With as few as %s in a group even large differences can hide: the intervals say how large.", plural(few, "value")))
	}
	if len(c.Readings) > 0 && !singles {
		out = append(out, "That the groups differ does not say why: whatever else differed between them (time, station, operator) may be the cause.")
	}
	return out
}
