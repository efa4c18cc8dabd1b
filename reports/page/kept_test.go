package page

import (
	"bytes"
	"encoding/csv"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/reports/wording"
)

// Reports of earlier versions stay readable: reports/testdata holds an archive
// for each version that was released, one report of every kind of end in it,
// without the key that sealed it. For a new version:
//
//	go test ./reports/page -run TestKeptReports -keep NAME
var keep = flag.String("keep", "", "make an archive of kept reports of that name in reports/testdata")

const keptDir = "../testdata"

// makeKept writes the archive of this version.
func makeKept(t *testing.T, dir string) {
	t.Helper()
	require.NoDirExists(t, dir, "what was kept is never written anew")
	a, err := archive.Open(dir, "LQ-1")
	require.NoError(t, err)
	seal := func(run string, change func([]reports.Event) []reports.Event, outcome reports.Outcome) {
		start := recordtest.Start(run)
		start.Unit.SerialNumber = recordtest.Sample
		j, err := a.Begin(start, recordtest.T0)
		require.NoError(t, err)
		events := change(recordtest.Full(outcome))
		for i, e := range events {
			if e.Capture != nil && e.Capture.SHA256 != "" {
				c := *e.Capture
				c.SHA256, c.Size, err = j.Attach("csv", []byte("time_s,channel1_us\n0,1500\n"))
				require.NoError(t, err)
				events[i].Capture = &c
			}
		}
		appendAll(t, j, events)
		_, err = j.Seal()
		require.NoError(t, err)
	}
	same := func(list []reports.Event) []reports.Event { return list }
	seal("passed", same, reports.Passed)
	seal("failed", func(list []reports.Event) []reports.Event {
		n := len(list) - 1
		ranked := reports.Event{Time: list[n].Time, Kind: reports.CausesRanked, Causes: []reports.Cause{{
			Cause: "play between shaft and potentiometer", Where: "left stick, sideways", Part: "left-stick", Confidence: 0.7,
			Rule: "stick-play", Inspect: "the set screw", Explains: []string{"sticks.left_x_play"}, Evidence: []reports.Evidence{
				{Reading: "sticks.left_x_play", Relation: reports.Outside, Value: new(reports.Number(9.7)), Unit: "%", Limit: &reports.Limit{Upper: new(2.5)}, More: 1},
				{Relation: reports.Ranked, Right: 14, Count: 17},
				{Reading: "sticks.right_x_noise", Relation: reports.Within, Value: new(reports.Number(0.05)), Bound: "less", Unit: "%", Against: true},
			}}}}
		return append(list[:n:n], ranked, list[n])
	}, reports.Failed)
	seal("error", same, reports.Errored)
	seal("aborted", func(list []reports.Event) []reports.Event {
		n := len(list) - 1
		return append(list[:n:n], reports.Event{Time: list[n].Time, Kind: reports.RunEnded, End: &reports.End{
			Outcome: reports.Aborted, Reason: &reports.Reason{Code: reports.StoppedByHand, Text: "M. Oduya"}}})
	}, reports.Passed)
	seal("unsafe", func(list []reports.Event) []reports.Event {
		n := len(list) - 1
		unsafe := []reports.Unsafe{{Device: "supply", Drives: []string{"power"}, Kind: "no reply", Text: "no reply in 1s"}}
		return append(list[:n:n], reports.Event{Time: list[n].Time, Kind: reports.MadeSafe, Unsafe: unsafe}, list[n])
	}, reports.Passed)
	seal("cut", func(list []reports.Event) []reports.Event { return list[:9] }, reports.Passed)
	require.NoError(t, a.Close())
	require.NoError(t, os.Remove(filepath.Join(dir, "station.key"))) // nobody may seal in its name
	for _, empty := range []string{"journal", "lock"} {
		os.Remove(filepath.Join(dir, empty)) // of no use to a reader
	}
}

func TestKeptReports(t *testing.T) {
	if *keep != "" {
		makeKept(t, filepath.Join(keptDir, *keep))
	}
	versions, err := os.ReadDir(keptDir)
	require.NoError(t, err)
	require.NotEmpty(t, versions)
	for _, version := range versions {
		dir := filepath.Join(keptDir, version.Name())
		v, err := archive.Verify(dir)
		require.NoError(t, err)
		assert.Empty(t, v.Problems, version.Name())
		files, err := filepath.Glob(filepath.Join(dir, "*/*/*/*.json"))
		require.NoError(t, err)
		seen := map[reports.Outcome]int{}
		for _, file := range files {
			t.Run(version.Name()+"/"+filepath.Base(file), func(t *testing.T) {
				s, err := archive.Load(file)
				require.NoError(t, err)
				seen[s.Report.Outcome]++
				around, err := archive.Around(dir, s)
				require.NoError(t, err)
				assert.True(t, around.Check.Own && around.Check.Chain, "%+v", around.Check)
				for _, lang := range wording.Languages() {
					showKept(t, s, Options{Words: spoken(t, lang.Tag, time.UTC), History: around.History, Check: &around.Check})
				}
			})
		}
		for outcome, want := range map[reports.Outcome]int{reports.Passed: 1, reports.Failed: 1, reports.Errored: 2, reports.Aborted: 2} {
			assert.GreaterOrEqual(t, seen[outcome], want, "%s: reports that ended as %s", version.Name(), outcome)
		}
	}
}

// showKept shows a report in every way that there is, in one language.
func showKept(t *testing.T, s archive.Sealed, o Options) {
	t.Helper()
	said, err := o.speak()
	require.NoError(t, err)
	r := s.Report
	var b bytes.Buffer
	require.NoError(t, WriteHTML(&b, s, o))
	page := b.String()
	assert.Contains(t, page, `<html lang="`+o.Words.Lang+`">`)
	_, word := said.shapeOf(r.Outcome)
	assert.Contains(t, page, "<h1>"+word+"</h1>")
	assert.NotContains(t, page, "[report.", o.Words.Lang)
	assert.NotContains(t, page, "[record.", o.Words.Lang)
	if r.Outcome != reports.Passed {
		require.NotNil(t, r.Reason)
		assert.NotEqual(t, string(r.Reason.Code), said.Reason(r.Reason), "the code has words")
	}
	for _, c := range r.Causes {
		for _, e := range c.Evidence {
			assert.Contains(t, page, said.Evidence(e))
		}
	}
	for _, f := range r.Faults {
		assert.Contains(t, page, said.Fault(f))
	}
	if len(r.Unsafe) > 0 {
		assert.Contains(t, page, said.UnsafeWarning(r.Unsafe))
	}

	b.Reset()
	o.History = nil // a unit that failed later has none
	err = WriteCertificate(&b, s, o)
	if r.Outcome == reports.Passed {
		require.NoError(t, err)
		assert.Contains(t, b.String(), said.T("report.certificate.lead"))
		assert.NotContains(t, b.String(), "[report.", o.Words.Lang)
	} else {
		var refused *reports.HintedError
		assert.True(t, errors.As(err, &refused), "%v", err)
	}

	b.Reset()
	require.NoError(t, WriteCSV(&b, s, said.Translator))
	rows, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	readings := 0
	for _, c := range r.Checks {
		readings += max(1, len(c.Readings))
		if c.Problem != nil && len(c.Readings) == 0 {
			assert.True(t, strings.Contains(strings.Join(rows[readings], "|"), string(c.Problem.Code)))
		}
	}
	assert.Len(t, rows, readings+1)
}
