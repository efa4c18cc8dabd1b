package page

import (
	"math"

	"fullthrow/reports"
)

// course is the run drawn along its time.
type course struct {
	Width   float64
	Steps   []step
	End     float64 // place of the mark where the plan means to be done, 0 none
	Label   string  // of that mark, at LabelAt
	LabelAt float64
	Desc    string
	Tally   []tally
	Took    string
}

type tally struct{ Shape, Text string }

type step struct {
	X, Width, Mid float64
	Shape, Name   string
	Anchor        string
	Row           int // of its label
	LabelY        float64
	Leader        float64 // from the middle of the step down to the label
	Took          string
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

const courseWidth = 660.0

// newCourse draws the checks along the time of the run.
func (w words) newCourse(r reports.Report, checks []check) course {
	c := course{Width: courseWidth, Took: w.T("report.took", "time", w.took(r.Ended.Sub(r.Started)))}
	counts := map[string]int{}
	for _, v := range checks {
		counts[v.Shape]++
	}
	for _, shape := range []string{"fail", "doubt", "error", "pass", "none"} {
		if n := counts[shape]; n > 0 {
			c.Tally = append(c.Tally, tally{shape, w.T("report.tally."+shape, "count", n)})
		}
	}
	total := r.Ended.Sub(r.Started).Seconds()
	if !(total > 0) {
		return c
	}
	end := total
	if r.CycleTime > total && r.CycleTime < 4*total {
		end = r.CycleTime * 1.02
	}
	if r.CycleTime > 0 && r.CycleTime <= end {
		c.End = round1(courseWidth * r.CycleTime / end)
		c.Label = w.T("report.cycle_time", "time", w.Quantity(r.CycleTime, "s"))
		half := float64(len([]rune(c.Label)))*3.4 + 5
		c.LabelAt = min(max(c.End, half), courseWidth-half)
	}
	free := [3]float64{} // where each row of labels is free again
	for _, v := range checks {
		if v.Started.IsZero() {
			continue
		}
		ended := v.Ended
		if ended.IsZero() {
			ended = r.Ended
		}
		s := step{Shape: v.Shape, Name: reports.Brief(v.Name, 14), Anchor: v.Anchor, Took: w.took(ended.Sub(v.Started))}
		s.X = round1(courseWidth * v.Started.Sub(r.Started).Seconds() / end)
		s.Width = round1(max(2, courseWidth*ended.Sub(v.Started).Seconds()/end-1.5))
		half := float64(len([]rune(s.Name)))*3.4 + 5
		s.Mid = min(max(s.X+s.Width/2, half), courseWidth-half)
		s.Row = -1
		for row := range free {
			if s.Mid-half >= free[row] {
				s.Row, free[row] = row, s.Mid+half
				break
			}
		}
		s.LabelY = 46 + 14*float64(max(s.Row, 0))
		s.Leader = round1(s.X + s.Width/2)
		c.Steps = append(c.Steps, s)
	}
	c.Desc = w.T("report.tally.course", "count", len(c.Steps), "time", w.took(r.Ended.Sub(r.Started)))
	return c
}
