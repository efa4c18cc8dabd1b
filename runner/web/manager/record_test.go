package manager

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
	"fullthrow/runner/web/shell"
)

// The plant of the tests lies 8 hours east; its clock stands at this moment.
var (
	plant = time.FixedZone("plant", 8*3600)
	now   = time.Date(2026, 11, 25, 15, 20, 0, 0, plant)
)

// record is a station's record that is made once for all tests: ten days, two
// nests, two lots, golden units, retests, a repair, faults of the bench, a
// stopped run, and texts that mean harm. Tests must not change it.
type record struct {
	dir   string
	index *store.Index

	units, firstPassed  int // of all units
	lotUnits, lotPassed int // of lot 24B
	errors, aborted     int
	failedRun           string // with captures and a repair
	failedSerial        string
	passedRun           string
	passedSerial        string
	wav                 string // name of its recording
}

const hostile = `<script>alert(1)</script>`

var shared *record

func TestMain(m *testing.M) {
	code := func() int {
		dir, err := os.MkdirTemp("", "manager-test-")
		if err != nil {
			panic(err)
		}
		defer os.RemoveAll(dir)
		if shared, err = makeRecord(filepath.Join(dir, "records")); err != nil {
			panic(err)
		}
		defer shared.index.Close()
		return m.Run()
	}()
	os.Exit(code)
}

// sound is a WAV file of one sample.
var sound = []byte("RIFF\x26\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x80\xbb\x00\x00\x00\x77\x01\x00\x02\x00\x10\x00data\x02\x00\x00\x00\x01\x00")

func makeRecord(dir string) (*record, error) {
	r := &record{dir: dir}
	records, err := archive.Open(dir, "LQ-1")
	if err != nil {
		return nil, err
	}
	defer records.Close()
	rng := rand.New(rand.NewPCG(3, 4))
	for day := range 10 {
		start := time.Date(2026, 11, 16+day, 7, 0, 0, 0, plant)
		golden := reports.Unit{SerialNumber: "K800Z00001", Product: "kittiwake-k8", Golden: true}
		if _, _, err := r.run(records, rng, golden, "A", "", start, 1, 0); err != nil {
			return nil, err
		}
		for i := range 6 {
			lot, shift := "24A", 0.0
			if day > 4 {
				lot, shift = "24B", 0.25 // lies elsewhere
			}
			unit := reports.Unit{SerialNumber: fmt.Sprintf("K8%s%05d", lot, day*6+i), Product: "kittiwake-k8", Revision: "C", Lot: lot}
			at := start.Add(time.Duration(30+i*70) * time.Minute)
			operator := "Amina"
			if i > 3 {
				operator = "=HYPERLINK(1)" // a spreadsheet must not run it
			}
			nest := string(rune('A' + i%2))
			outcome, sealed, err := r.run(records, rng, unit, nest, operator, at, 1, shift)
			if err != nil {
				return nil, err
			}
			r.units++
			if lot == "24B" {
				r.lotUnits++
			}
			if outcome == reports.Passed {
				r.firstPassed++
				if lot == "24B" {
					r.lotPassed++
				}
				r.passedRun, r.passedSerial = sealed.Report.Run, unit.SerialNumber
				continue
			}
			repair := reports.Repair{ID: reports.NewRunID(at.Add(time.Hour), "LQ-1", "repair"), Run: sealed.Report.Run, At: at.Add(time.Hour), By: "Noor", Found: "component", Done: "replaced", Text: hostile}
			if _, err := records.Repair(repair); err != nil {
				return nil, err
			}
			if r.failedRun == "" {
				r.failedRun, r.failedSerial = sealed.Report.Run, unit.SerialNumber
			}
			if _, _, err := r.run(records, rng, unit, nest, operator, at.Add(2*time.Hour), 2, 0); err != nil {
				return nil, err
			}
		}
	}
	r.index, err = store.OpenIndex(context.Background(), dir, store.IndexOptions{})
	return r, err
}

