package page

import (
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
	"fullthrow/reports/wording"
)

// spoken is a language at a place.
func spoken(t testing.TB, lang string, at *time.Location) *wording.Translator {
	t.Helper()
	b, err := wording.NewBook(at)
	if err != nil {
		t.Fatal(err)
	}
	return b.Translator(lang)
}

func openTest(t testing.TB, dir string) *archive.Archive {
	t.Helper()
	a, err := archive.Open(dir, "LQ-1")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

func appendAll(t testing.TB, j *archive.Journal, events []reports.Event) {
	t.Helper()
	for _, e := range events {
		if err := j.Append(e); err != nil {
			t.Fatal(err)
		}
	}
}

func sealTest(t testing.TB, a *archive.Archive, run string, events []reports.Event) archive.Sealed {
	t.Helper()
	j, err := a.Begin(recordtest.Start(run), recordtest.T0)
	if err != nil {
		t.Fatal(err)
	}
	appendAll(t, j, events)
	s, err := j.Seal()
	if err != nil {
		t.Fatal(err)
	}
	return s
}
