package yield

import (
	"fmt"
	"slices"
	"strconv"
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

// MomentsOf are the [statistics.MomentsOf] values of a reading.
func MomentsOf(name, unit string, values []float64) (m Moments, dropped int) {
	m = Moments{Name: name, Unit: unit}
	m.Moments, dropped = statistics.MomentsOf(values)
	return m, dropped
}

// MaxPeriods is how many groups [FillPeriods] gives at most.
const MaxPeriods = 20_000

// FillPeriods puts an empty group in for each period between the first and the
// last in which nothing ran, so that a chart shows the gap. groups are in order
// of time, each with its Start; next gives the start of the period after the one
// that starts at t (see [Following]), and key how a period is called.
//
// Groups of which one has no Start, are out of order, or would become more than
// [MaxPeriods], come back as they are.
func FillPeriods(groups []Group, next func(t time.Time) time.Time, key func(t time.Time) string) []Group {
	var filled []Group
	for i, g := range groups {
		if g.Start.IsZero() || i > 0 && g.Start.Before(groups[i-1].Start) {
			return groups
		}
		if i > 0 {
			// Only periods that end before the next group begins: where clocks
			// are put back, starts need not meet.
			for t := next(groups[i-1].Start); ; {
				end := next(t)
				if !end.After(t) || end.After(g.Start) {
					break
				}
				if len(filled) >= MaxPeriods {
					return groups
				}
				filled = append(filled, Group{Key: key(t), Start: t})
				t = end
			}
		}
		filled = append(filled, g)
	}
	if len(filled) > MaxPeriods {
		return groups
	}
	return filled
}

// Following gives the step of [FillPeriods] for periods by the names "hour",
// "shift", "day", "week" and "month"; nil for any other. Days begin at midnight
// in zone (nil is UTC), shifts at the times of day given, ascending; with none,
// at 06:00, 14:00 and 22:00.
func Following(period string, zone *time.Location, shifts []time.Duration) func(time.Time) time.Time {
	if zone == nil {
		zone = time.UTC
	}
	days := func(years, months, days int) func(time.Time) time.Time {
		return func(t time.Time) time.Time {
			y, m, d := t.In(zone).Date()
			return time.Date(y+years, m+time.Month(months), d+days, 0, 0, 0, 0, zone)
		}
	}
	switch period {
	case "hour":
		return func(t time.Time) time.Time { return t.Add(time.Hour) }
	case "day":
		return days(0, 0, 1)
	case "week":
		return days(0, 0, 7)
	case "month":
		return days(0, 1, 0)
	case "shift":
		shifts = slices.Clone(usualShifts(shifts))
		return func(t time.Time) time.Time {
			local := t.In(zone)
			y, m, d := local.Date()
			for day := 0; ; day++ {
				for _, s := range shifts { // by the clock on the wall, also where it is put forward
					at := time.Date(y, m, d+day, 0, int(s/time.Minute), 0, 0, zone)
					if at.After(local) {
						return at
					}
				}
			}
		}
	}
	return nil
}

// Subgroup is what one point of a control chart is made of: units made and
// measured so alike that only chance tells them apart, so that what differs
// between subgroups is something else. A single unit is a subgroup of one.
type Subgroup struct {
	Label  string    `json:"label"` // as people read it: a serial number, "24A", "2026-03-02 06:00"
	Start  time.Time `json:"start,omitzero"`
	Values []float64 `json:"values"`
	// Members are the indices of the values in the series they were cut from.
	Members []int `json:"members,omitempty"`
}

// Singles makes a subgroup of each value, labelled by its number from 1.
func Singles(values []float64) []Subgroup {
	all := make([]Subgroup, len(values))
	for i := range values {
		all[i] = Subgroup{Label: strconv.Itoa(i + 1), Values: values[i : i+1 : i+1], Members: []int{i}}
	}
	return all
}

// Cutting says how a series is cut into subgroups.
type Cutting struct {
	// By is "unit" (each its own subgroup; also if empty and Every is 0),
	// "hour", "shift", "day", "week" (from Monday), "lot", "revision",
	// "station", "nest" (of its station), "operator".
	By string
	// Every cuts into so many points after one another, instead of By; a rest
	// that does not fill a subgroup is left out. Where several nests take turns
	// such a subgroup mixes them: cut the series of one nest.
	Every int
	// Zone and Shifts are where hours, days and shifts begin, as in the
	// store's selections: nil is UTC; times of day after midnight, ascending;
	// none means 06:00, 14:00 and 22:00.
	Zone   *time.Location
	Shifts []time.Duration
}

// Cut cuts a series into rational subgroups: periods in order of time, others
// in the order in which they first occur. Points of a lot that came between
// those of another belong to their lot all the same. Points without a lot
// (revision, operator) form a subgroup "none". An empty series gives none.
func Cut(s Series, c Cutting) ([]Subgroup, error) {
	if c.Every < 0 || c.Every > 0 && c.By != "" {
		return nil, fmt.Errorf("subgroups of %s: either a number of points, 1 at least, or what to group by", s.Name)
	}
	if c.Every > 0 {
		return cutEvery(s, c.Every), nil
	}
	if c.Zone == nil {
		c.Zone = time.UTC
	}
	if c.By == "" || c.By == "unit" {
		all := Singles(s.Values())
		for i, p := range s.Points {
			all[i].Label, all[i].Start = labelOf(p), p.Time
		}
		return all, nil
	}
	var all []Subgroup
	place := map[string]int{}
	for i, p := range s.Points {
		key, start, err := c.key(p)
		if err != nil {
			return nil, fmt.Errorf("subgroups of %s: %w", s.Name, err)
		}
		at, ok := place[key]
		if !ok {
			at = len(all)
			place[key] = at
			all = append(all, Subgroup{Label: key, Start: start})
		}
		all[at].Values = append(all[at].Values, p.Value)
		all[at].Members = append(all[at].Members, i)
	}
	if slices.Contains([]string{"hour", "shift", "day", "week"}, c.By) {
		slices.SortStableFunc(all, func(a, b Subgroup) int { return a.Start.Compare(b.Start) })
	}
	return all, nil
}

func cutEvery(s Series, every int) []Subgroup {
	var all []Subgroup
	for i := 0; i+every <= len(s.Points); i += every {
		g := Subgroup{Label: labelOf(s.Points[i]), Start: s.Points[i].Time}
		if every > 1 {
			g.Label = fmt.Sprintf("%d to %d", i+1, i+every)
		}
		for j := i; j < i+every; j++ {
			g.Values, g.Members = append(g.Values, s.Points[j].Value), append(g.Members, j)
		}
		all = append(all, g)
	}
	return all
}

func labelOf(p Point) string {
	if p.SerialNumber != "" {
		return p.SerialNumber
	}
	return p.Run
}

// key is the subgroup a point belongs to, and when that begins.
func (c Cutting) key(p Point) (string, time.Time, error) {
	t := p.Time.In(c.Zone)
	year, month, day := t.Date()
	midnight := time.Date(year, month, day, 0, 0, 0, 0, c.Zone)
	named := func(name string) (string, time.Time, error) {
		if name == "" {
			name = "none"
		}
		return name, p.Time, nil
	}
	switch c.By {
	case "hour":
		start := t.Truncate(time.Hour) // of absolute time: right where a zone is whole hours from UTC
		if _, offset := t.Zone(); offset%3600 != 0 {
			start = t.Add(-time.Duration(t.Minute())*time.Minute - time.Duration(
				t.Second())*time.Second - time.Duration(t.Nanosecond()))
		}
		return start.Format("2006-01-02 15:00"), start, nil
	case "shift":
		start := ShiftStart(t, c.Shifts)
		return start.Format("2006-01-02 15:04"), start, nil
	case "day":
		return midnight.Format("2006-01-02"), midnight, nil
	case "week":
		monday := time.Date(year, month, day-(int(t.Weekday())+6)%7, 0, 0, 0, 0, c.Zone)
		y, w := t.ISOWeek()
		return fmt.Sprintf("%d-W%02d", y, w), monday, nil
	case "lot":
		return named(p.Lot)
	case "revision":
		return named(p.Revision)
	case "station":
		return named(p.Station)
	case "nest":
		return named(p.Station + " " + p.Nest)
	case "operator":
		return named(p.Operator)
	}
	return "", time.Time{}, fmt.Errorf("nothing is grouped by %q", c.By)
}

// usualShifts are those of a plant that states none.
func usualShifts(shifts []time.Duration) []time.Duration {
	if len(shifts) == 0 {
		return []time.Duration{6 * time.Hour, 14 * time.Hour, 22 * time.Hour}
	}
	return shifts
}

// ShiftStart is the newest beginning of a shift that is not after t: before the
// day's first it is the last of the day before. Shifts are as in [Cutting], by
// the clock on the wall, also on days of 23 or 25 hours.
func ShiftStart(t time.Time, shifts []time.Duration) time.Time {
	y, m, d := t.Date()
	for day := d; ; day-- {
		for _, s := range slices.Backward(usualShifts(shifts)) {
			if start := time.Date(y, m, day, 0, int(s/time.Minute), 0, 0, t.Location()); !start.After(t) {
				return start
			}
		}
	}
}

// When is when the run began, as far as the station's clock is believed.
func (p Point) When() time.Time {
	if p.At.IsZero() {
		return p.Time
	}
	return p.At
}
