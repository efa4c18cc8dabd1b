package reports_test

import (
	. "fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"

	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"testing"
)

func TestFold(t *testing.T) {
	limit := &Limit{Lower: new(1.0), Upper: new(3.0)}
	begin := func(name string) Event { return Event{Kind: CheckStarted, Check: &Check{Name: name}} }
	finish := func(name string) Event { return Event{Kind: CheckEnded, Check: &Check{Name: name}} }
	rd := func(v Verdict) Event {
		return Event{Kind: ReadingTaken, Reading: &Reading{Check: "a", Name: "x", Value: Number(2), Limit: limit, Verdict: v}}
	}
	retake := Event{Kind: CheckRetaken, Check: &Check{Name: "a"}}
	again := func(name string, v Verdict) Event {
		return Event{Kind: ReadingTaken, Reading: &Reading{Check: "a", Name: name, Value: Number(2), Limit: limit, Verdict: v, Retake: true}}
	}
	free := Event{Kind: ReadingTaken, Reading: &Reading{Check: "a", Name: "y", Value: Number(2), Verdict: Unlimited}}
	end := func(o Outcome) Event {
		return Event{Kind: RunEnded, End: &End{Outcome: o, Reason: &Reason{Code: Stopped, Text: "as given"}}}
	}
	ended := func(v Verdict, problem Code) Event {
		e := Event{Kind: CheckEnded, Check: &Check{Name: "a", Verdict: v}}
		if problem != "" {
			e.Check.Problem = &Reason{Code: problem}
		}
		return e
	}
	other := []Event{begin("b"), {Kind: ReadingTaken, Reading: &Reading{Check: "b", Name: "x", Value: Bool(true), Limit: &Limit{Equal: new(Bool(true))}, Verdict: Pass}}, finish("b")}
	unsafe := Event{Kind: MadeSafe, Unsafe: []Unsafe{{Device: "supply", Drives: []string{"power"}, Text: "still on"}}}
	after := Event{Kind: BenchFault, Fault: &Fault{Reason: silent("meter"), AfterPlan: true}}
	for _, tt := range []struct {
		name    string
		events  []Event
		verdict Verdict // of check a
		outcome Outcome
	}{
		{"pass", []Event{begin("a"), rd(Pass), finish("a"), end(Passed)}, Pass, Passed},
		{"fail", []Event{begin("a"), rd(Pass), rd(Fail), finish("a"), end(Failed)}, Fail, Failed},
		{"fail, though the end says passed", []Event{begin("a"), rd(Fail), finish("a"), end(Passed)}, Fail, Failed},
		{"inconclusive is kept and fails", []Event{begin("a"), rd(Inconclusive), rd(Pass), finish("a"), end(Passed)}, Inconclusive, Failed},
		{"error beats fail", []Event{begin("a"), rd(Fail), rd(Error), finish("a"), end(Failed)}, Error, Errored},
		{"unknown verdict", []Event{begin("a"), rd("PASS"), finish("a"), end(Passed)}, Error, Errored},
		{"no verdict", []Event{begin("a"), rd(""), finish("a"), end(Passed)}, Error, Errored},
		{"unlimited beside pass", []Event{begin("a"), rd(Pass), free, finish("a"), end(Passed)}, Pass, Passed},
		{"only unlimited", []Event{begin("a"), free, finish("a"), end(Passed)}, Unlimited, Errored},
		{"no reading at all", []Event{begin("a"), finish("a"), end(Passed)}, Unlimited, Errored},
		{"only unlimited, another check passed", append([]Event{begin("a"), free, finish("a")}, append(other, end(Passed))...), Unlimited, Passed},
		{"problem at the end of a check", []Event{begin("a"), rd(Pass), ended("", PlanError), end(Passed)}, Error, Errored},
		{"problem with verdict pass", []Event{begin("a"), rd(Pass), ended(Pass, PlanError), end(Passed)}, Error, Errored},
		{"problem with verdict fail", []Event{begin("a"), rd(Pass), ended(Fail, CallFailed), end(Passed)}, Fail, Failed},
		{"end of check cannot better it", []Event{begin("a"), rd(Fail), ended(Pass, ""), end(Passed)}, Fail, Failed},
		{"end of check without judged reading", []Event{begin("a"), free, ended(Pass, ""), end(Passed)}, Unlimited, Errored},
		{"check without end", []Event{begin("a"), rd(Pass), end(Passed)}, Error, Errored},
		{"fault", []Event{begin("a"), rd(Pass), finish("a"), {Kind: BenchFault, Fault: &Fault{Reason: silent("meter")}}, end(Passed)}, Pass, Errored},
		{"fault is never a failure of the unit", []Event{begin("a"), rd(Fail), finish("a"), {Kind: BenchFault, Fault: &Fault{Reason: silent("")}}, end(Failed)}, Fail, Errored},
		{"not made safe", []Event{begin("a"), rd(Pass), finish("a"), unsafe, end(Passed)}, Pass, Errored},
		{"made safe", []Event{begin("a"), rd(Pass), finish("a"), {Kind: MadeSafe}, end(Passed)}, Pass, Passed},
		{"a failed unit in a fixture that is not safe", []Event{begin("a"), rd(Fail), finish("a"), unsafe, end(Failed)}, Fail, Errored},
		{"fault after the plan", []Event{begin("a"), rd(Pass), finish("a"), after, {Kind: MadeSafe}, end(Passed)}, Pass, Passed},
		{"fault after the plan of a failed unit", []Event{begin("a"), rd(Fail), finish("a"), after, end(Failed)}, Fail, Failed},
		{"fault after the plan, which did not pass", []Event{begin("a"), rd(Pass), finish("a"), after, end(Errored)}, Pass, Errored},
		{"fault after the plan, cut short", []Event{begin("a"), rd(Pass), finish("a"), after}, Pass, Aborted},
		{"fault after the plan, but a check is open", []Event{begin("a"), rd(Pass), after, finish("a"), end(Passed)}, Pass, Errored},
		{"fault after the plan, but a check follows", append([]Event{begin("a"), rd(Pass), finish("a"), after}, append(other, end(Passed))...), Pass, Errored},
		{"fault after the plan, but a reading follows", []Event{begin("a"), rd(Pass), finish("a"), after, rd(Pass), end(Passed)}, Pass, Errored},
		{"the end may be worse", []Event{begin("a"), rd(Pass), finish("a"), end(Aborted)}, Pass, Aborted},
		{"an outcome that is none", []Event{begin("a"), rd(Pass), finish("a"), end("PASSED")}, Pass, Errored},
		{"cut short", []Event{begin("a"), rd(Pass), finish("a")}, Pass, Aborted},
		{"cut short after a failure", []Event{begin("a"), rd(Fail)}, Error, Aborted},
		{"reading after the end of its check", []Event{begin("a"), rd(Pass), finish("a"), rd(Fail), end(Passed)}, Fail, Failed},
		{"failed both times", []Event{begin("a"), rd(Fail), retake, again("x", Fail), finish("a"), end(Failed)}, Fail, Failed},
		{"failed once", []Event{begin("a"), rd(Fail), retake, again("x", Pass), finish("a"), end(Failed)}, Error, Errored},
		{"failed otherwise the second time", []Event{begin("a"), rd(Fail), retake, again("x", Pass), again("y", Fail), finish("a"), end(Failed)}, Error, Errored},
		{"failed once, and everybody says passed", []Event{begin("a"), rd(Fail), again("x", Pass), ended(Pass, ""), end(Passed)}, Error, Errored},
		{"inconclusive, then failed", []Event{begin("a"), rd(Inconclusive), retake, again("x", Fail), finish("a"), end(Failed)}, Inconclusive, Failed},
		{"not measured the second time", []Event{begin("a"), rd(Fail), retake, again("x", Fail), again("y", Error), finish("a"), end(Failed)}, Error, Errored},
		{"nothing the second time", []Event{begin("a"), rd(Fail), retake, finish("a"), end(Failed)}, Error, Errored},
		{"a pass the second time is none", []Event{begin("a"), free, retake, again("x", Pass), finish("a"), end(Passed)}, Error, Errored},
		{"reading of a check that never began", []Event{rd(Pass), end(Passed)}, Error, Errored},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r, err := Fold(recordtest.Numbered(recordtest.Start("r1"), tt.events...))
			if err != nil {
				t.Fatal(err)
			}
			if r.Outcome != tt.outcome || r.Checks[0].Verdict != tt.verdict {
				t.Errorf("got %s, check %s; want %s, check %s", r.Outcome, r.Checks[0].Verdict, tt.outcome, tt.verdict)
			}
			if r.Outcome != Passed && r.Reason == nil {
				t.Error("no reason given")
			}
		})
	}
}

