package reports_test

import (
	. "fullthrow/reports"
	"fullthrow/reports/recordtest"

	"math"
	"testing"
)

// Only a failed run has causes, and only such whose confidence is one.
func TestFoldKeepsCausesOfFailedUnitsOnly(t *testing.T) {
	causes := []Cause{
		{Cause: "leakage", Confidence: 0.8, Rule: "leakage"}, {Cause: "sure", Confidence: 1, Rule: "sure"},
		{Cause: "none", Confidence: 0, Rule: "none"}, {Cause: "not a number", Confidence: math.NaN(), Rule: "nan"}, {Confidence: 0.5, Rule: "silent"},
	}
	for _, c := range []struct {
		name    string
		outcome Outcome
		cut     bool
		fault   bool
		want    int
	}{
		{name: "failed", outcome: Failed, want: 1},
		{name: "passed", outcome: Passed},
		{name: "error", outcome: Errored},
		{name: "aborted", outcome: Aborted},
		{name: "cut short", outcome: Failed, cut: true},
		{name: "failed, but the bench had a fault", outcome: Failed, fault: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			events := []Event{{Time: recordtest.T0, Kind: RunStarted, Start: new(recordtest.Start("r"))}}
			events = append(events, recordtest.Events(c.outcome)...)
			end := events[len(events)-1]
			events[len(events)-1] = Event{Time: end.Time, Kind: CausesRanked, Causes: causes}
			if c.fault {
				events = append(events, Event{Time: end.Time, Kind: BenchFault, Fault: &Fault{Reason: silent("meter")}})
			}
			if !c.cut {
				events = append(events, end)
			}
			for i := range events {
				events[i].Seq = int64(i) + 1
			}
			r, err := Fold(events)
			if err != nil {
				t.Fatal(err)
			}
			if len(r.Causes) != c.want || c.want == 1 && r.Causes[0].Cause != "leakage" {
				t.Errorf("causes %v, want %d", r.Causes, c.want)
			}
		})
	}
	if _, err := Fold([]Event{{Seq: 1, Time: recordtest.T0, Kind: RunStarted, Start: new(recordtest.Start("r"))}, {Seq: 2, Time: recordtest.T0, Kind: CausesRanked}}); err == nil {
		t.Error("an event of causes without any was taken")
	}
}

func TestPercentIsNeverCertain(t *testing.T) {
	for _, c := range []struct {
		confidence float64
		want       int
	}{{0.999, 95}, {0.86, 85}, {0.71, 70}, {0.5, 50}, {0.2, 20}, {0.001, 5}} {
		if got := (Cause{Confidence: c.confidence}).Percent(); got != c.want {
			t.Errorf("%v: got %d, want %d", c.confidence, got, c.want)
		}
	}
}
