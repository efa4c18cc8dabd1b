package station

import (
	"time"

	"fullthrow/reports"
)

// How a station watches its computer's clock.
//
// The times in a record are those of the wall clock when the run began, and from
// then on the time that went by: what somebody does to the wall clock during a
// run changes no duration. Every step is on record all the same, as a code with
// how far: one during a run, and one since the run before, by the time that went
// by meanwhile or, in a program just started, by the newest sealed report. A
// clock that is far from the newest report begins no run: the order of a
// station's reports is that of their numbers, but days and shifts, and the order
// between stations, stand on clocks alone.

// ClockBounds is how far the computer's clock may be from the newest sealed
// report of the station for a run to begin.
type ClockBounds struct {
	Behind time.Duration // 0 means [DefaultBehind]
	Ahead  time.Duration // 0 means [DefaultAhead]
}

// The bounds where nothing is said. Behind is more than any time service sets a
// clock back by; Ahead is longer than a plant stands still.
const (
	DefaultBehind = 5 * time.Minute
	DefaultAhead  = 180 * 24 * time.Hour
)

// clockNoted is the smallest step on record: a time service slews less.
const clockNoted = 2 * time.Second

// Wall is the machine's wall clock alone, without the time that went by.
func Wall() time.Time { return time.Now().Round(0).UTC() }

// moment is one moment by both clocks: the wall clock, and the one that never
// steps.
type moment struct{ wall, steady time.Time }

func (n *Nest) moment() moment {
	steady := n.Clock.Now()
	if n.Wall == nil {
		return moment{steady.Round(0), steady}
	}
	return moment{n.Wall(), steady}
}

// at is a later moment of the steady clock by the wall clock as it was at m.
func (m moment) at(steady time.Time) time.Time { return m.wall.Add(steady.Sub(m.steady)) }

// step is how far the wall clock went beside the time that went by, ahead or
// back; 0 for what is not worth noting.
func (m moment) step(o moment) time.Duration {
	if d := o.wall.Sub(m.at(o.steady)); d.Abs() >= clockNoted {
		return d
	}
	return 0
}

// clockFits says whether a run may begin by the clock.
func (n *Nest) clockFits() error {
	if n.Wall == nil || n.Archive == nil {
		return nil
	}
	newest, ok := n.Archive.Newest()
	if !ok {
		return nil
	}
	now := n.Wall()
	why := reports.Reason{Nest: n.Name, Time: now, Newest: newest.Ended}
	switch {
	case now.Before(newest.Ended.Add(-n.ClockBounds.Behind)):
		why.Code = reports.ClockBehind
	case now.After(newest.Ended.Add(n.ClockBounds.Ahead)):
		why.Code = reports.ClockBeyond
	default:
		return nil
	}
	return &NotReady{why}
}

// stepped is what was done to the clock since the nest's run before, nil if
// nothing was. A nest that has had none knows only that the newest report is of
// later.
func (n *Nest) stepped(now moment) *reports.Reason {
	if n.Wall == nil {
		return nil
	}
	if !n.last.wall.IsZero() {
		return clockReason(n.last.step(now), reports.ClockBack, reports.ClockAhead)
	}
	if newest, ok := n.Archive.Newest(); ok {
		if d := now.wall.Sub(newest.Ended); d <= -clockNoted {
			return clockReason(d, reports.ClockBack, reports.ClockAhead)
		}
	}
	return nil
}

func clockReason(step time.Duration, back, ahead reports.Code) *reports.Reason {
	switch {
	case step < 0:
		return &reports.Reason{Code: back, Seconds: -step.Seconds()}
	case step > 0:
		return &reports.Reason{Code: ahead, Seconds: step.Seconds()}
	}
	return nil
}