func silent(device string) Reason {
	return Reason{Code: DeviceFailed, Device: device, Kind: "no reply", Text: "no reply in 1s"}
}

// Why a run did not pass, the fold says in codes that name what they are about.
func TestFoldSaysWhy(t *testing.T) {
	begin := Event{Kind: CheckStarted, Check: &Check{Name: "a"}}
	end := Event{Kind: RunEnded, End: &End{Outcome: Passed}}
	finish := Event{Kind: CheckEnded, Check: &Check{Name: "a", Skipped: []string{"late"}}}
	l := &Limit{Lower: new(1.0), Upper: new(3.0), Why: "as measured"}
	rd := func(v Verdict, x float64) Event {
		return Event{Kind: ReadingTaken, Reading: &Reading{Check: "a", Name: "x", Value: Number(x), Unit: "V", Limit: l, Verdict: v}}
	}
	unsafe := []Unsafe{{Device: "supply", Drives: []string{"power"}, Kind: "no reply", Text: "no reply in 1s"}}
	missed := EvidenceOf(*rd(Fail, 4).Reading, Outside, &Limit{Lower: l.Lower, Upper: l.Upper})
	for name, tt := range map[string]struct {
		events []Event
		want   *Reason
	}{
		"passed":          {[]Event{begin, rd(Pass, 2), finish, end}, nil},
		"missed":          {[]Event{begin, rd(Fail, 4), finish, end}, &Reason{Code: Missed, Evidence: &missed}},
		"outside":         {[]Event{begin, rd(Pass, 4), finish, end}, &Reason{Code: NotJudged, Check: "a", Because: []Reason{{Code: NotMeasured, Readings: []string{"x"}, Because: []Reason{{Code: PassedOutside}}}}}},
		"fault":           {[]Event{begin, rd(Pass, 2), {Kind: BenchFault, Fault: &Fault{Reason: silent("meter")}}, finish, end}, new(silent("meter"))},
		"not safe":        {[]Event{begin, rd(Pass, 2), finish, {Kind: MadeSafe, Unsafe: unsafe}, end}, new(UnsafeReason(unsafe))},
		"nothing judged":  {[]Event{begin, finish, end}, &Reason{Code: NothingJudged}},
		"open":            {[]Event{begin, rd(Pass, 2), end}, &Reason{Code: NotJudged, Check: "a", Because: []Reason{{Code: CheckOpen}}}},
		"cut before":      {nil, &Reason{Code: CutBefore}},
		"cut during":      {[]Event{begin, rd(Fail, 4)}, &Reason{Code: CutDuring, Check: "a"}},
		"cut after":       {[]Event{begin, rd(Fail, 4), finish}, &Reason{Code: CutAfter, Check: "a"}},
		"failed by words": {[]Event{begin, rd(Pass, 2), {Kind: CheckEnded, Check: &Check{Name: "a", Verdict: Fail, Problem: &Reason{Code: CallFailed}}}, end}, &Reason{Code: CheckFailed, Check: "a", Because: []Reason{{Code: CallFailed}}}},
	} {
		r, err := Fold(recordtest.Numbered(recordtest.Start("r1"), tt.events...))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(r.Reason, tt.want) {
			got, _ := json.Marshal(r.Reason)
			want, _ := json.Marshal(tt.want)
			t.Errorf("%s:\n%s, want\n%s", name, got, want)
		}
		if cut := name[:3] == "cut"; r.Reason.CutShort() != cut {
			t.Errorf("%s: cut short: %v", name, !cut)
		}
		if name == "missed" && !reflect.DeepEqual(r.Checks[0].Skipped, []string{"late"}) {
			t.Errorf("readings that did not come: %q", r.Checks[0].Skipped)
		}
	}
}

