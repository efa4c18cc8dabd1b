package lint

import (
	"context"
	"fmt"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/limits"
	"fullthrow/runner/product"
	"fullthrow/runner/script"
	"fullthrow/runner/station"
)

// lintRun takes the place of the record while lint runs a plan once on the
// simulated fixture, with a good unit on it.
type lintRun struct {
	m        *product.Method
	taken    []script.Reading
	asked    []string // questions
	problems []input.Problem
}

// RunOnce runs the plan on nest i, which is a simulated one, and returns the
// readings it took and the questions it asked. What it finds wrong is in
// problems; complete is false when the plan did not get to its end.
func RunOnce(ctx context.Context, m *product.Method, b *bench.File, i int) (taken []script.Reading, asked []string,
	problems []input.Problem, complete bool, err error) {
	ctx, cancel := context.WithTimeoutCause(ctx, time.Minute, fmt.Errorf("running the plan took more than a minute"))
	defer cancel()
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, 1)
	fixture.Load(sim.GoodOf("rehearsal"))
	n, err := b.Open(ctx, i, bench.Simulated(fixture, clock))
	if err != nil {
		return nil, nil, nil, false, err
	}
	defer n.Close()
	r := &lintRun{m: m}
	clock.Together(ctx, func(ctx context.Context) {
		err = m.Plan.Run(ctx, script.Host{Clock: clock, Devices: n.Devices, Recorder: r, Ask: r.answer})
	})
	if err != nil {
		p := product.LuaProblem(m.PlanAt, err)
		p.Text = "on the simulated fixture: " + p.Text
		return r.taken, r.asked, append(r.problems, p), false, nil
	}
	return r.taken, r.asked, r.problems, true, nil
}

func (r *lintRun) answer(_ context.Context, p reports.Prompt) (reports.Value, error) {
	r.asked = append(append(r.asked, p.Text), p.Choices...)
	return station.Agree(p), nil
}

// Reading judges as in a run, and keeps what can be judged for no unit: a
// unit of measurement that does not fit the limit's.
func (r *lintRun) Reading(in script.Reading) (reports.Verdict, error) {
	r.taken = append(r.taken, in)
	j := r.m.Limits.Judge(in.Check, in.Name, limits.Indication{Value: in.Value, Unit: in.Unit, Bound: in.Bound,
		Uncertainty: in.Uncertainty})
	if j.Verdict == reports.Error {
		r.problems = append(r.problems, input.At(r.m.File(in.File), in.Line, fmt.Sprintf("reading %q cannot be "+
			"judged: %s", in.Check+"."+in.Name, wording.English().Reason(j.Problem)), ""))
	}
	return j.Verdict, nil
}

// The rest of [script.Recorder] notes nothing.

func (r *lintRun) CheckStarted(script.Check) error                 { return nil }
func (r *lintRun) Note(string, string) error                       { return nil }
func (r *lintRun) Keep(string, string, any) error                  { return nil }
func (r *lintRun) CheckEnded(string, error) (stop bool, err error) { return false, nil }
