package page

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/reports/serial"
	"fullthrow/reports/wording"
)

// unitHistory is the archive of a unit that met a bench fault, failed, was
// repaired and passed; another unit's run lies between. It returns its reports
// by run.
func unitHistory(t testing.TB, dir string) map[string]archive.Sealed {
	t.Helper()
	a := openTest(t, dir)
	defer a.Close()
	all := map[string]archive.Sealed{}
	for day, run := range []struct {
		name    string
		outcome reports.Outcome
	}{{"run-1", reports.Errored}, {"run-2", reports.Failed}, {"other", reports.Passed}, {"run-3", reports.Passed}} {
		start := recordtest.Start(run.name)
		start.Attempt, start.CycleTime = a.Attempts(start.Unit.Product, recordtest.Sample)+1, 45
		if start.Unit.SerialNumber = recordtest.Sample; run.name == "other" {
			start.Unit.SerialNumber = "K824A00018K"
		}
		j, err := a.Begin(start, recordtest.T0.AddDate(0, 0, day))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range recordtest.Full(run.outcome) {
			e.Time = e.Time.AddDate(0, 0, day)
			if e.Kind == reports.RunEnded && run.outcome == reports.Failed {
				appendAll(t, j, []reports.Event{{Time: e.Time, Kind: reports.CausesRanked, Causes: []reports.Cause{{Cause: "leakage past the power switch", Confidence: 0.7, Rule: "leakage", Part: "power"}}}})
			}
			appendAll(t, j, []reports.Event{e})
		}
		if all[run.name], err = j.Seal(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.Repair(reports.Repair{ID: "fix-1", Run: "run-2", At: recordtest.T0.AddDate(0, 0, 2), By: "R. Lindqvist", Found: "leakage", Part: "power", Done: "cleaned", Text: "flux residue between the pins"}); err != nil {
		t.Fatal(err)
	}
	return all
}

func optionsAround(t testing.TB, dir string, s archive.Sealed) Options {
	t.Helper()
	around, err := archive.Around(dir, s)
	if err != nil {
		t.Fatal(err)
	}
	return Options{Words: spoken(t, "en", time.UTC), ProductTitle: "Kittiwake K8", History: around.History, Check: &around.Check}
}

func TestAround(t *testing.T) {
	dir := t.TempDir()
	all := unitHistory(t, dir)
	for name, s := range all {
		if at, ok := archive.ArchiveOf(filepath.Join(dir, s.File)); !ok || at != dir {
			t.Errorf("%s: archive %q, %v; want %q", name, at, ok, dir)
		}
		around, err := archive.Around(dir, s)
		if err != nil || !around.Check.Own || !around.Check.Chain || around.Check.Text != "" {
			t.Errorf("%s: check %+v, %v; want all of it to fit", name, around.Check, err)
		}
	}
	o := optionsAround(t, dir, all["run-2"])
	var got []string
	for _, row := range o.History {
		got = append(got, row.Run+" "+string(row.Outcome)+": "+wording.English().History(nil, row))
	}
	want := []string{
		"run-1 error: receiver: listen: no frame in 1 s", "run-2 failed: standby.current 15.3 µA, above 12 µA",
		"run-2 : found: leakage past the power switch (power); Cleaned", "run-3 passed: ",
	}
	if !slices.Equal(got, want) {
		t.Errorf("history %q, want %q", got, want)
	}
	var b bytes.Buffer
	if err := WriteHTML(&b, all["run-2"], o); err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"What happened to this unit", "25 Nov 2026", "R. Lindqvist", "flux residue between the pins", "likely: leakage past the power switch",
		"its place between its neighbours fit", "Sealed as number 2 of this archive", recordtest.Sample + " sha256:" + all["run-2"].Seal.SHA256} {
		if !strings.Contains(b.String(), w) {
			t.Errorf("no %q in the page", w)
		}
	}
	for _, elsewhere := range []string{"x.json", "a/2026/11/25/x.json", "2026/x.json", ""} {
		if dir, ok := archive.ArchiveOf(filepath.Join(t.TempDir(), elsewhere)); ok {
			t.Errorf("%s: taken for an archive at %s", elsewhere, dir)
		}
	}
}

// A report that does not stand as it should is said to, before anything else,
// and has no certificate.
func TestAroundFinds(t *testing.T) {
	for _, tt := range []struct {
		name  string
		spoil func(t *testing.T, dir string, all map[string]archive.Sealed)
		want  string
	}{
		{"the one before removed", func(t *testing.T, dir string, all map[string]archive.Sealed) {
			os.Remove(filepath.Join(dir, all["other"].File))
		}, "report number 3 is missing"},
		{"the one before changed", func(t *testing.T, dir string, all map[string]archive.Sealed) {
			name := filepath.Join(dir, all["other"].File)
			data, _ := os.ReadFile(name)
			os.WriteFile(name, bytes.Replace(data, []byte("M. Oduya"), []byte("N. N."), 1), 0o644)
		}, "report number 3 (2026/11/27/other.json) is not as it was sealed"},
		{"another key", func(t *testing.T, dir string, all map[string]archive.Sealed) {
			other := t.TempDir()
			openTest(t, other)
			data, _ := os.ReadFile(filepath.Join(other, "station.pub"))
			os.WriteFile(filepath.Join(dir, "station.pub"), data, 0o644)
		}, "another key"},
		{"the head of the chain names another", func(t *testing.T, dir string, all map[string]archive.Sealed) {
			name := filepath.Join(dir, "chain")
			data, _ := os.ReadFile(name)
			os.WriteFile(name, bytes.Replace(data, []byte(all["run-3"].Seal.SHA256), []byte(strings.Repeat("ab", 32)), 1), 0o644)
		}, "the note of the newest report is not the station's"},
	} {
		dir := t.TempDir()
		all := unitHistory(t, dir)
		tt.spoil(t, dir, all)
		o := optionsAround(t, dir, all["run-3"])
		if o.Check.Chain || !strings.Contains(o.Check.Text, tt.want) {
			t.Errorf("%s: check %+v, want %q", tt.name, o.Check, tt.want)
		}
		var b bytes.Buffer
		if err := WriteHTML(&b, all["run-3"], o); err != nil {
			t.Fatal(err)
		}
		page := b.String()
		if i, k := strings.Index(page, "does not stand as it should"), strings.Index(page, `id="check-1"`); i < 0 || i > k {
			t.Errorf("%s: the page does not say so first", tt.name)
		}
		if err := WriteCertificate(&b, all["run-3"], o); err == nil {
			t.Errorf("%s: certified", tt.name)
		}
	}
}

func TestPageOfForgedReport(t *testing.T) {
	s := fullSealed(t, reports.Failed)
	s.Raw = bytes.Replace(s.Raw, []byte(`"outcome":"failed"`), []byte(`"outcome":"passed"`), 1)
	s.Report.Outcome = reports.Passed
	if page := render(t, s); !strings.Contains(page, "This report is not as it was sealed") || strings.Contains(page, "signature fit") {
		t.Error("a forged report's page does not say so")
	}
	s.Raw = nil
	if page := render(t, s); !strings.Contains(page, "Not checked when this page was made") {
		t.Error("a report without its bytes is said to be checked")
	}
}

func TestSortHistory(t *testing.T) {
	at := func(h int) time.Time { return recordtest.T0.Add(time.Duration(h) * time.Hour) }
	rows := []reports.HistoryRow{{At: at(0), Run: "a"}, {At: at(1), Run: "b", Repair: &reports.Repair{}}, {At: at(2), Run: "a", Repair: &reports.Repair{}}, {At: at(5), Run: "b"}, {At: at(9), Run: "gone", Repair: &reports.Repair{}}}
	reports.SortHistory(rows)
	var got []string
	for _, r := range rows {
		got = append(got, r.Run+map[bool]string{true: "+"}[r.Repair != nil])
	}
	if want := []string{"a", "a+", "b", "b+", "gone+"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v: a repair comes after its run", got, want)
	}
}

func certify(s archive.Sealed, o Options) (string, error) {
	var b bytes.Buffer
	err := WriteCertificate(&b, s, o)
	return plain(b.String()), err
}

func TestCertificate(t *testing.T) {
	dir := t.TempDir()
	all := unitHistory(t, dir)
	page, err := certify(all["run-3"], optionsAround(t, dir, all["run-3"]))
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range []string{"Certificate of test", "Kittiwake K8", recordtest.Sample, "28 Nov 2026", "8 checks, 19 readings", "Both sticks come back to one centre", "9.1 µA", "simulated, invented data",
		all["run-3"].Seal.SHA256[:16], "number 4", recordtest.Sample + " sha256:" + all["run-3"].Seal.SHA256} {
		if !strings.Contains(page, w) {
			t.Errorf("no %q in the certificate", w)
		}
	}
	if m := external.FindString(page); m != "" {
		t.Errorf("the certificate reaches outside with %q", m)
	}
	for _, m := range idOf.FindAllStringSubmatch(page, -1) {
		if strings.Count(page, ` id="`+m[1]+`"`) != 1 {
			t.Errorf("id %q stands twice", m[1])
		}
	}
	// Without hardware's mark there is none across the page.
	real := openTest(t, t.TempDir())
	start := recordtest.Start("r1")
	start.Simulated = false
	j, err := real.Begin(start, recordtest.T0)
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, j, recordtest.Events(reports.Passed))
	s, err := j.Seal()
	if err != nil {
		t.Fatal(err)
	}
	if page, err := certify(s, Options{}); err != nil || strings.Contains(page, "invented") || !strings.Contains(page, "1 check, 1 reading") {
		t.Errorf("of a real unit: %v\n%s", err, page)
	}
}

