package main

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/demo"
)

// TestYieldScripts asks what many runs say, of one small archive of made-up
// runs: each file of testdata/yield is a conversation at a shell, with the
// answers in full. UPDATE_SCRIPTS=1 renews them.
func TestYieldScripts(t *testing.T) {
	records := filepath.Join(t.TempDir(), "records")
	require.NoError(t, madeUpArchive(records))
	stopped := t.TempDir()
	require.NoError(t, stoppedArchive(stopped))
	none := t.TempDir()
	a, err := archive.Open(none, "LQ-9")
	require.NoError(t, err)
	require.NoError(t, a.Close())
	testscript.Run(t, testscript.Params{
		Dir:           "../testdata/yield",
		UpdateScripts: os.Getenv("UPDATE_SCRIPTS") != "",
		Setup: func(e *testscript.Env) error {
			e.Setenv("HOME", e.WorkDir)
			e.Setenv("XDG_STATE_HOME", "")
			e.Setenv("TZ", "UTC")
			e.Setenv("FULLTHROW_PLANT", "")
			e.Setenv("NONE", none)
			// Each conversation has records of its own, so that it may spoil them.
			return errors.Join(os.CopyFS(filepath.Join(e.WorkDir, "data", "records"), os.DirFS(records)),
				os.CopyFS(filepath.Join(e.WorkDir, "stopped"), os.DirFS(stopped)))
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){"exits": exits, "tamper": tamper},
	})
}

// madeUpRun is one run of the made-up archive.
type madeUpRun struct {
	at             time.Time
	serial, lot    string
	nest, operator string
	attempt        int
	outcome        reports.Outcome
	values         [3]float64 // standby.current, sticks.hysteresis, link.lost
	golden         bool
}

// stoppedArchive is of an operator who stops runs that look bad, and of a clock
// that was set back by two hours between the runs of a unit.
func stoppedArchive(dir string) error {
	a, err := archive.Open(dir, "LQ-2")
	if err != nil {
		return err
	}
	defer a.Close()
	at := time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC)
	for i, r := range []struct {
		minute   int
		serial   string
		operator string
		value    float64 // standby.current
		outcome  reports.Outcome
		back     float64 // s, on record
	}{
		{0, "K824A00041L", "Ines", 20e-6, reports.Aborted, 0},
		{2, "K824A00041L", "Ines", 21e-6, reports.Aborted, 0},
		{4, "K824A00041L", "Ines", 9e-6, reports.Passed, 0},
		{6, "K824A00042J", "Ines", 9e-6, reports.Aborted, 0},
		{8, "K824A00042J", "Tom", 9e-6, reports.Passed, 0},
		{130, "K824A00043H", "Tom", 9e-6, reports.Passed, 0},
		{12, "K824A00043H", "Tom", 22e-6, reports.Failed, 7200},
		{14, "K824A00044F", "Tom", 9e-6, reports.Passed, 0},
	} {
		at := at.Add(time.Duration(r.minute) * time.Minute)
		j, err := a.Begin(reports.Start{Run: fmt.Sprintf("stopped-%d", i+1), Station: "LQ-2", Nest: "A",
			Operator: r.operator, Attempt: a.Attempts("kittiwake-k8", r.serial) + 1, Software: "test",
			Unit: reports.Unit{SerialNumber: r.serial, Product: "kittiwake-k8", Lot: "24A"}}, at)
		if err != nil {
			return err
		}
		most, v := 12e-6, reports.Pass
		if r.value > most {
			v = reports.Fail
		}
		events := []reports.Event{
			{Kind: reports.CheckStarted, Check: &reports.Check{Name: "standby"}},
			{Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: "standby", Name: "current",
				Value: reports.Number(r.value), Unit: "A", Limit: &reports.Limit{Upper: &most}, Verdict: v}},
			{Kind: reports.CheckEnded, Check: &reports.Check{Name: "standby", Verdict: v}},
			{Kind: reports.RunEnded, End: &reports.End{Outcome: r.outcome}},
		}
		if r.back > 0 {
			events = append([]reports.Event{{Kind: reports.ClockStepped,
				Clock: &reports.Reason{Code: reports.ClockBack, Seconds: r.back}}}, events...)
		}
		if r.outcome == reports.Aborted {
			events[len(events)-1].End.Reason = &reports.Reason{Code: reports.StoppedBySignal, Text: "Ctrl-C"}
		}
		for _, e := range events {
			at = at.Add(5 * time.Second)
			if e.Time = at; err == nil {
				err = j.Append(e)
			}
		}
		if err != nil {
			return err
		}
		if _, err := j.Seal(); err != nil {
			return err
		}
	}
	return nil
}

// madeUpArchive seals some fifty runs of three checks: two lots on two days,
// the second with looser sticks, with retests, a repair, a golden unit, a fault
// of the bench and an aborted run. It is the same every time but for the keys.
func madeUpArchive(dir string) error {
	a, err := archive.Open(dir, "LQ-1")
	if err != nil {
		return err
	}
	defer a.Close()
	random := newMadeUpRandom()
	var failed string
	for i, r := range madeUpRuns(random) {
		name := fmt.Sprintf("run-%02d", i+1)
		if err := r.seal(a, name); err != nil {
			return err
		}
		if r.outcome == reports.Failed && failed == "" {
			failed = name
		}
	}
	_, err = a.Repair(reports.Repair{ID: "repair-1", Run: failed, At: time.Date(2026, 3, 2, 9, 30, 0, 0, time.UTC), By: "Noor",
		Found: "stick-play", Part: "left-stick", Done: "replaced"})
	return err
}

