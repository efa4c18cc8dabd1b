package reports

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// fullRun is what follows the start of a run of ten checks, invented, with
// everything a report can hold. outcome Failed: the unit draws too much when
// switched off and one stick is slack. Errored: the meter falls silent.
func fullRun(outcome Outcome) []Event {
	at := t0
	tick := func(s float64) time.Time { at = at.Add(time.Duration(s * 1e9)); return at }
	var events []Event
	add := func(s float64, e Event) { e.Time = tick(s); events = append(events, e) }
	two := func(lower, upper float64) *Limit { return &Limit{Lower: &lower, Upper: &upper, Rule: "simple"} }
	most := func(upper float64) *Limit { return &Limit{Upper: &upper, Rule: "simple"} }
	least := func(lower float64) *Limit { return &Limit{Lower: &lower, Rule: "simple"} }
	check := func(name, about, part string, seconds float64, readings ...Reading) {
		add(0.2, Event{Kind: CheckStarted, Check: &Check{Name: name, About: about, Part: part}})
		for i, rd := range readings {
			rd.Check = name
			if rd.Verdict == "" {
				rd.Verdict = Pass
				if rd.Limit == nil {
					rd.Verdict = Unlimited
				}
			}
			add(seconds/float64(len(readings)), Event{Kind: ReadingTaken, Reading: &rd})
			_ = i
		}
		if name == "tune" {
			add(0, Event{Kind: NoteMade, Text: "quiet room: background 31 dB below the tune"})
		}
	}
	finish := func(name string) { add(0.05, Event{Kind: CheckEnded, Check: &Check{Name: name}}) }
	add(0.4, Event{Kind: BenchReady, Text: "supply, meter, fixture board, receiver, four stick axes; all answer, guard closed"})

	off := Reading{Name: "current", Value: Number(9.1e-6), Unit: "A", Uncertainty: 4e-7, Limit: &Limit{Lower: ptr(1e-6), Upper: ptr(12e-6), Rule: "guarded", Guard: 6e-7,
		Why: "a sound unit draws some 9 µA; at 12 µA the cell still lasts two years on the shelf"}}
	if outcome == Failed {
		off.Value, off.Verdict = Number(15.3e-6), Fail
		off.Cause = "leakage: residue under the power switch, a damaged protection diode, or a capacitor fitted the wrong way round"
		off.Inspect = "the input around the power switch, under a lens; then lift the input capacitor"
	}
	check("standby", "Draws next to nothing when switched off", "power", 2.3, off)
	var x, y, low []float64
	for i := range 200 {
		t := float64(i) / 100
		x, y, low = append(x, t), append(y, 9.1e-6+1.1e-6*math.Sin(9*t)+3e-7*math.Sin(71*t)+2e-5*math.Exp(-6*t)), append(low, 7.9e-6+1e-6*math.Sin(9*t)+1.8e-5*math.Exp(-6*t))
	}
	add(0.01, Event{Kind: CaptureKept, Capture: &Capture{Check: "standby", Name: "off_current", Media: "text/csv",
		Plot: &Plot{Title: "Current, switched off", XLabel: "time / s", YLabel: "current / A", Series: []Series{{X: x, Y: y, Low: low}}}}})
	finish("standby")
	check("inrush", "Does not overload its cell when switched on", "power", 0.4,
		Reading{Name: "peak", Value: Number(0.612), Unit: "A", Limit: two(0.2, 1.1)}, Reading{Name: "charge", Value: Number(2.4e-3), Unit: "C", Limit: most(6e-3)})
	finish("inrush")
	check("tune", "Plays its four notes in tune and time", "sounder", 1.6,
		Reading{Name: "pitch_error", Value: Number(3.1), Unit: "cent", Limit: two(-25, 25)}, Reading{Name: "level", Value: Number(-18.4), Unit: "dB", Limit: least(-24)},
		Reading{Name: "distortion", Value: Number(2.7), Unit: "%", Limit: most(8)}, Reading{Name: "notes", Value: Number(4), Unit: "1", Limit: &Limit{Equal: ptr(Number(4))}})
	finish("tune")
	check("running", "Draws what it should while it runs", "power", 1.2, Reading{Name: "current", Value: Number(0.1182), Unit: "A", Uncertainty: 0.0008, Limit: two(0.095, 0.14)})
	finish("running")
	add(0.1, Event{Kind: PromptAsked, Prompt: &Prompt{ID: "1", Text: "Does the lamp above the left stick glow evenly?", Kind: "confirm"}})
	add(2.1, Event{Kind: PromptDone, Prompt: &Prompt{ID: "1", Text: "Does the lamp above the left stick glow evenly?", Kind: "confirm", Answer: ptr(Bool(true)), By: "M. Oduya"}})
	if outcome == Errored {
		check("sticks", "Both sticks come back to one centre", "left-stick", 3.1, Reading{Name: "left_x_play", Unit: "%", Verdict: Error, Problem: "no reading: the receiver gave no frames for 1 s"})
		add(1, Event{Kind: BenchFault, Fault: &Fault{Device: "receiver", Kind: "no reply", Text: "receiver: listen: no frame in 1 s", Hint: "look whether the receiver's lamp is lit and its USB plug sits tight", Check: "sticks"}})
		add(0.1, Event{Kind: CheckEnded, Check: &Check{Name: "sticks", Problem: "receiver: listen: no frame in 1 s (plan.lua:88)"}})
	} else {
		play := Reading{Name: "left_x_play", Value: Number(0.8), Unit: "%", Limit: most(2.5)}
		if outcome == Failed {
			play.Value, play.Verdict, play.Cause, play.Inspect = Number(9.7), Fail, "worn or loose coupling between gimbal shaft and potentiometer", "the grub screw of the left gimbal's horizontal shaft"
		}
		check("sticks", "Both sticks come back to one centre and follow the hand", "left-stick", 8.6, play,
			Reading{Name: "left_y_play", Value: Number(0.6), Unit: "%", Limit: most(2.5)},
			Reading{Name: "right_x_noise", Value: Number(0.05), Bound: "less", Unit: "%", Limit: most(0.4)},
			Reading{Name: "return_spread", Value: Number(0.31), Unit: "%", Limit: most(1)}, Reading{Name: "shape", Value: Text("linear"), Unit: "", Limit: &Limit{OneOf: []Value{Text("linear"), Text("soft")}}})
		var sx, up, down []float64
		for i := range 120 {
			p := -1 + 2*float64(i)/119
			sx, up, down = append(sx, p), append(up, 1500+500*p+4*math.Sin(8*p)), append(down, 1500+500*p-22+3*math.Sin(8*p))
		}
		add(0, Event{Kind: CaptureKept, Capture: &Capture{Check: "sticks", Name: "left_x", Media: "text/csv", SHA256: strings.Repeat("3f", 32), Size: 48211,
			Plot: &Plot{Title: "Left stick, there and back", XLabel: "position / 1", YLabel: "channel 1 / us", Series: []Series{{Name: "towards right", X: sx, Y: up}, {Name: "towards left", X: sx, Y: down}}}}})
		finish("sticks")
		check("link", "Is heard as well as it should be", "antenna", 4, Reading{Name: "margin", Value: Number(22.5), Unit: "dB", Limit: least(15)},
			Reading{Name: "lost_frames", Value: Number(0.02), Unit: "%", Limit: most(0.5)}, Reading{Name: "power", Value: Number(-41.7), Unit: "dBm"})
		finish("link")
		check("latency", "Passes a movement on without delay", "antenna", 3, Reading{Name: "mean", Value: Number(0.0135), Unit: "s", Limit: most(0.02)}, Reading{Name: "worst", Value: Number(0.0192), Unit: "s", Limit: most(0.03)})
		finish("latency")
		check("restart", "Starts again soon after being switched off", "power", 6.5, Reading{Name: "off_time", Value: Number(2.42), Unit: "s", Limit: most(3.5)}, Reading{Name: "starts", Value: Bool(true), Limit: &Limit{Equal: ptr(Bool(true))}})
		finish("restart")
	}
	add(0.6, Event{Kind: MadeSafe})
	add(0.1, Event{Kind: RunEnded, End: &End{Outcome: outcome}})
	return events
}

