package store

import (
	"encoding/json"
	"math/bits"
)

// layout is the order in which a plan judges: its checks, and its readings
// with their units and limits. Runs of one plan share it; one that was cut
// short, or took another way through the plan, fits it with gaps.
type layout struct {
	id       int64
	product  string
	Checks   []layoutCheck   `json:"checks"`
	Readings []layoutReading `json:"readings"`
}

type layoutCheck struct {
	ID    int64  `json:"id"`    // in name
	Alone int64  `json:"alone"` // in name, as what failed where no reading did
	Name  string `json:"name"`
	Part  string `json:"part,omitempty"`
}

type layoutReading struct {
	ID    int64    `json:"id"` // in name
	Check string   `json:"check"`
	Name  string   `json:"name"`
	Unit  string   `json:"unit,omitempty"`
	Kind  string   `json:"kind,omitempty"` // "number", "boolean", "text", "" where no run had a value
	Lower *float64 `json:"lower,omitempty"`
	Upper *float64 `json:"upper,omitempty"`

	check int // index of its check, -1 none
}

func (r *layoutReading) full() string { return r.Check + "." + r.Name }

var kindWords = map[byte]string{'n': "number", 'b': "boolean", 't': "text", 0: ""}

func sameLimit(a, b *float64) bool { return a == nil && b == nil || a != nil && b != nil && *a == *b }

// fits says whether a run's reading can stand here.
func (r *layoutReading) fits(p *readingPart) bool {
	return r.Name == p.name && r.Check == p.check && r.Unit == p.unit && (p.kind == 0 || kindWords[p.kind] == r.Kind) &&
		sameLimit(r.Lower, p.lower) && sameLimit(r.Upper, p.upper)
}

// holds says whether all checks and readings of a run have a place, in order.
func (l *layout) holds(r *record) bool {
	if l.product != r.group.product || len(l.Checks) < len(r.checks) || len(l.Readings) < len(r.readings) {
		return false
	}
	i := 0
	for k := range l.Checks {
		if i < len(r.checks) && l.Checks[k].Name == r.checks[i].name && l.Checks[k].Part == r.checks[i].part {
			i++
		}
	}
	if i < len(r.checks) {
		return false
	}
	i = 0
	for k := range l.Readings {
		if i < len(r.readings) && l.Readings[k].fits(&r.readings[i]) {
			i++
		}
	}
	return i == len(r.readings)
}

// layoutOf is the layout of one run, without numbers.
func layoutOf(r *record) *layout {
	l := &layout{product: r.group.product}
	for _, c := range r.checks {
		l.Checks = append(l.Checks, layoutCheck{Name: c.name, Part: c.part})
	}
	for i := range r.readings {
		p := &r.readings[i]
		l.Readings = append(l.Readings, layoutReading{
			Check: p.check, Name: p.name, Unit: p.unit, Kind: kindWords[p.kind], Lower: p.lower, Upper: p.upper,
		})
	}
	return l
}

// link finds each reading's check.
func (l *layout) link() {
	at := map[string]int{}
	for i, c := range l.Checks {
		at[c.Name] = i
	}
	for i := range l.Readings {
		r := &l.Readings[i]
		r.check = -1
		if k, ok := at[r.Check]; ok {
			r.check = k
		}
	}
}

func parseLayout(id int64, product, body string) (*layout, error) {
	l := &layout{id: id, product: product}
	if err := json.Unmarshal([]byte(body), l); err != nil {
		return nil, err
	}
	l.link()
	return l, nil
}

func (l *layout) body() (string, error) {
	text, err := json.Marshal(l)
	return string(text), err
}

// failures hands out the numbers of the names of what went wrong in a run:
// checks, readings (and among these, checks that failed without one), and its
// likeliest cause, 0 none.
func (l *layout) failures(s *sample, cause int64, f func(nameID int64)) {
	var alone uint64 // checks that failed, so far without a reading; no plan has 64
	for i := range l.Checks {
		if i < len(s.checks) && missed(s.checks[i]) {
			f(l.Checks[i].ID)
			if i < 64 {
				alone |= 1 << i
			}
		}
	}
	for i := range l.Readings {
		if i < len(s.verdicts) && missed(s.verdicts[i]) {
			f(l.Readings[i].ID)
			if k := l.Readings[i].check; k >= 0 && k < 64 {
				alone &^= 1 << k
			}
		}
	}
	for ; alone != 0; alone &= alone - 1 {
		f(l.Checks[bits.TrailingZeros64(alone)].Alone)
	}
	if cause != 0 {
		f(cause)
	}
}
