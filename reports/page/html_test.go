package page

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
)

func fullSealed(t testing.TB, outcome reports.Outcome) archive.Sealed {
	t.Helper()
	a := openTest(t, t.TempDir())
	sealTest(t, a, "first", recordtest.Events(reports.Passed))
	start := recordtest.Start(reports.NewRunID(recordtest.T0, "LQ-1", "A"))
	start.CycleTime = 45
	start.Unit.SerialNumber = recordtest.Sample
	start.Sources = append(start.Sources, reports.Source{Name: "limits.toml", SHA256: strings.Repeat("c4", 32)}, reports.Source{Name: "bench-demo.toml", SHA256: strings.Repeat("5e", 32)})
	j, err := a.Begin(start, recordtest.T0)
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, j, recordtest.Full(outcome))
	s, err := j.Seal()
	if err != nil {
		t.Fatal(err)
	}
	if s.Report.Outcome != outcome {
		t.Fatalf("outcome %s (%+v), want %s", s.Report.Outcome, s.Report.Reason, outcome)
	}
	return s
}

func render(t testing.TB, s archive.Sealed) string {
	t.Helper()
	var b bytes.Buffer
	if err := WriteHTML(&b, s, Options{Words: spoken(t, "en", time.FixedZone("CET", 3600)), ProductTitle: "Kittiwake K8"}); err != nil {
		t.Fatal(err)
	}
	return plain(b.String())
}

// plain is a page with blanks where no line may break.
func plain(s string) string { return strings.ReplaceAll(s, "\u00a0", " ") }

func TestWriteHTML(t *testing.T) {
	for outcome, want := range map[reports.Outcome][]string{
		reports.Passed:  {"<h1>Passed</h1>", "Every check of this unit passed.", recordtest.Sample},
		reports.Failed:  {"<h1>Failed</h1>", "What to look at first", "15.3 µA, above 12 µA", "Likely cause", "Look at first", "residue under the power switch", "Why this limit"},
		reports.Errored: {"<h1>Error</h1>", "not a failure of the unit", "The bench, not the unit", "no frame in 1 s", "USB plug"},
	} {
		page := render(t, fullSealed(t, outcome))
		want = append(want, "25 Nov 2026, 10:42:57", "CET", "&#43;01:00", "simulated", strings.Repeat("c4", 32), "number 2 of this archive")
		for _, w := range want {
			if !strings.Contains(page, w) {
				t.Errorf("%s: no %q in the page", outcome, w)
			}
		}
	}
}

var (
	external = regexp.MustCompile(`(?i)<script|<link|<img|<iframe|@import|url\((?:[^#)])|https?://|(?:src|href)="[^#"]`)
	// within is a picture that the page itself holds.
	within = regexp.MustCompile(`<img src="data:image/(?:png|jpeg);base64,(?:[A-Za-z0-9/=]|&#43;)+"`)
	idOf   = regexp.MustCompile(`\sid="([^"]+)"`)
)