// A pass that contradicts its own record is an error.
func TestFoldDistrusts(t *testing.T) {
	l := &Limit{Lower: new(1e-6), Upper: new(12e-6)}
	for _, tt := range []struct {
		name string
		rd   Reading
		want Verdict
	}{
		{"inside", Reading{Value: Number(9e-6), Limit: l}, Pass},
		{"at the limit", Reading{Value: Number(12e-6), Limit: l}, Pass},
		{"at the limit but for rounding", Reading{Value: Number(math.Nextafter(12e-6, 1)), Limit: l}, Pass},
		{"above", Reading{Value: Number(12.1e-6), Limit: l}, Error},
		{"below", Reading{Value: Number(0), Limit: l}, Error},
		{"NaN", Reading{Value: Number(math.NaN()), Limit: l}, Error},
		{"infinite", Reading{Value: Number(math.Inf(-1)), Limit: &Limit{Upper: new(1.0)}}, Error},
		{"none", Reading{Limit: l}, Error},
		{"no limit", Reading{Value: Number(9e-6)}, Error},
		{"uncertainty NaN", Reading{Value: Number(9e-6), Limit: l, Uncertainty: math.NaN()}, Error},
	} {
		tt.rd.Check, tt.rd.Name, tt.rd.Verdict = "a", "x", Pass
		r, err := Fold(recordtest.Numbered(recordtest.Start("r1"), Event{Kind: CheckStarted, Check: &Check{Name: "a"}},
			Event{Kind: ReadingTaken, Reading: &tt.rd}, Event{Kind: CheckEnded, Check: &Check{Name: "a"}},
			Event{Kind: RunEnded, End: &End{Outcome: Passed}}))
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Checks[0].Verdict; got != tt.want || (r.Outcome == Passed) != (tt.want == Pass) {
			t.Errorf("%s: check %s, run %s; want check %s", tt.name, got, r.Outcome, tt.want)
		}
	}
}

