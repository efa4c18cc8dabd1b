package web

import (
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// units remembers the last judgement of each unit of this station, to tell an
// operator who scans it once more. A unit's earlier runs are looked up when it is
// first asked about.
type units struct {
	archive *archive.Archive

	mu      sync.Mutex
	judged  map[unitKey]judgement
	repairs map[unitKey]time.Time // the newest repair
}

type unitKey struct{ product, serial string }

// judgement is what is known of a unit.
type judgement struct {
	outcome  reports.Outcome // of its newest judged run; error or aborted: it broke a limit and was then cut short
	number   int64           // of its report
	at       time.Time       // when that ended
	failures int             // in a row, since the last repair
}

func newUnits(a *archive.Archive) *units {
	u := &units{archive: a, judged: map[unitKey]judgement{}, repairs: map[unitKey]time.Time{}}
	for _, r := range a.Repairs() {
		u.repaired(r.Repair)
	}
	return u
}

// lookUp takes in what the archive knows of a unit that was not asked about yet;
// the caller does not hold mu.
func (u *units) lookUp(unit reports.Unit) {
	key := unitKey{unit.Product, unit.SerialNumber}
	u.mu.Lock()
	_, known := u.judged[key]
	u.mu.Unlock()
	if known || u.archive == nil {
		return
	}
	runs := u.archive.UnitRuns(unit.Product, unit.SerialNumber)
	u.mu.Lock()
	defer u.mu.Unlock()
	if _, known := u.judged[key]; !known {
		for _, e := range runs {
			u.take(e)
		}
	}
}

// add takes in a sealed run. Runs that said nothing about the unit change
// nothing. Runs may come in any order; the one with the highest number decides,
// whatever the clock said.
func (u *units) add(e archive.Entry) {
	u.lookUp(e.Unit)
	u.mu.Lock()
	defer u.mu.Unlock()
	u.take(e)
}

// take is add; the caller holds mu.
func (u *units) take(e archive.Entry) {
	if !e.Judged() {
		return
	}
	unit, o, ended := e.Unit, e.Outcome, e.Ended
	key := unitKey{unit.Product, unit.SerialNumber}
	j, known := u.judged[key]
	if known && e.Number <= j.number {
		return // an older run, or one that was looked up before
	}
	if r := u.repairs[key]; o == reports.Passed || r.After(j.at) && r.Before(ended) {
		j.failures = 0
	}
	if o == reports.Failed {
		j.failures++
	}
	j.outcome, j.at, j.number = o, ended, e.Number
	u.judged[key] = j
}

// repaired says that the unit was repaired: the failures before it count no
// more. One that was scrapped is not expected back.
func (u *units) repaired(r reports.Repair) {
	u.mu.Lock()
	defer u.mu.Unlock()
	key := unitKey{r.Unit.Product, r.Unit.SerialNumber}
	if r.Done != reports.Scrapped && r.At.After(u.repairs[key]) {
		u.repairs[key] = r.At
	}
}

// last is what is known of a unit; ok is false if it was never judged here.
func (u *units) last(unit reports.Unit) (j judgement, ok bool) {
	u.lookUp(unit)
	u.mu.Lock()
	defer u.mu.Unlock()
	key := unitKey{unit.Product, unit.SerialNumber}
	if j, ok = u.judged[key]; ok && u.repairs[key].After(j.at) {
		j.failures = 0
	}
	return j, ok
}

// back reports whether the unit comes from repair: its newest judged run
// failed, and it was repaired after it.
func (u *units) back(unit reports.Unit) bool {
	u.lookUp(unit)
	u.mu.Lock()
	defer u.mu.Unlock()
	key := unitKey{unit.Product, unit.SerialNumber}
	j, ok := u.judged[key]
	return ok && j.outcome == reports.Failed && u.repairs[key].After(j.at)
}