// A page needs nothing from elsewhere, is well-formed, and names nothing twice.
func TestHTMLSelfContained(t *testing.T) {
	for _, outcome := range []reports.Outcome{reports.Passed, reports.Failed, reports.Errored, reports.Aborted} {
		page := render(t, fullSealed(t, outcome))
		if m := external.FindString(within.ReplaceAllString(page, "")); m != "" {
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

func hostileSealed() archive.Sealed {
	const evil = `"><script>alert(1)</script>'--!></style></title></svg>{{.}}` + "\u202e\x00"
	huge := strings.Repeat("W", 400)
	start := reports.Start{Run: evil, Station: evil, Nest: evil, Operator: evil, Software: evil, CycleTime: 1, Unit: reports.Unit{SerialNumber: evil, Product: evil, Revision: evil, Lot: evil}, Sources: []reports.Source{{Name: evil, SHA256: evil}}}
	x := new(math.MaxFloat64)
	why := &reports.Reason{Code: reports.DeviceFailed, Device: evil, Verb: evil, Kind: evil, Text: evil, Hint: evil,
		Because: []reports.Reason{{Code: evil}}}
	return archive.Sealed{Seal: archive.Seal{Number: 1, Previous: evil, SHA256: evil, Key: evil, Signature: evil}, Report: reports.Report{
		Start: start, Started: recordtest.T0, Ended: recordtest.T0.Add(time.Second), Outcome: reports.Outcome(evil), Reason: why, Bench: evil, Unsafe: []reports.Unsafe{{Device: evil, Drives: []string{evil}, Kind: evil, Text: evil}},
		Checks: []reports.Check{{Name: evil, About: evil, Part: evil, Verdict: reports.Verdict(evil), Problem: why, Skipped: []string{evil}, Started: recordtest.T0, Ended: recordtest.T0, Notes: []string{evil},
			Readings: []reports.Reading{
				{Check: evil, Name: evil, Value: reports.Text(evil), Unit: evil, Verdict: reports.Verdict(evil), Problem: why, Cause: evil, Inspect: evil, Limit: &reports.Limit{OneOf: []reports.Value{reports.Text(evil)}, Why: evil}},
				{Name: huge, Value: reports.Number(math.MaxFloat64), Unit: huge, Verdict: reports.Fail, Limit: &reports.Limit{Lower: new(-*x), Upper: x}},
				{Name: "z", Value: reports.Number(1), Unit: "A", Verdict: reports.Fail, Limit: &reports.Limit{Upper: new(-*x)}},
				{Name: "z", Value: reports.Number(5e-324), Unit: "A", Verdict: reports.Fail, Limit: &reports.Limit{Lower: new(1.0), Upper: new(1.0)}},
				{Name: "z", Value: reports.Number(math.NaN()), Verdict: reports.Error},
			}}},
		Captures: []reports.Capture{{Check: evil, Name: evil, Media: evil, SHA256: evil, Plot: &reports.Plot{Title: evil, XLabel: evil, YLabel: evil + " / A", Series: []reports.Series{
			{Name: evil, X: []float64{0, 1, math.NaN()}, Y: []float64{-*x, *x, 1}}, {X: []float64{1}, Y: []float64{math.Inf(1)}}}}},
			{Check: "elsewhere", Name: "empty", Plot: &reports.Plot{}}},
		Prompts: []reports.Prompt{{Text: evil, By: evil, Answer: new(reports.Text(evil))}}, Faults: []reports.Fault{{Reason: *why, Check: evil}, {Reason: reports.Reason{Code: reports.PlanError, Text: evil, File: evil, Line: 1}}}, Notes: []string{evil},
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

// A capture is drawn with its names and units, says what is left out, and says
// when there is nothing to draw.
func TestCaptureDrawing(t *testing.T) {
	draw := func(p reports.Plot) capture { return english(t).newCapture(reports.Capture{Plot: &p}, nil, "x") }
	v := draw(reports.Plot{XLabel: "time / s", YLabel: "current / A", Series: []reports.Series{{Name: "unit", X: []float64{0, 2}, Y: []float64{8e-6, 31e-6}}}})
	for _, want := range []string{">current / µA<", ">time / s<", "time from 0 s to 2 s, current from 8 µA to 31 µA", ">unit<",
		">0<", ">10<", ">30<", ">0.5<", ">2.0<"} {
		if !strings.Contains(plain(string(v.SVG)), want) {
			t.Errorf("no %q in %s", want, v.SVG)
		}
	}
	if v.Title != "current / A over time / s" {
		t.Errorf("title %q", v.Title)
	}
	for name, p := range map[string]reports.Plot{"nothing": {}, "no number": {Series: []reports.Series{{X: []float64{math.NaN(), 1}, Y: []float64{1, math.Inf(1)}}}}} {
		if v := draw(p); v.SVG != "" {
			t.Errorf("%s is drawn: %s", name, v.SVG)
		}
	}
	many := reports.Plot{}
	for i := range 9 {
		many.Series = append(many.Series, reports.Series{Name: fmt.Sprint(i), X: []float64{0, 1}, Y: []float64{0, 1}})
	}
	if v := draw(many); len(v.Notes) != 1 || !strings.Contains(v.Notes[0], "6") || !strings.Contains(v.Notes[0], "9") {
		t.Errorf("%q, want it said that 6 of 9 are drawn", v.Notes)
	}
}

// A probability is never rounded to a certainty.
func TestProbabilityInWords(t *testing.T) {
	for p, want := range map[float64]string{1: "> 99.9999 %", 0.99: "with 99 %", 0.5: "with 50 %", 0: "< 0.0001 %"} {
		v := english(t).newReading(reports.Reading{Value: reports.Number(1), Conformance: &p}, "x")
		if got := plain(v.Plus); !strings.HasSuffix(got, want) {
			t.Errorf("probability %v: %q, want %q", p, got, want)
		}
	}
}

func BenchmarkWriteHTML(b *testing.B) {
	s := fullSealed(b, reports.Failed)
	for b.Loop() {
		render(b, s)
	}
}

// The page ranks the causes with their evidence, and leaves out what the limit
// of an explained reading says by itself; all of it is text.
func TestPageShowsCauses(t *testing.T) {
	events := append([]reports.Event{{Time: recordtest.T0, Kind: reports.RunStarted, Start: new(recordtest.Start("r"))}}, recordtest.Events(reports.Failed)...)
	own := *events[3].Reading
	own.Cause, own.Inspect = "what the limit says", "where the limit says"
	events[3].Reading = &own
	end := events[len(events)-1]
	events = append(events[:len(events)-1], reports.Event{Time: end.Time, Kind: reports.CausesRanked, Causes: []reports.Cause{
		{Cause: "leakage <b>here</b>", Where: "left stick", Confidence: 0.72, Inspect: "the switch", Rule: "leakage", Explains: []string{"standby.current"},
			Evidence: []reports.Evidence{
				{Reading: "standby.current", Relation: reports.Outside, Value: new(reports.Number(-15.3e-6)), Unit: "A", Limit: &reports.Limit{Lower: new(1e-6), Upper: new(12e-6)}},
				{Reading: "running.current", Relation: reports.Within, Value: new(reports.Bool(true)), Against: true}}},
		{Cause: "something else", Confidence: 0.2, Rule: "else"},
	}}, end)
	for i := range events {
		events[i].Seq = int64(i) + 1
	}
	r, err := reports.Fold(events)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := WriteHTML(&b, archive.Sealed{Report: r}, Options{Words: spoken(t, "en", time.UTC)}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Likely causes", "Leakage &lt;b&gt;here", "likely, some 70 %", "less likely, some 20 %", "the switch",
		"<li>standby.current −15.3 µA", "<dt>Against it</dt><dd><ul><li>running.current is normal (yes)", "never a certainty"} {
		if !strings.Contains(plain(b.String()), want) {
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
	if err := WriteHTML(&b, archive.Sealed{Report: r}, Options{Words: spoken(t, "en", time.UTC)}); err != nil {
		t.Fatal(err)
	}
	if s := b.String(); strings.Contains(s, "Likely causes") || !strings.Contains(s, "what the limit says") {
		t.Error("without ranked causes the page must say what the limit says")
	}
}

// A report whose readings name no check of it, or whose words are no text, is
// shown all the same: what is wrong with a file is no reason to stop a page.
func TestHTMLOfAnyReport(t *testing.T) {
	s := hostileSealed()
	for _, outcome := range []reports.Outcome{reports.Passed, reports.Failed, reports.Errored, reports.Aborted} {
		s.Report.Outcome = outcome
		s.Report.Faults, s.Report.Unsafe = nil, nil
		s.Report.Causes = []reports.Cause{{Cause: "\xff\xfe", Where: "\xff", Explains: []string{".z"}}}
		page := render(t, s)
		if outcome == reports.Failed && (!strings.Contains(page, "What to look at first") || !strings.Contains(page, `class="u-card fail"`)) {
			t.Errorf("%s: what failed is not shown", outcome)
		}
		if strings.Contains(page, "<script") {
			t.Errorf("%s: text of the report became markup", outcome)
		}
	}
}