func TestFoldRefuses(t *testing.T) {
	good := recordtest.Numbered(recordtest.Start("r1"), recordtest.Events(Passed)...)
	for name, events := range map[string][]Event{
		"nothing":         nil,
		"no start":        good[1:],
		"a gap":           append(append([]Event{}, good[:3]...), good[4:]...),
		"after the end":   append(append([]Event{}, good...), Event{Seq: 9, Time: recordtest.T0, Kind: NoteMade}),
		"a second start":  append(append([]Event{}, good[:2]...), Event{Seq: 3, Kind: RunStarted, Start: &Start{}}),
		"unknown kind":    append(append([]Event{}, good[:2]...), Event{Seq: 3, Kind: "pass-everything"}),
		"missing content": append(append([]Event{}, good[:2]...), Event{Seq: 3, Kind: ReadingTaken}),
	} {
		if r, err := Fold(events); err == nil || r.Outcome != "" {
			t.Errorf("%s: got outcome %q, error %v; want an error and no report", name, r.Outcome, err)
		}
	}
}

// randomEvents makes what may follow the start of a run, sensible or not.
func randomEvents(rng *rand.Rand) []Event {
	pick := func(n int) bool { return rng.IntN(n) == 0 }
	verdicts := []Verdict{Unlimited, Inconclusive, Fail, Error, "", "good"}
	for range 30 {
		verdicts = append(verdicts, Pass)
	}
	var events []Event
	for c := range rng.IntN(4) {
		name := fmt.Sprint("check", c)
		events = append(events, Event{Kind: CheckStarted, Check: &Check{Name: name}})
		for range rng.IntN(4) {
			rd := &Reading{Check: name, Name: "x", Value: Number(rng.NormFloat64()), Unit: "A", Verdict: verdicts[rng.IntN(len(verdicts))]}
			if !pick(16) {
				rd.Limit = &Limit{Lower: new(-4.0), Upper: new(4.0)}
			}
			switch rng.IntN(30) {
			case 0:
				rd.Value = Number(math.NaN())
			case 1:
				rd.Value = Text("x\u2028\xff<b>")
			case 2:
				rd.Value = Value{}
			case 3:
				rd.Uncertainty = math.Inf(1)
			}
			events = append(events, Event{Kind: ReadingTaken, Reading: rd})
		}
		if pick(6) {
			events = append(events, Event{Kind: NoteMade, Text: "note"})
		}
		if pick(15) {
			events = append(events, Event{Kind: BenchFault, Fault: &Fault{Reason: silent("meter"), AfterPlan: pick(2)}})
		}
		if !pick(15) {
			e := &Check{Name: name}
			if pick(6) {
				e.Verdict = verdicts[rng.IntN(len(verdicts))]
			}
			if pick(10) {
				e.Problem = &Reason{Code: Stopped}
			}
			events = append(events, Event{Kind: CheckEnded, Check: e})
		}
	}
	if pick(10) {
		events = append(events, Event{Kind: BenchFault, Fault: &Fault{Reason: silent("meter"), AfterPlan: !pick(3)}})
	}
	if pick(10) {
		events = append(events, Event{Kind: MadeSafe, Unsafe: []Unsafe{{Device: "supply", Drives: []string{"power"}, Text: "still on"}}})
	}
	if !pick(6) {
		events = append(events, Event{Kind: RunEnded, End: &End{Outcome: []Outcome{Passed, Passed, Passed, Failed, Errored, Aborted, "fine"}[rng.IntN(7)]}})
	}
	for i := range events {
		events[i].Time = recordtest.T0
	}
	return events
}

