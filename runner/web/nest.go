package web

import (
	"context"
	"errors"
	"slices"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/crash"
	"fullthrow/runner/station"
)

// phase is what a nest is doing.
type phase string

const (
	phaseFree    phase = "free"    // nothing to show
	phaseHeld    phase = "held"    // a unit waits for a hand: see nest.held
	phaseRunning phase = "running" //
	phaseDone    phase = "done"    // shows how its last run ended; takes a unit
)

// Why a unit is held.
const (
	heldGuard = "guard" // until the guard is closed
	heldLoad  = "load"  // until it is laid in: it waited in the queue
)

// nest is a place for a unit, as the server sees it. Its fields are guarded by
// Server.mu.
type nest struct {
	Nest
	index  int
	runner Runner

	phase  phase
	job    job    // held or running
	held   string // why
	view   *runView
	cancel context.CancelCauseFunc
	told   chan struct{} // closed when the run's last event was told
	asked  map[string]*asked
	faults int // runs in a row that the bench could not finish
}

// job is a unit on its way into a nest.
type job struct {
	unit     reports.Unit
	operator string
	nest     string // the one that was chosen, "" any
}

// asked is a question that a plan has put.
type asked struct {
	prompt reports.Prompt
	done   chan struct{} // closed once answered
	value  reports.Value
	by     string
	given  bool
}

// ready reports whether the nest takes a unit now.
func (n *nest) ready() bool {
	return (n.phase == phaseFree || n.phase == phaseDone || n.phase == "") && n.runner.InService() == nil
}

// begin starts a run. s.mu is held.
func (s *Server) begin(n *nest, j job) {
	ctx, cancel := context.WithCancelCause(s.base)
	n.phase, n.job, n.held, n.view = phaseRunning, j, "", nil
	n.cancel, n.told, n.asked = cancel, make(chan struct{}), map[string]*asked{}
	s.runs.Add(1)
	go s.run(ctx, n, j, n.told)
	s.tellNest(n)
}

// run takes one unit through the nest.
func (s *Server) run(ctx context.Context, n *nest, j job, told <-chan struct{}) {
	defer crash.Guard()
	defer s.runs.Done()
	sealed, err := n.runner.Run(ctx, station.Job{Unit: j.unit, Operator: j.operator})
	if err == nil {
		late := time.NewTimer(2 * time.Second) // a journal that a full disk stopped tells no end
		select {
		case <-told:
		case <-late.C:
		}
		late.Stop()
		s.units.add(sealed.Entry())
		s.c.Log.Info("run ended", "nest", n.Name, "run", sealed.Report.Run, "unit", j.unit.SerialNumber,
			"outcome", sealed.Report.Outcome, "took", sealed.Report.Ended.Sub(sealed.Report.Started).Seconds())
	} else {
		s.c.Log.Warn("no run", "nest", n.Name, "unit", j.unit.SerialNumber, "error", err)
	}
	s.mu.Lock()
	n.cancel(nil)
	s.finish(n, j, sealed, err)
	s.mu.Unlock()
	if err == nil && s.c.Sealed != nil {
		s.c.Sealed(sealed)
	}
	s.Indexed()
}

// finish shows how a run ended, or why none began. s.mu is held.
func (s *Server) finish(n *nest, j job, sealed archive.Sealed, err error) {
	out := n.runner.InService()
	n.asked = map[string]*asked{}
	var notReady *station.NotReady
	switch {
	case err == nil:
		if n.view == nil {
			n.view = newRun(s.c.Checks, sealed.Report.Start, sealed.Report.Started)
		}
		n.view.seal(sealed.Report)
		switch n.view.outcome {
		case reports.Errored:
			n.faults++
		case reports.Passed, reports.Failed:
			n.faults = 0
		}
		known, _ := s.units.last(j.unit)
		n.view.next = s.c.Policy.after(n.view.outcome, known.failures, n.faults, out != nil || len(n.view.unsafe) > 0)
		if n.view.planFault() {
			n.view.next = stepEngineer
		}
		n.phase = phaseDone
	case errors.As(err, &notReady) && out == nil && notReady.Why.Code == reports.GuardOpen:
		n.phase, n.job, n.held, n.view = phaseHeld, j, heldGuard, nil
	case errors.As(err, &notReady) && out != nil:
		n.phase, n.view = phaseFree, nil
		s.requeue(j)
	default:
		if n.view == nil {
			n.view = newRun(s.c.Checks, reports.Start{Nest: n.Name, Unit: j.unit, Operator: j.operator}, n.Clock.Now())
			n.view.ended = n.view.started
		}
		n.faults++
		n.view.outcome, n.view.next = reports.Errored, stepEngineer
		if notReady != nil {
			n.view.faults = []reports.Fault{{Reason: notReady.Why}}
		} else {
			n.view.failure = err.Error()
		}
		n.phase = phaseDone
	}
	s.tellNest(n)
	s.serveQueue(n)
}

