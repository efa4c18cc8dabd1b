package terminal

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"fullthrow/reports"
)

func TestHowARunEnds(t *testing.T) {
	began := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	report := func(o reports.Outcome, more func(*reports.Report)) reports.Report {
		r := reports.Report{Start: reports.Start{Unit: reports.Unit{SerialNumber: "K824A00017M"}}, Started: began, Ended: began.Add(45 * time.Second), Outcome: o}
		if more != nil {
			more(&r)
		}
		return r
	}
	kept := reports.Reading{Check: "standby", Name: "current", Value: reports.Number(9e-6), Unit: "A", Limit: &reports.Limit{Upper: f(12e-6)}, Verdict: reports.Pass}
	record := reports.Reading{Check: "tune", Name: "foreign_frequency", Value: reports.Number(3900), Unit: "Hz", Verdict: reports.Unlimited}
	high := reports.Reading{Check: "inrush", Name: "peak", Value: reports.Number(1.5), Unit: "A", Limit: &reports.Limit{Upper: f(1.1)}, Verdict: reports.Fail, Cause: "input capacitor too large", Inspect: "its marking"}
	for _, c := range []struct {
		name string
		r    reports.Report
		want string
	}{
		{"passed", report(reports.Passed, func(r *reports.Report) { r.Checks = []reports.Check{{Readings: []reports.Reading{kept, record}}} }), `
K824A00017M PASSED: 1 limit kept, in 45 s
  now: hand it on
report: x.json
`},
		{"failed", report(reports.Failed, func(r *reports.Report) {
			r.Checks = []reports.Check{{Readings: []reports.Reading{kept, high}}}
		}), `
K824A00017M FAILED: 1 of 2 limits not kept, in 45 s
  inrush.peak: 1.5 A, above 1.1 A
  now: put it aside for repair; input capacitor too large; look first at its marking
report: x.json
`},
		{"the bench's fault", report(reports.Errored, func(r *reports.Report) {
			r.Reason = &reports.Reason{Code: reports.DeviceFailed, Device: "meter", Verb: "read current", Kind: "no reply", Text: "no reply in 1s", Hint: "check its cable"}
		}), `
K824A00017M NOT TESTED, THE BENCH IS AT FAULT: meter: read current: no reply in 1s
  now: check its cable
report: x.json
`},
		{"not measured", report(reports.Errored, func(r *reports.Report) {
			r.Checks = []reports.Check{{Name: "standby", Problem: &reports.Reason{Code: reports.NoReading, Readings: []string{"voltage"}}}}
		}), `
K824A00017M NOT TESTED, THE BENCH IS AT FAULT: standby: no reading came for voltage, which has a limit
  now: put the bench right, then run the unit again; it is neither good nor bad
report: x.json
`},
		{"aborted", report(reports.Aborted, func(r *reports.Report) { r.Reason = &reports.Reason{Code: reports.GuardOpened} }), `
K824A00017M ABORTED: the guard was opened during the run
  now: close the guard and start the unit again
report: x.json
`},
		{"stopped", report(reports.Aborted, func(r *reports.Report) { r.Reason = &reports.Reason{Code: reports.Stopped, Text: "EOF"} }), `
K824A00017M ABORTED: stopped: EOF
  now: nothing is known about the unit; run it again
report: x.json
`},
		{"not safe", report(reports.Errored, func(r *reports.Report) {
			r.Unsafe = []reports.Unsafe{{Device: "supply", Drives: []string{"power"}, Text: "no reply in 1s"}}
			r.Reason = new(reports.UnsafeReason(r.Unsafe))
		}), `
K824A00017M NOT TESTED, THE BENCH IS AT FAULT: the fixture could not be made safe: supply: no reply in 1s
NOT SAFE: The fixture may still have power. Switch it off at its mains switch before you reach in.
      supply: no reply in 1s
report: x.json
`},
		{"stopped, and not safe", report(reports.Aborted, func(r *reports.Report) {
			r.Reason = &reports.Reason{Code: reports.StoppedByHand}
			gone := func(device, drives string) reports.Unsafe {
				return reports.Unsafe{Device: device, Drives: []string{drives}, Kind: "gone", Text: "unplugged"}
			}
			r.Unsafe = []reports.Unsafe{gone("clutch", "motion"), {Device: "supply", Drives: []string{"power"}, Text: "no reply in 1s"}, gone("power", "power")}
		}), `
K824A00017M ABORTED: stopped by the operator
NOT SAFE: The fixture may still move. The fixture may still have power. Hands out! Press the emergency stop, then switch it off at its mains switch.
      clutch, power: unplugged
      supply: no reply in 1s
report: x.json
`},
		{"passed, and then the meter was gone", report(reports.Passed, func(r *reports.Report) {
			r.Checks = []reports.Check{{Readings: []reports.Reading{kept}}}
			r.Faults = []reports.Fault{{AfterPlan: true, Reason: reports.Reason{Code: reports.DeviceFailed, Device: "meter", Verb: "make safe", Kind: "gone", Text: "unplugged"}}}
		}), `
K824A00017M PASSED: 1 limit kept, in 45 s
  now: hand it on
  the bench needs attention before the next unit: meter: make safe: unplugged
report: x.json
`},
	} {
		t.Run(c.name, func(t *testing.T) {
			var out strings.Builder
			(&Passage{S: NewScreen(&out)}).Finish(c.r, "x.json")
			assert.Equal(t, c.want, out.String())
		})
	}
}