// mayPass says, by another road than Fold, whether a run may be passed.
func mayPass(events []Event) bool {
	open, passes := map[string]bool{}, 0
	late := false // a fault that says that it came after the plan
	for _, e := range events {
		if late && e.Kind != MadeSafe && e.Kind != BenchFault && e.Kind != RunEnded && e.Kind != NoteMade && e.Kind != CaptureKept {
			return false // it did not
		}
		switch e.Kind {
		case CheckStarted:
			open[e.Check.Name] = true
		case CheckEnded:
			delete(open, e.Check.Name)
			if e.Check.Problem != nil || e.Check.Verdict != "" && e.Check.Verdict != Pass && e.Check.Verdict != Unlimited {
				return false
			}
		case ReadingTaken:
			if e.Reading.Verdict != Pass && e.Reading.Verdict != Unlimited {
				return false
			}
			if e.Reading.Verdict == Pass {
				x, number := e.Reading.Value.Number()
				if e.Reading.Limit == nil || e.Reading.Value.IsNone() || number && !(math.Abs(x) <= 4.0001) {
					return false
				}
				passes++
			}
			if math.IsInf(e.Reading.Uncertainty, 0) {
				return false
			}
		case BenchFault:
			if !e.Fault.AfterPlan || len(open) > 0 {
				return false
			}
			late = true
		case MadeSafe:
			if len(e.Unsafe) > 0 {
				return false
			}
		}
	}
	last := events[len(events)-1]
	return len(open) == 0 && passes > 0 && last.Kind == RunEnded && last.End.Outcome == Passed
}