// Of each check the reading nearest to its limit is shown.
func TestCertificateNearest(t *testing.T) {
	two := &reports.Limit{Lower: new(0.0), Upper: new(10.0)}
	row := english(t).newCertificateRow(reports.Check{Name: "x", Readings: []reports.Reading{
		{Name: "middle", Value: reports.Number(5), Unit: "V", Limit: two, Verdict: reports.Pass},
		{Name: "near_edge", Value: reports.Number(9.5), Unit: "V", Limit: two, Verdict: reports.Pass},
		{Name: "unlimited", Value: reports.Number(99), Unit: "V", Verdict: reports.Unlimited},
	}}, 2, "c")
	if row.Name != "near edge" || plain(row.Value) != "9.5 V" || row.Scale == "" {
		t.Errorf("got %+v, want near edge, 9.5 V", row)
	}
	row = english(t).newCertificateRow(reports.Check{Name: "x", Readings: []reports.Reading{{Name: "a", Value: reports.Bool(true), Limit: &reports.Limit{Equal: new(reports.Bool(true))}, Verdict: reports.Pass}}}, 1, "c")
	if row.Value != "1 reading" || row.Scale != "" {
		t.Errorf("got %+v, want one reading as it must be", row)
	}
}

func english(t *testing.T) words {
	w, err := Options{}.speak()
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestCertificateRefuses(t *testing.T) {
	passed := fullSealed(t, reports.Passed)
	golden := openTest(t, t.TempDir())
	start := recordtest.Start("r1")
	start.Unit.Golden = true
	j, err := golden.Begin(start, recordtest.T0)
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, j, recordtest.Events(reports.Passed))
	ofGolden, err := j.Seal()
	if err != nil {
		t.Fatal(err)
	}
	forged := passed
	forged.Raw = bytes.Replace(passed.Raw, []byte("M. Oduya"), []byte("N. N."), 1)
	bare := passed
	bare.Raw = nil
	this := reports.HistoryRow{Run: passed.Report.Run, Outcome: reports.Passed}
	for _, tt := range []struct {
		name    string
		s       archive.Sealed
		history []reports.HistoryRow
		want    string
	}{
		{"failed", fullSealed(t, reports.Failed), nil, "ended as failed"},
		{"bench fault", fullSealed(t, reports.Errored), nil, "ended as error"},
		{"aborted", fullSealed(t, reports.Aborted), nil, "ended as aborted"},
		{"golden", ofGolden, nil, "golden"},
		{"forged", forged, nil, "was changed"},
		{"not sealed", bare, nil, "not sealed"},
		{"failed later", passed, []reports.HistoryRow{this, {Run: "later", Outcome: reports.Failed}, {Run: "last", Outcome: reports.Errored}}, "failed later, in run later"},
		{"later one unreadable", passed, []reports.HistoryRow{this, {Run: "later"}}, "not as it was sealed"},
	} {
		page, err := certify(tt.s, Options{History: tt.history})
		var hint *reports.HintedError
		if err == nil || !strings.Contains(err.Error(), tt.want) || !errors.As(err, &hint) || hint.Hint == "" || page != "" {
			t.Errorf("%s: got %v and %d bytes, want %q", tt.name, err, len(page), tt.want)
		}
	}
	for _, history := range [][]reports.HistoryRow{{{Run: "before", Outcome: reports.Failed}, this}, {this, {Run: "later", Outcome: reports.Failed}, {Run: "last", Outcome: reports.Passed}}, {this, {Run: "later", Outcome: reports.Aborted}}} {
		if _, err := certify(passed, Options{History: history}); err != nil {
			t.Errorf("%v: %v", history, err)
		}
	}
}

