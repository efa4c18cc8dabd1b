package reports

import (
	"math"
	"strings"
	"testing"
	"time"
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
			events := []Event{{Time: t0, Kind: RunStarted, Start: ptr(testStart("r"))}}
			events = append(events, testEvents(c.outcome)...)
			end := events[len(events)-1]
			events[len(events)-1] = Event{Time: end.Time, Kind: CausesRanked, Causes: causes}
			if c.fault {
				events = append(events, Event{Time: end.Time, Kind: BenchFault, Fault: &Fault{Text: "no reply"}})
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
	if _, err := Fold([]Event{{Seq: 1, Time: t0, Kind: RunStarted, Start: ptr(testStart("r"))}, {Seq: 2, Time: t0, Kind: CausesRanked}}); err == nil {
		t.Error("an event of causes without any was taken")
	}
}

func TestLikelihoodIsNeverCertain(t *testing.T) {
	for _, c := range []struct {
		confidence float64
		want       string
	}{
		{0.999, "very likely, some 95 %"}, {0.86, "very likely, some 85 %"}, {0.71, "likely, some 70 %"}, {0.5, "possible, some 50 %"},
		{0.2, "less likely, some 20 %"}, {0.001, "less likely, some 5 %"},
	} {
		if got := (Cause{Confidence: c.confidence}).Likelihood(); got != c.want {
			t.Errorf("%v: got %q, want %q", c.confidence, got, c.want)
		}
	}
}

// The page ranks the causes with their evidence, and leaves out what the limit
// of an explained reading says by itself; all of it is text.
func TestPageShowsCauses(t *testing.T) {
	events := append([]Event{{Time: t0, Kind: RunStarted, Start: ptr(testStart("r"))}}, testEvents(Failed)...)
	own := *events[3].Reading
	own.Cause, own.Inspect = "what the limit says", "where the limit says"
	events[3].Reading = &own
	end := events[len(events)-1]
	events = append(events[:len(events)-1], Event{Time: end.Time, Kind: CausesRanked, Causes: []Cause{
		{Cause: "leakage <b>here</b>", Where: "left stick", Confidence: 0.72, Inspect: "the switch", Rule: "leakage", Explains: []string{"standby.current"},
			Evidence: []string{"standby.current -15.3 µA, allowed 1 µA to 12 µA", AgainstIt + "running.current is normal"}},
		{Cause: "something else", Confidence: 0.2, Rule: "else"},
	}}, end)
	for i := range events {
		events[i].Seq = int64(i) + 1
	}
	r, err := Fold(events)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := WriteHTML(&b, Sealed{Report: r}, HTMLOptions{Location: time.UTC}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Likely causes", "leakage &lt;b&gt;here", "likely, some 70 %", "less likely, some 20 %", "the switch",
		"<li>standby.current −15.3 µA", "<dt>Against it</dt><dd><ul><li>running.current is normal", "never a certainty"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, not := range []string{"what the limit says", "where the limit says", "<b>here"} {
		if strings.Contains(b.String(), not) {
			t.Errorf("the page says %q", not)
		}
	}
	r.Causes = nil
	b.Reset()
	if err := WriteHTML(&b, Sealed{Report: r}, HTMLOptions{Location: time.UTC}); err != nil {
		t.Fatal(err)
	}
	if s := b.String(); strings.Contains(s, "Likely causes") || !strings.Contains(s, "what the limit says") {
		t.Error("without ranked causes the page must say what the limit says")
	}
}