// requeue puts a unit that a nest would not take first into the queue.
func (s *Server) requeue(j job) {
	j.nest = ""
	s.queue = slices.Insert(s.queue, 0, j)
	s.tellStation()
}

// serveQueue calls the next waiting unit to a nest that has become free: it has
// to be laid in, and somebody has to say that it is. s.mu is held.
func (s *Server) serveQueue(n *nest) {
	if !n.ready() || s.stopping {
		return
	}
	i := slices.IndexFunc(s.queue, func(j job) bool { return j.nest == "" || j.nest == n.Name })
	if i < 0 {
		return
	}
	// The end of the run before stays on the page: the unit in the nest is
	// still that one.
	n.phase, n.job, n.held = phaseHeld, s.queue[i], heldLoad
	s.queue = slices.Delete(s.queue, i, i+1)
	s.tellNest(n)
	s.tellStation()
}

// watcher takes the events of a nest's runs.
func (s *Server) watcher(n *nest) func(reports.Event) {
	return func(e reports.Event) {
		s.mu.Lock()
		changed := s.fold(n, e)
		if n.view != nil {
			s.tellEvent(n, e, changed)
		}
		if e.Kind == reports.RunEnded && n.told != nil {
			select {
			case <-n.told:
			default:
				close(n.told)
			}
		}
		s.mu.Unlock()
		if n.Watch != nil {
			n.Watch(e)
		}
	}
}

// fold brings the nest's view up to date. s.mu is held.
func (s *Server) fold(n *nest, e reports.Event) (changed bool) {
	if e.Kind == reports.RunStarted {
		n.view = newRun(s.c.Checks, *e.Start, e.Time)
		n.view.seq = e.Seq
		return true
	}
	if n.view == nil || n.view.outcome != "" || e.Seq != n.view.seq+1 {
		return false // the tail of a run that is over
	}
	return n.view.tell(e)
}

// asker puts a plan's questions on the page.
func (s *Server) asker(n *nest) Ask {
	return func(ctx context.Context, p reports.Prompt) (reports.Value, string, error) {
		a := &asked{prompt: p, done: make(chan struct{})}
		s.mu.Lock()
		n.asked[p.ID] = a
		s.mu.Unlock()
		for {
			select {
			case <-a.done:
				return a.value, a.by, nil
			default:
			}
			// By the clock, not by the channel: on a simulated bench one task
			// runs at a time, and the watch on the guard is another.
			if err := n.Clock.Sleep(ctx, 30*time.Millisecond); err != nil {
				return reports.Value{}, "", err
			}
		}
	}
}

// tellEvent tells the followers an event of a run, with the nest as it is now
// if that changed. s.mu is held.
func (s *Server) tellEvent(n *nest, e reports.Event, changed bool) {
	m := &message{name: "event", run: n.view.start.Run, seq: e.Seq}
	ev := eventJSON{Nest: n.Name, Run: n.view.start.Run, Seq: e.Seq, Kind: e.Kind}
	if e.Check != nil {
		ev.Check = e.Check.Name
	}
	reading := e.Reading
	if !changed {
		m.build = func(t *wording.Translator) any {
			ev := ev
			ev.Reading = s.readingJSON(t, reading)
			return ev
		}
	} else {
		m.name = "nest"
		build := s.nestBuilder(n)
		m.build = func(t *wording.Translator) any {
			ev, at := ev, build(t)
			ev.Reading = s.readingJSON(t, reading)
			at.Event = &ev
			return at
		}
	}
	s.hub.publish(m)
}

// tellNest tells the followers how a nest is now. s.mu is held.
func (s *Server) tellNest(n *nest) {
	build := s.nestBuilder(n)
	s.hub.publish(&message{name: "nest", build: func(t *wording.Translator) any { return build(t) }})
}

// tellStation tells the followers what belongs to no nest. s.mu is held.
func (s *Server) tellStation() {
	build := s.stationBuilder()
	s.hub.publish(&message{name: "station", build: func(t *wording.Translator) any { return build(t) }})
}