func fullSealed(t testing.TB, outcome Outcome) Sealed {
	t.Helper()
	a := openTest(t, t.TempDir())
	sealTest(t, a, "first", testEvents(Passed))
	start := testStart(NewRunID(t0, "LQ-1", "A"))
	start.Takt = 45
	start.Unit.SerialNumber = sample
	start.Sources = append(start.Sources, Source{Name: "limits.toml", SHA256: strings.Repeat("c4", 32)}, Source{Name: "bench-demo.toml", SHA256: strings.Repeat("5e", 32)})
	j, err := a.Begin(start, t0)
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, j, fullRun(outcome))
	s, err := j.Seal()
	if err != nil {
		t.Fatal(err)
	}
	if s.Report.Outcome != outcome {
		t.Fatalf("outcome %s (%s), want %s", s.Report.Outcome, s.Report.Reason, outcome)
	}
	return s
}

func render(t testing.TB, s Sealed) string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteHTML(&b, s, HTMLOptions{Location: time.FixedZone("CET", 3600), ProductTitle: "Kittiwake K8"}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestWriteHTML(t *testing.T) {
	for outcome, want := range map[Outcome][]string{
		Passed:  {"<h1>Passed</h1>", "Every check of this unit passed.", sample},
		Failed:  {"<h1>Failed</h1>", "What failed first", "15.3 µA, above 12 µA", "Likely cause", "Look at first", "residue under the power switch", "Why this limit"},
		Errored: {"<h1>Error</h1>", "not a failure of the unit", "The bench, not the unit", "no frame in 1 s", "USB plug"},
	} {
		page := render(t, fullSealed(t, outcome))
		want = append(want, "25 November 2026, 10:42:57", "CET", "&#43;01:00", "simulated", strings.Repeat("c4", 32), "number 2 of this archive")
		for _, w := range want {
			if !strings.Contains(page, w) {
				t.Errorf("%s: no %q in the page", outcome, w)
			}
		}
	}
}

var (
	external = regexp.MustCompile(`(?i)<script|<link|<img|<iframe|@import|url\((?:[^#)])|https?://|(?:src|href)="[^#"]`)
	idOf     = regexp.MustCompile(`\sid="([^"]+)"`)
)

// A page needs nothing from elsewhere, is well-formed, and names nothing twice.
func TestHTMLSelfContained(t *testing.T) {
	for _, outcome := range []Outcome{Passed, Failed, Errored, Aborted} {
		page := render(t, fullSealed(t, outcome))
		if m := external.FindString(page); m != "" {
			t.Errorf("%s: the page reaches outside with %q", outcome, m)
		}
		seen := map[string]bool{}
		for _, m := range idOf.FindAllStringSubmatch(page, -1) {
			if seen[m[1]] {
				t.Errorf("%s: id %q stands twice", outcome, m[1])
			}
			seen[m[1]] = true
		}
		d := xml.NewDecoder(strings.NewReader(page))
		d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
		for {
			if _, err := d.Token(); err == io.EOF {
				break
			} else if err != nil {
				t.Fatalf("%s: %v", outcome, err)
			}
		}
		if strings.Contains(page, "NaN") || strings.Contains(page, "ZgotmplZ") || strings.Contains(page, "%!") {
			t.Errorf("%s: the page holds a number or text that was not drawn", outcome)
		}
	}
}

func hostileSealed() Sealed {
	const evil = `"><script>alert(1)</script>'--!></style></title></svg>{{.}}` + "\u202e\x00"
	huge := strings.Repeat("W", 400)
	start := Start{Run: evil, Station: evil, Nest: evil, Operator: evil, Software: evil, Takt: 1, Unit: Unit{SerialNumber: evil, Product: evil, Revision: evil, Lot: evil}, Sources: []Source{{evil, evil}}}
	x := ptr(math.MaxFloat64)
	return Sealed{Seal: Seal{1, evil, evil, evil, evil}, Report: Report{
		Start: start, Started: t0, Ended: t0.Add(time.Second), Outcome: Outcome(evil), Reason: evil, Hint: evil, Bench: evil, Unsafe: []Unsafe{{evil, []string{evil}, evil, evil}},
		Checks: []Check{{Name: evil, About: evil, Part: evil, Verdict: Verdict(evil), Problem: evil, Hint: evil, Started: t0, Ended: t0, Notes: []string{evil},
			Readings: []Reading{
				{Check: evil, Name: evil, Value: Text(evil), Unit: evil, Verdict: Verdict(evil), Problem: evil, Cause: evil, Inspect: evil, Limit: &Limit{OneOf: []Value{Text(evil)}, Why: evil}},
				{Name: huge, Value: Number(math.MaxFloat64), Unit: huge, Verdict: Fail, Limit: &Limit{Lower: ptr(-*x), Upper: x}},
				{Name: "z", Value: Number(1), Unit: "A", Verdict: Fail, Limit: &Limit{Upper: ptr(-*x)}},
				{Name: "z", Value: Number(5e-324), Unit: "A", Verdict: Fail, Limit: &Limit{Lower: ptr(1.0), Upper: ptr(1.0)}},
				{Name: "z", Value: Number(math.NaN()), Verdict: Error},
			}}},
		Captures: []Capture{{Check: evil, Name: evil, Media: evil, SHA256: evil, Plot: &Plot{Title: evil, XLabel: evil, YLabel: evil + " / A", Series: []Series{
			{Name: evil, X: []float64{0, 1, math.NaN()}, Y: []float64{-*x, *x, 1}}, {X: []float64{1}, Y: []float64{math.Inf(1)}}}}},
			{Check: "elsewhere", Name: "empty", Plot: &Plot{}}},
		Prompts: []Prompt{{Text: evil, By: evil, Answer: ptr(Text(evil))}}, Faults: []Fault{{Device: evil, Text: evil, Hint: evil, Check: evil}}, Notes: []string{evil},
	}}
}

func TestHTMLHostileText(t *testing.T) {
	page := render(t, hostileSealed())
	if strings.Contains(page, "<script") || strings.Contains(page, "alert(1)</s") || strings.Contains(page, `'--!>`) {
		t.Error("text of the report became markup")
	}
	for _, bad := range []string{"NaN", "Inf", "ZgotmplZ"} {
		if regexp.MustCompile(`="[^"]*` + bad).MatchString(page) {
			t.Errorf("%s in a drawing", bad)
		}
	}
	if strings.Count(page, "<style>") != 1 || strings.Count(page, "</html>") != 1 {
		t.Error("the page's own structure was broken")
	}
}

// Limits are drawn to scale.
func TestScale(t *testing.T) {
	two := &Limit{Lower: ptr(2.0), Upper: ptr(4.0), Guard: 0.2}
	for _, tt := range []struct {
		name  string
		rd    Reading
		value float64 // share of the axis, from 0 to 1
		off   int
		ok    bool
	}{
		{"middle", Reading{Value: Number(3), Limit: two}, 0.5, 0, true},
		{"at the lower limit", Reading{Value: Number(2), Limit: two}, 0.25, 0, true},
		{"at the upper limit", Reading{Value: Number(4), Limit: two}, 0.75, 0, true},
		{"far above", Reading{Value: Number(40), Limit: two}, 1, 1, true},
		{"far below", Reading{Value: Number(-1e9), Limit: two}, 0, -1, true},
		{"upper limit, from zero", Reading{Value: Number(5), Limit: &Limit{Upper: ptr(10.0)}}, 0.36, 0, true},
		{"a level has no zero", Reading{Value: Number(-20), Unit: "dB", Limit: &Limit{Lower: ptr(-24.0)}}, 7.0 / 9, 0, true},
		{"no limit", Reading{Value: Number(5)}, 0, 0, false},
		{"not a number", Reading{Value: Text("x"), Limit: two}, 0, 0, false},
		{"infinite", Reading{Value: Number(math.Inf(1)), Limit: two}, 0, 0, false},
		{"limits in no order", Reading{Value: Number(1), Limit: &Limit{Lower: ptr(3.0), Upper: ptr(2.0)}}, 0, 0, false},
		{"equal", Reading{Value: Number(1), Limit: &Limit{Equal: ptr(Number(1))}}, 0, 0, false},
	} {
		s, ok := newScale(tt.rd, "x")
		if ok != tt.ok {
			t.Errorf("%s: drawn %v, want %v", tt.name, ok, tt.ok)
			continue
		}
		if !ok {
			continue
		}
		if got := (s.Value - s.From) / (s.To - s.From); math.Abs(got-tt.value) > 0.01 || s.Off != tt.off {
			t.Errorf("%s: value at %.3f off %d, want %.3f off %d", tt.name, got, s.Off, tt.value, tt.off)
		}
	}
}

func TestDrawingTicks(t *testing.T) {
	d := newDrawing(Plot{XLabel: "time / s", YLabel: "current / A", Series: []Series{{X: []float64{0, 2}, Y: []float64{8e-6, 31e-6}}}}, "x")
	labels := func(ticks []tick) (out []string) {
		for _, t := range ticks {
			out = append(out, t.Label)
		}
		return
	}
	if d.YLabel != "current / µA" || d.XLabel != "time / s" {
		t.Errorf("labels %q, %q", d.YLabel, d.XLabel)
	}
	if got := labels(d.YTicks); !slices.Equal(got, []string{"0", "10", "20", "30"}) {
		t.Errorf("y ticks %v", got)
	}
	if got := labels(d.XTicks); !slices.Equal(got, []string{"0.0", "0.5", "1.0", "1.5", "2.0"}) {
		t.Errorf("x ticks %v", got)
	}
	for _, p := range []Plot{{}, {Series: []Series{{X: []float64{1}, Y: []float64{2}}}}, {Series: []Series{{X: []float64{1, 1}, Y: []float64{0, 0}}}},
		{Series: []Series{{X: []float64{-math.MaxFloat64, math.MaxFloat64}, Y: []float64{5e-324, 0}}}}} {
		d := newDrawing(p, "x")
		for _, l := range d.Lines {
			if strings.ContainsAny(l.Points, "NI") {
				t.Errorf("%+v: points %q", p, l.Points)
			}
		}
		if len(d.XTicks) > 40 {
			t.Errorf("%+v: %d ticks", p, len(d.XTicks))
		}
	}
	many := Plot{}
	for i := range 9 {
		many.Series = append(many.Series, Series{Name: fmt.Sprint(i), X: []float64{0, 1}, Y: []float64{0, 1}})
	}
	if d := newDrawing(many, "x"); d.Hidden != 3 {
		t.Errorf("%d series hidden, want 3 said to be hidden", d.Hidden)
	}
}

// A probability is never rounded to a certainty.
func TestProbabilityInWords(t *testing.T) {
	for p, want := range map[float64]string{1: "more than 99.9 %", 0.99: "99.0 %", 0.5: "50.0 %", 1e-9: "less than 0.1 %"} {
		if got := probability(p); got != want {
			t.Errorf("probability(%v) = %q, want %q", p, got, want)
		}
	}
}