// hostileCertified is a sealed run that passed, whose every text is hostile
// and whose checks are many.
func hostileCertified(t testing.TB) archive.Sealed {
	t.Helper()
	const evil = `"><script>alert(1)</script></style></svg>{{.}}` + "\u202e\x00"
	huge := strings.Repeat("W", 400)
	a := openTest(t, t.TempDir())
	start := reports.Start{Run: "r1", Station: huge, Nest: evil, Operator: evil, Software: evil + huge, Simulated: true, Unit: reports.Unit{SerialNumber: strings.Repeat("<K", 38), Product: evil + huge, Revision: huge, Lot: evil}}
	j, err := a.Begin(start, recordtest.T0)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 40 {
		name := strings.Repeat("check-", 1+i%5) + string(rune('a'+i%26)) + evil
		x := []float64{0, 1e-300, 0.5, 1}[i%4]
		appendAll(t, j, []reports.Event{{Time: recordtest.T0, Kind: reports.CheckStarted, Check: &reports.Check{Name: name, About: evil + huge}},
			{Time: recordtest.T0, Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: name, Name: huge, Value: reports.Number(x), Unit: huge, Verdict: reports.Pass, Limit: &reports.Limit{Lower: new(0.0), Upper: new(1.0)}}},
			{Time: recordtest.T0, Kind: reports.CheckEnded, Check: &reports.Check{Name: name}}})
	}
	appendAll(t, j, []reports.Event{{Time: recordtest.T0.Add(time.Second), Kind: reports.RunEnded, End: &reports.End{Outcome: reports.Passed}}})
	s, err := j.Seal()
	if err != nil || s.Report.Outcome != reports.Passed {
		t.Fatal(s.Report.Reason, err)
	}
	return s
}

