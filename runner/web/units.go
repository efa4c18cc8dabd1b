package web

import (
	"sync"
	"time"

	"fullthrow/reports"
)

// units remembers the last judgement of each unit of this station, to tell an
// operator who scans it once more. It is made from the archive's index at the
// start and holds some hundred bytes a unit.
type units struct {
	mu     sync.Mutex
	judged map[unitKey]judgement
}

type unitKey struct{ product, serial string }

// judgement is what is known of a unit.
type judgement struct {
	outcome  reports.Outcome // of its newest judged run
	at       time.Time       // when that ended
	failures int             // in a row
}

func newUnits(a *reports.Archive) *units {
	u := &units{judged: map[unitKey]judgement{}}
	for _, e := range a.Entries() {
		u.add(e.Unit, e.Outcome, e.Ended)
	}
	return u
}

// add takes in a sealed run. Runs that said nothing about the unit change
// nothing. Runs may come in any order of time; the newest decides.
func (u *units) add(unit reports.Unit, o reports.Outcome, ended time.Time) {
	if o != reports.Passed && o != reports.Failed {
		return
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	key := unitKey{unit.Product, unit.SerialNumber}
	j := u.judged[key]
	if ended.Before(j.at) {
		return
	}
	if o == reports.Passed {
		j.failures = 0
	} else {
		j.failures++
	}
	j.outcome, j.at = o, ended
	u.judged[key] = j
}

// repaired forgets the failures of a unit: it comes back as new.
func (u *units) repaired(unit reports.Unit, at time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	key := unitKey{unit.Product, unit.SerialNumber}
	if j, ok := u.judged[key]; ok && !at.Before(j.at) {
		j.failures = 0
		u.judged[key] = j
	}
}

// last is what is known of a unit; ok is false if it was never judged here.
func (u *units) last(unit reports.Unit) (j judgement, ok bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	j, ok = u.judged[unitKey{unit.Product, unit.SerialNumber}]
	return j, ok
}