// The journal on disk folds to the report of memory, and never to a pass that
// anything speaks against.
func TestFoldDiskIsMemory(t *testing.T) {
	dir := t.TempDir()
	a, err := archive.Open(dir, "LQ-1")
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	rng := rand.New(rand.NewPCG(1, 2))
	passed := 0
	for i := range 300 {
		run := fmt.Sprint("run", i)
		j, err := a.Begin(recordtest.Start(run), recordtest.T0)
		if err != nil {
			t.Fatal(err)
		}
		events := randomEvents(rng)
		for _, e := range events {
			if err := j.Append(e); err != nil {
				t.Fatal(err)
			}
		}
		if err := j.Sync(); err != nil {
			t.Fatal(err)
		}
		memory, err := Fold(j.Events())
		if err != nil {
			t.Fatal(err)
		}
		onDisk, err := archive.ReadJournal(filepath.Join(dir, "journal", run+".jsonl"))
		if err != nil {
			t.Fatal(err)
		}
		disk, err := Fold(onDisk)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(memory, disk) {
			t.Fatalf("run %d: memory %+v\ndisk %+v", i, memory, disk)
		}
		given, err := Fold(recordtest.Numbered(recordtest.Start(run), events...))
		if err != nil {
			t.Fatal(err)
		}
		if given.Outcome != disk.Outcome {
			t.Fatalf("run %d: the events as given fold to %s, as written to %s", i, given.Outcome, disk.Outcome)
		}
		want := mayPass(recordtest.Numbered(recordtest.Start(run), events...))
		if (disk.Outcome == Passed) != want {
			b, _ := json.Marshal(onDisk)
			t.Fatalf("run %d: outcome %s, may pass: %v\n%s", i, disk.Outcome, want, b)
		}
		if want {
			passed++
		}
		if i%10 == 0 {
			s, err := j.Seal()
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(s.Report, disk) {
				t.Fatalf("run %d: sealed %+v\nfolded %+v", i, s.Report, disk)
			}
			loaded, err := a.Load(run)
			if err != nil || !reflect.DeepEqual(loaded, s) {
				t.Fatalf("run %d: loaded %+v (%v)\nsealed %+v", i, loaded, err, s)
			}
		}
	}
	if passed < 10 || passed > 200 {
		t.Errorf("%d of 300 random runs passed: the test says little", passed)
	}
}

func FuzzFold(f *testing.F) {
	for i := range 5 {
		b, err := json.Marshal(recordtest.Numbered(recordtest.Start("r"), randomEvents(rand.New(rand.NewPCG(uint64(i), 7)))...))
		if err != nil {
			continue // a seed with a number JSON does not know
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		var events []Event
		if json.Unmarshal(data, &events) != nil {
			return
		}
		r, err := Fold(events)
		if err != nil || r.Outcome != Passed {
			return
		}
		if end := events[len(events)-1].End; end == nil || end.Outcome != Passed {
			t.Fatal("passed, but did not end so")
		}
		passes := 0
		for _, e := range events {
			if e.Fault != nil && e.Kind == BenchFault {
				t.Fatal("passed with a fault")
			}
			if e.Kind == ReadingTaken {
				switch e.Reading.Verdict {
				case Pass:
					passes++
				case Unlimited:
				default:
					t.Fatalf("passed with a reading that says %q", e.Reading.Verdict)
				}
			}
		}
		if passes == 0 {
			t.Fatal("passed without a reading that passed")
		}
	})
}

func BenchmarkFold(b *testing.B) {
	events := recordtest.Numbered(recordtest.Start("r"), recordtest.Full(Passed)...)
	for b.Loop() {
		if _, err := Fold(events); err != nil {
			b.Fatal(err)
		}
	}
}