func TestCertificateHostileText(t *testing.T) {
	page, err := certify(hostileCertified(t), Options{ProductTitle: `</title><script>`})
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(page, "<script") || strings.Count(page, "</html>") != 1 || strings.Contains(page, "ZgotmplZ") || regexp.MustCompile(`="[^"]*(NaN|Inf)`).MatchString(page) {
		t.Error("text of the report became markup")
	}
	if n := strings.Count(page, `class="row"`); n != certificateRows || !strings.Contains(page, "and 22 more") {
		t.Errorf("%d rows, want %d and the rest named", n, certificateRows)
	}
}

func TestCodeText(t *testing.T) {
	hash := strings.Repeat("0a", 32)
	text := serial.CodeText("K824A00017M", hash)
	if text != "K824A00017M sha256:"+hash {
		t.Errorf("got %q", text)
	}
	if serial, h, ok := serial.ParseCode(" " + text + "\r\n"); !ok || serial != "K824A00017M" || h != hash {
		t.Errorf("read back %q, %q, %v", serial, h, ok)
	}
	for _, bad := range [][2]string{{"", hash}, {"K8\n", hash}, {"K8 1", hash}, {"Ké", hash}, {strings.Repeat("K", 81), hash}, {"K8", "00"}, {"K8", strings.Repeat("g", 64)}} {
		if got := serial.CodeText(bad[0], bad[1]); got != "" || newCode(bad[0], bad[1]) != nil {
			t.Errorf("%q: got %q, want no code", bad, got)
		}
	}
	for _, bad := range []string{"", "K824A00017M", "K8 sha256:00", "sha256:" + hash, text + "0", "https://example.invalid/" + hash} {
		if _, _, ok := serial.ParseCode(bad); ok {
			t.Errorf("%q was taken for a code", bad)
		}
	}
}
