package yield

import (
	"fmt"
	"slices"
	"strconv"
	"time"
)

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
		start := c.shift(t, midnight)
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

// shift is the newest beginning of a shift that is not after t: before the
// day's first it is the last of the day before.
func (c Cutting) shift(t, midnight time.Time) time.Time {
	shifts := c.Shifts
	if len(shifts) == 0 {
		shifts = []time.Duration{6 * time.Hour, 14 * time.Hour, 22 * time.Hour}
	}
	at := func(back int, d time.Duration) time.Time { // by the clock on the wall, also on days of 23 or 25 hours
		y, m, day := midnight.Date()
		return time.Date(y, m, day-back, int(d/time.Hour), int(d%time.Hour/time.Minute), 0, 0, c.Zone)
	}
	for _, d := range slices.Backward(shifts) {
		if start := at(0, d); !start.After(t) {
			return start
		}
	}
	return at(1, shifts[len(shifts)-1])
}
