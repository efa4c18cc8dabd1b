package yield

import (
	"time"

	"fullthrow/reports/statistics"
)

// Counts is what a group of runs adds up to. Golden units, and reports whose
// seal does not fit, are in none of it.
//
// A run is judged that passed, failed, or broke a limit and was then cut short:
// aborted, or ended by a fault of the bench or an error of the plan. One that
// was cut short before it broke anything says nothing of its unit.
//
// A unit belongs to the group of its first judged run (at whatever station), and
// stays there with whatever later runs bring: so units, yields and retests of all
// groups add up to those of the whole. Runs and
// times belong to the group in which the run itself began.
type Counts struct {
	Runs    int64 `json:"runs"` // of every outcome
	Passed  int64 `json:"passed"`
	Failed  int64 `json:"failed"`
	Errors  int64 `json:"errors"`  // ended by a fault of the bench or an error of the plan
	Aborted int64 `json:"aborted"` // ended by the operator, the guard or a signal
	// CutShort are those of Errors and Aborted that had broken a limit by then,
	// AbortedCutShort those of Aborted.
	CutShort        int64 `json:"cut_short"`
	AbortedCutShort int64 `json:"aborted_cut_short"`

	Units       int64 `json:"units"`        // with at least one judged run
	FirstPassed int64 `json:"first_passed"` // units whose first judged run passed
	// units whose first judged run broke a limit and was then cut short: some of those that did not pass
	FirstCutShort int64 `json:"first_cut_short"`
	FinalPassed   int64 `json:"final_passed"` // units whose newest judged run passed
	Retested      int64 `json:"retested"`     // units with more than one judged run
	Retests       int64 `json:"retests"`      // judged runs after the first
	// NoFaultFound counts units that failed first and passed in the end
	// without anything having been done: no repair on record, or one that
	// found no fault.
	NoFaultFound int64 `json:"no_fault_found"`
	Repaired     int64 `json:"repaired"` // units with a repair that found something

	Defects       int64 `json:"defects"`       // failed checks in first judged runs
	Opportunities int64 `json:"opportunities"` // checks judged pass or fail in first judged runs

	JudgedTime  float64 `json:"judged_time"`  // s, of passed and failed runs
	ErrorTime   float64 `json:"error_time"`   // s, of runs that ended as error
	AbortedTime float64 `json:"aborted_time"` // s, of runs that were aborted
}

// Group is the counts of one lot, hour, station, ...
type Group struct {
	Key    string    `json:"key"`            // as people read it: "24A", "2026-03-02 06:00"
	Start  time.Time `json:"start,omitzero"` // of a period
	Counts Counts    `json:"counts"`
}

// CheckCount is how a check went in the first judged runs of units.
type CheckCount struct {
	Check  string `json:"check"`
	Judged int64  `json:"judged"` // units of which it was judged pass or fail
	Passed int64  `json:"passed"`
}

// FailureCount is how often one thing was wrong.
type FailureCount struct {
	Name  string `json:"name"`            // check, "check.reading", or cause in words
	Where string `json:"where,omitempty"` // of several like parts a cause is in
	Part  string `json:"part,omitempty"`  // of the handset
	Rule  string `json:"rule,omitempty"`  // of a cause
	Units int64  `json:"units"`           // with it in their first judged run; each once
	Runs  int64  `json:"runs"`            // judged runs with it, retests included
}

// UnitAborts is how often the runs of a unit were aborted.
type UnitAborts struct {
	Product      string `json:"product"`
	SerialNumber string `json:"serial_number"`
	Aborted      int64  `json:"aborted"`
	CutShort     int64  `json:"cut_short"` // of them, with a limit broken by then
}

// Histogram counts times in bins of equal width from 0 on.
type Histogram struct {
	Width  float64 `json:"width"` // s
	Counts []int64 `json:"counts"`
	N      int64   `json:"n"`
	Sum    float64 `json:"sum"` // s
	Min    float64 `json:"min"` // s
	Max    float64 `json:"max"` // s
	// CycleTime is the plan's and Takt the station's, as the newest run states
	// them; s, 0 none.
	CycleTime float64 `json:"cycle_time,omitempty"`
	Takt      float64 `json:"takt,omitempty"`
}

// Point is one reading of one run.
type Point struct {
	Run          string    `json:"run"`
	SerialNumber string    `json:"serial_number"`
	Revision     string    `json:"revision,omitempty"`
	Lot          string    `json:"lot,omitempty"`
	Station      string    `json:"station"`
	Nest         string    `json:"nest"`
	Operator     string    `json:"operator,omitempty"`
	Time         time.Time `json:"time"` // when the run began
	// At is the same as far as the station's clock is believed, where that
	// contradicts the order of its runs; zero: Time.
	At      time.Time `json:"-"`
	First   bool      `json:"first"` // the unit's first judged run
	Value   float64   `json:"value"` // in the series' unit; always finite
	Verdict string    `json:"verdict"`
}

// Series is a reading over runs, the oldest first.
type Series struct {
	Name   string   `json:"name"`            // check.reading
	Unit   string   `json:"unit"`            // without prefix
	Lower  *float64 `json:"lower,omitempty"` // limit, as in the newest run of the series
	Upper  *float64 `json:"upper,omitempty"`
	Points []Point  `json:"points"`
	// Total is how many there are in all; where it is more than Points, Points
	// are the newest.
	Total int64 `json:"total"`
	// LimitChanged says that not all points were judged by the same limit.
	LimitChanged bool `json:"limit_changed,omitempty"`
}

// Values are the values of the points, in order.
func (s Series) Values() []float64 {
	v := make([]float64, len(s.Points))
	for i, p := range s.Points {
		v[i] = p.Value
	}
	return v
}

// Moments sum up one reading over all judged first runs of a selection.
type Moments struct {
	Name string `json:"name"` // check.reading
	Unit string `json:"unit"`
	statistics.Moments
	Failed int64    `json:"failed"`
	Lower  *float64 `json:"lower,omitempty"` // limit, as in the newest run
	Upper  *float64 `json:"upper,omitempty"`
}

// When is when the run began, as far as the station's clock is believed.
func (p Point) When() time.Time {
	if p.At.IsZero() {
		return p.Time
	}
	return p.At
}
