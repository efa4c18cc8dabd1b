package metrics

import (
	"sync"
	"time"

	"fullthrow/reports"
)

// nest follows the run in a nest.
type nest struct {
	m *Metrics

	mu                     sync.Mutex
	golden, first          bool
	product, station, name string
	began                  time.Time // zero between runs
	check                  string
	checkBegan             time.Time
	asked                  map[string]time.Time // questions by ID
}

// mostAsked bounds the questions that wait for an answer at once.
const mostAsked = 100

// Words of the record; a word that is none of them counts as other.
var (
	outcomes = words(reports.Passed, reports.Failed, reports.Errored, reports.Aborted)
	verdicts = words(reports.Pass, reports.Unlimited, reports.Inconclusive, reports.Fail, reports.Error)
	kinds    = words(reports.RunStarted, reports.BenchReady, reports.CheckStarted, reports.ReadingTaken,
		reports.CheckRetaken, reports.NoteMade,
		reports.CaptureKept, reports.PromptAsked, reports.PromptDone, reports.CheckEnded, reports.BenchFault,
		reports.MadeSafe, reports.CausesRanked, reports.RunEnded)
)

func words[T ~string](list ...T) map[string]bool {
	m := map[string]bool{}
	for _, w := range list {
		m[string(w)] = true
	}
	return m
}

func word[T ~string](of map[string]bool, w T) string {
	if of[string(w)] {
		return string(w)
	}
	return other
}

func (n *nest) take(e reports.Event) {
	n.mu.Lock()
	defer n.mu.Unlock()
	m := n.m
	m.events.with(word(kinds, e.Kind)).inc()
	switch e.Kind {
	case reports.RunStarted:
		if s := e.Start; s != nil {
			n.begin(s, e.Time)
		}
	case reports.CheckStarted:
		if e.Check != nil {
			n.check, n.checkBegan = m.check.value(e.Check.Name), e.Time
		}
	case reports.CheckEnded:
		if c := e.Check; c != nil {
			check := m.check.value(c.Name)
			if check == n.check && !n.checkBegan.IsZero() {
				m.checkTime.with(n.product, check).observe(seconds(n.checkBegan, e.Time))
			}
			n.checkBegan = time.Time{}
			if !n.golden {
				m.verdicts.with(n.product, check, word(verdicts, c.Verdict)).inc()
			}
		}
	case reports.PromptAsked:
		if p := e.Prompt; p != nil && len(n.asked) < mostAsked {
			n.asked[p.ID] = e.Time
		}
	case reports.PromptDone:
		if p := e.Prompt; p != nil {
			if at, ok := n.asked[p.ID]; ok {
				m.promptTime.with(n.station, n.name).observe(seconds(at, e.Time))
				delete(n.asked, p.ID)
			}
		}
	case reports.BenchFault:
		if f := e.Fault; f != nil {
			m.faults.with(n.station, n.name, m.device.value(f.Reason.Device), m.kind.value(kindOf(f.Reason))).inc()
		}
	case reports.MadeSafe:
		for _, h := range reports.UnsafeDrives(e.Unsafe) {
			if h == "" {
				h = "unknown"
			}
			m.unsafe.with(n.station, n.name, h).inc()
		}
	case reports.RunEnded:
		if e.End != nil {
			n.end(e.End.Outcome, e.Time)
		}
	}
}

func (n *nest) begin(s *reports.Start, at time.Time) {
	m := n.m
	n.product, n.station, n.name = m.product.value(s.Unit.Product), m.station.value(s.Station), m.nest.value(s.Nest)
	n.golden, n.first, n.began = s.Unit.Golden, s.Attempt <= 1, at
	n.check, n.checkBegan, n.asked = "", time.Time{}, map[string]time.Time{}
	m.started.with(n.product, n.station, n.name).inc()
	m.underWay.with(n.station, n.name).set(1)
	if s.CycleTime > 0 {
		m.cycleTime.with(n.product).set(s.CycleTime)
	}
}

func (n *nest) end(o reports.Outcome, at time.Time) {
	if n.began.IsZero() {
		return // the end of a run that was not followed from its beginning
	}
	m, outcome := n.m, word(outcomes, o)
	m.underWay.with(n.station, n.name).set(0)
	m.lastEnd.with(n.station, n.name).set(float64(at.UnixMilli()) / 1000)
	switch {
	case n.golden:
		m.golden.with(n.product, n.station, n.name, outcome).inc()
	default:
		m.ended.with(n.product, n.station, n.name, outcome).inc()
		if n.first {
			m.first.with(n.product, n.station, n.name, outcome).inc()
		}
		if o == reports.Passed || o == reports.Failed {
			m.runTime.with(n.product, n.station, n.name).observe(seconds(n.began, at))
		}
	}
	n.began = time.Time{}
}

// seconds between two events; 0 where the clock was set back between them.
func seconds(from, to time.Time) float64 { return max(0, to.Sub(from).Seconds()) }

// kindOf is the kind of a fault: that of the device's failure, else its code.
func kindOf(r reports.Reason) string {
	switch {
	case r.OfPlan():
		return "plan"
	case r.Kind == "" && len(r.Because) > 0:
		return kindOf(r.Because[0])
	}
	return r.Kind
}
