package yield

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fullthrow/reports/statistics"
)

// inTime leaves out values that are not finite and puts the rest in order.
func inTime(points []Point) []Point {
	var out []Point
	for _, p := range points {
		if len(statistics.FiniteOnly([]float64{p.Value})) == 1 {
			out = append(out, p)
		}
	}
	slices.SortStableFunc(out, func(a, b Point) int { return cmp.Or(a.Time.Compare(b.Time)) })
	return out
}

func (d Drift) fewText(say Say) string {
	if d.N >= fewestDrift {
		return fmt.Sprintf("%s: all %d runs of the golden unit were at one time: no drift can be seen.", d.Name, d.N)
	}
	text := fmt.Sprintf("%s: %s of the golden unit: too few to see a drift", d.Name, plural(int64(d.N), "run"))
	if !math.IsNaN(d.Shift.Value) {
		text += fmt.Sprintf("; it reads %s against %s", say(d.Now, d.Unit), say(d.Reference, d.Unit))
	}
	return text + "."
}

// horizon writes days in the unit that suits them.
func horizon(days float64) (per float64, name string) {
	switch {
	case days < 14:
		return 1, "day"
	case days < 120:
		return 7, "week"
	case days < 730:
		return 30.44, "month"
	}
	return 365.25, "year"
}

func sayHorizon(e Estimate) string {
	per, name := horizon(e.Value)
	n := max(1, math.Round(e.Value/per))
	text := "about " + plural(int64(n), name)
	if e.Value < 0.5 {
		text = "a day or less"
	}
	if math.IsNaN(e.Low) {
		return text
	}
	low, high := math.Floor(e.Low/per), math.Ceil(e.High/per)
	if e.High/per > 1000 {
		return fmt.Sprintf("%s, not before %.0f", text, low)
	}
	return fmt.Sprintf("%s, between %.0f and %.0f", text, low, high)
}

func (d Drift) text(say Say, width float64) string {
	unit := d.Unit
	switch d.Kind {
	case DriftStep:
		s := d.Step
		how := "up"
		if s.Size.Value < 0 {
			how = "down"
		}
		text := fmt.Sprintf("%s of the golden unit jumped %s by %s", d.Name, how, say(math.Abs(s.Size.Value), unit))
		text += sizes(say, s.Size, unit) + " by " + s.Time.Format("2006-01-02")
		if !math.IsNaN(width) {
			text += ", " + sayShare(math.Abs(s.Size.Value)/width) + " of the limits' width"
		}
		text += ": look what was changed then"
		return text + d.verdict()
	case DriftSlope:
		how := "up"
		if d.Slope.Value < 0 {
			how = "down"
		}
		month := Estimate{Value: 30 * d.Slope.Value, Low: 30 * d.Slope.Low, High: 30 * d.Slope.High}
		text := fmt.Sprintf("%s of the golden unit drifts %s by %s in 30 days", d.Name, how, say(math.Abs(month.Value), unit))
		text += sizes(say, month, unit)
		if v := math.Abs(d.PerMonth.Value); !math.IsNaN(v) {
			text += ", " + sayShare(v) + " of the limits' width"
		}
		if d.Reach != nil {
			if d.Reach.Days.Value == 0 {
				text += "; it is at the " + d.Reach.Limit + " limit now"
			} else {
				text += fmt.Sprintf("; at this rate it reaches the %s limit in %s", d.Reach.Limit, sayHorizon(d.Reach.Days))
			}
		}
		return text + d.verdict()
	}
	text := fmt.Sprintf("%s of the golden unit is steady over %s in %s", d.Name, plural(int64(d.N), "run"), plural(int64(math.Round(d.Days)), "day"))
	if most := 30 * max(math.Abs(d.Slope.Low), math.Abs(d.Slope.High)); most > 0 {
		text += fmt.Sprintf("; a drift of more than %s in 30 days would have shown", say(most, unit))
	}
	if d.shifted() {
		text += fmt.Sprintf("; but the last %d read %s off the reference%s", d.NowRuns, say(math.Abs(d.Shift.Value), unit), sizes(say, d.Shift, unit))
		return text + d.verdict()
	}
	return text + "."
}

// sizes is an interval without sign: " (1 to 2 mA)".
func sizes(say Say, e Estimate, unit string) string {
	low, high := e.Low, e.High
	if e.Value < 0 {
		low, high = -high, -low
	}
	if !(low < high) {
		return ""
	}
	return " (" + say(low, unit) + " to " + say(high, unit) + ")"
}

func (d Drift) verdict() string {
	switch {
	case d.Matters:
		return ". This matters: check the fixture and its calibration."
	case math.IsNaN(d.ShiftShare.Value):
		return ". There are not two limits to measure it by."
	}
	return ". This does not matter yet."
}

func (d *Drift) caution(s Series) {
	if d.N < 10 {
		d.Cautions = append(d.Cautions, fmt.Sprintf("Only %d runs: a single odd one can look like a drift.", d.N))
	}
	if d.LagOne > 2/math.Sqrt(float64(d.N)) {
		d.Cautions = append(d.Cautions, fmt.Sprintf("Neighbouring runs are alike (autocorrelation %s): %d runs tell as much as %.0f, and the intervals are widened for it.",
			sayDigits(d.LagOne, 2), d.N, max(1, d.Effective)))
	}
	if d.Reach != nil && d.Reach.Days.Value > d.Days {
		d.Cautions = append(d.Cautions, "That looks farther ahead than the record looks back: it is where this would lead, no forecast.")
	}
	if s.LimitChanged {
		d.Cautions = append(d.Cautions, "The limit was changed meanwhile; shares go by the newest.")
	}
	if s.Total > int64(len(s.Points)) {
		d.Cautions = append(d.Cautions, fmt.Sprintf("Only the newest %d of %d runs are looked at.", len(s.Points), s.Total))
	}
}