// run seals one run. Every ninth unit fails at first, every 25th run cannot be
// judged.
func (r *record) run(records *archive.Archive, rng *rand.Rand, unit reports.Unit, nest, operator string, at time.Time, attempt int, shift float64) (reports.Outcome, archive.Sealed, error) {
	var sealed archive.Sealed
	fails := !unit.Golden && attempt == 1 && r.units%9 == 4
	faulty := !unit.Golden && attempt == 1 && r.units%25 == 12
	if faulty { // and once more at once
		begin := reports.Start{Run: reports.NewRunID(at.Add(-20*time.Minute), "LQ-1", nest), Station: "LQ-1", Nest: nest, Operator: operator, Unit: unit, Attempt: 1, CycleTime: 50, Takt: 40, Simulated: true, Software: "test"}
		j, err := records.Begin(begin, at.Add(-20*time.Minute))
		if err != nil {
			return "", sealed, err
		}
		end := reports.End{Outcome: reports.Errored, Reason: &reports.Reason{Code: reports.DeviceFailed, Device: "supply", Kind: "no reply", Text: "no reply"}}
		if r.errors++; r.errors%2 == 0 {
			r.errors--
			r.aborted++
			end = reports.End{Outcome: reports.Aborted, Reason: &reports.Reason{Code: reports.StoppedByHand}}
		}
		if err := j.Append(reports.Event{Time: at.Add(-19 * time.Minute), Kind: reports.RunEnded, End: &end}); err != nil {
			return "", sealed, err
		}
		if _, err := j.Seal(); err != nil {
			return "", sealed, err
		}
	}
	start := reports.Start{Run: reports.NewRunID(at, "LQ-1", nest), Station: "LQ-1", Nest: nest, Operator: operator, Unit: unit, Attempt: attempt, CycleTime: 50, Takt: 40, Simulated: true, Software: "test"}
	j, err := records.Begin(start, at)
	if err != nil {
		return "", sealed, err
	}
	var events []reports.Event
	tell := func(e reports.Event) {
		at = at.Add(5 * time.Second)
		e.Time = at
		events = append(events, e)
	}
	outcome := reports.Passed
	for _, check := range []reports.Check{{Name: "standby", About: "Draws next to nothing when switched off", Part: "power"}, {Name: "centre", About: "Both sticks come back to one centre", Part: "left-stick"}} {
		tell(reports.Event{Kind: reports.CheckStarted, Check: &check})
		low, high := 1e-6, 12e-6
		reading := reports.Reading{Check: check.Name, Name: "current", Unit: "A", Value: reports.Number(9e-6 + 0.4e-6*rng.NormFloat64()), Limit: &reports.Limit{Lower: &low, Upper: &high}, Verdict: reports.Pass}
		if check.Name == "centre" {
			low, high = -1.6, 1.6
			reading.Name, reading.Unit, reading.Value = "play", "%", reports.Number(0.3+shift+0.1*rng.NormFloat64())
			if fails {
				reading.Value, reading.Verdict = reports.Number(3.1), reports.Fail
				outcome = reports.Failed
			}
			tell(reports.Event{Kind: reports.ReadingTaken, Reading: &reports.Reading{Check: "centre", Name: "temperature", Unit: "K", Value: reports.Number(295 + rng.NormFloat64()), Verdict: reports.Unlimited}})
		}
		tell(reports.Event{Kind: reports.ReadingTaken, Reading: &reading})
		check.Verdict = reading.Verdict
		tell(reports.Event{Kind: reports.CheckEnded, Check: &check})
	}
	if fails {
		hash, size, err := j.Attach("wav", append(sound[:len(sound)-1:len(sound)-1], byte(r.units)))
		if err != nil {
			return "", sealed, err
		}
		if r.wav == "" {
			r.wav = hash + ".wav"
		}
		plot := &reports.Plot{Title: hostile, XLabel: "time / s", YLabel: "sound / full scale", Series: []reports.Series{{X: []float64{0, 1, 2}, Y: []float64{0, 1, 0}}}}
		tell(reports.Event{Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "centre", Name: "tune", Media: "audio/wav", SHA256: hash, Size: size, Plot: plot}})
		tell(reports.Event{Kind: reports.CausesRanked, Causes: []reports.Cause{{Cause: "play between shaft and potentiometer " + hostile, Where: "left stick, sideways", Part: "left-stick", Confidence: 0.7, Rule: "stick-play", Inspect: "the set screw", Explains: []string{"centre.play"}}}})
	}
	end := reports.End{Outcome: outcome}
	tell(reports.Event{Kind: reports.RunEnded, End: &end})
	for _, e := range events {
		if err := j.Append(e); err != nil {
			return "", sealed, err
		}
	}
	sealed, err = j.Seal()
	return outcome, sealed, err
}

// pages serves the shared record.
func pages(t testing.TB, change ...func(*Config)) *Manager {
	t.Helper()
	l, err := shell.New()
	require.NoError(t, err)
	c := Config{Store: shared.index, Look: l, Files: Directory(shared.dir), Product: Product{Name: "kittiwake-k8", Title: "Kittiwake K8"},
		Checks: []Check{{"standby", "Draws next to nothing when switched off", "power"}, {"centre", "Both sticks come back to one centre", "left-stick"}},
		Zone:   plant, Now: func() time.Time { return now },
		Patience: time.Hour} // a busy machine's answer is as good
	for _, f := range change {
		f(&c)
	}
	m, err := New(c)
	require.NoError(t, err)
	return m
}