func newMadeUpRandom() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }

func madeUpRuns(random *rand.Rand) (list []madeUpRun) {
	for n := range 40 {
		at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC).Add(time.Duration(n) * 9 * time.Minute)
		r := madeUpRun{lot: "24A", nest: "A", operator: "Amina", attempt: 1, outcome: reports.Passed}
		if n >= 20 {
			at = at.Add(21 * time.Hour)
			r.lot, r.operator = "24B", "Jonas"
		}
		if n%2 == 1 {
			r.nest = "B"
		}
		r.at = at
		r.serial, _ = demo.Serial(r.lot, n+1)
		r.values = [3]float64{9e-6 + 4e-7*random.NormFloat64(), 0.6 + 0.1*random.NormFloat64(), 0}
		if r.lot == "24B" {
			r.values[1] += 0.2
		}
		switch n {
		case 3, 24, 30:
			r.values[1] += 1.5
		case 11:
			r.values[2] = 3
		}
		if r.values[1] > 1.2 || r.values[2] > 0 {
			r.outcome = reports.Failed
		}
		list = append(list, r)
		again := r
		again.at, again.attempt = at.Add(3*time.Minute), 2
		switch n {
		case 0:
			list = append(list, madeUpRun{at: at.Add(2 * time.Minute), serial: "K800Z00001H", lot: "00Z", nest: "A", attempt: 1, outcome: reports.Passed,
				values: [3]float64{9e-6, 0.5, 0}, golden: true})
		case 3:
			again.values[1] = 0.61
			again.outcome = reports.Passed
			again.at = at.Add(5 * time.Hour)
			list = append(list, again)
		case 11: // nothing was done to it
			again.values[2], again.outcome = 0, reports.Passed
			list = append(list, again)
		case 5:
			again.outcome = reports.Errored
			list = append(list, again)
		case 7:
			again.outcome = reports.Aborted
			list = append(list, again)
		}
	}
	return list
}

func (r madeUpRun) seal(a *archive.Archive, name string) error {
	at := r.at
	j, err := a.Begin(reports.Start{
		Run: name, Station: "LQ-1", Nest: r.nest, Operator: r.operator, Attempt: r.attempt, CycleTime: 50, Takt: 40, Simulated: true, Software: "test",
		Unit: reports.Unit{SerialNumber: r.serial, Product: "kittiwake-k8", Revision: "C", Lot: r.lot, Golden: r.golden},
	}, at)
	if err != nil {
		return err
	}
	tell := func(seconds float64, e reports.Event) {
		at = at.Add(time.Duration(seconds * float64(time.Second)))
		e.Time = at
		if err == nil {
			err = j.Append(e)
		}
	}
	floor, ceiling, most, none := 1e-6, 12e-6, 1.2, 0.0
	for i, c := range []struct {
		check, reading, unit string
		limit                reports.Limit
	}{
		{"standby", "current", "A", reports.Limit{Lower: &floor, Upper: &ceiling}},
		{"sticks", "hysteresis", "%", reports.Limit{Upper: &most}},
		{"link", "lost", "%", reports.Limit{Upper: &none}},
	} {
		if r.outcome == reports.Errored || r.outcome == reports.Aborted {
			break
		}
		v := reports.Pass
		if c.limit.Upper != nil && r.values[i] > *c.limit.Upper {
			v = reports.Fail
		}
		tell(1, reports.Event{Kind: reports.CheckStarted, Check: &reports.Check{Name: c.check}})
		tell(12, reports.Event{Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: c.check, Name: c.reading,
			Value: reports.Number(r.values[i]), Unit: c.unit, Limit: &c.limit, Verdict: v}})
		tell(1+r.values[1], reports.Event{Kind: reports.CheckEnded, Check: &reports.Check{Name: c.check, Verdict: v}})
	}
	if r.outcome == reports.Failed && r.values[1] > 1.2 {
		tell(0, reports.Event{Kind: reports.CausesRanked, Causes: []reports.Cause{{Cause: "play between shaft and potentiometer", Where: "left stick",
			Part: "left-stick", Confidence: 0.9, Explains: []string{"sticks.hysteresis"}, Rule: "stick-play"}}})
	}
	if r.outcome == reports.Errored {
		tell(8, reports.Event{Kind: reports.BenchFault, Fault: &reports.Fault{Reason: reports.Reason{Code: reports.DeviceFailed, Device: "supply", Kind: "no reply", Text: "no reply in 1s"}}})
	}
	end := &reports.End{Outcome: r.outcome}
	if r.outcome == reports.Aborted {
		end.Reason = &reports.Reason{Code: reports.StoppedByHand}
	}
	tell(2, reports.Event{Kind: reports.RunEnded, End: end})
	if err != nil {
		return err
	}
	_, err = j.Seal()
	return err
}
