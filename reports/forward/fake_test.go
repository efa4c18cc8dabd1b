package forward

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"

	"github.com/stretchr/testify/require"
)

// fakePlant is a plant's store in memory, with faults. What the forwarder does
// not ask of a store is not there.
type fakePlant struct {
	mu          sync.Mutex
	reports     map[string]archive.Sealed // by run
	attachments map[string][]byte
	repairs     map[string]reports.Repair
	flags       map[string][]store.Flag // by key
	down        error                   // of every call, nil if up
	ahead       time.Duration           // of its clock
	slow        func(n int) time.Duration
	refuse      map[string]error // by run
	adds        []int            // items of every Add that was tried
	opened      int
}

func newFakePlant() *fakePlant {
	return &fakePlant{
		reports: map[string]archive.Sealed{}, attachments: map[string][]byte{}, repairs: map[string]reports.Repair{},
		flags: map[string][]store.Flag{}, refuse: map[string]error{},
	}
}

func (p *fakePlant) open(context.Context) (Store, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.opened++
	return p, p.down
}

func (p *fakePlant) set(change func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change()
}

func (p *fakePlant) Close() error { return nil }

func (p *fakePlant) Now(context.Context) (time.Time, error) { return time.Now().Add(p.ahead), nil }

func (p *fakePlant) Add(ctx context.Context, items ...store.Item) (store.Added, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.adds = append(p.adds, len(items))
	if p.slow != nil {
		select {
		case <-time.After(p.slow(len(items))):
		case <-ctx.Done():
			return store.Added{}, ctx.Err()
		}
	}
	if p.down != nil {
		return store.Added{}, p.down
	}
	var added store.Added
	for _, i := range items {
		if err := p.refuse[i.Sealed.Report.Run]; err != nil {
			return store.Added{}, err
		}
		old, ok := p.reports[i.Sealed.Report.Run]
		switch {
		case !ok:
			added.New++
		case old.Seal.SHA256 == i.Sealed.Seal.SHA256:
			added.Known++
		default:
			return store.Added{}, fmt.Errorf("store: %w", store.ErrConflict)
		}
	}
	for _, i := range items {
		p.reports[i.Sealed.Report.Run] = i.Sealed
		for sum, data := range i.Attachments {
			p.attachments[sum] = data
		}
	}
	return added, nil
}

func (p *fakePlant) AddRepairs(_ context.Context, repairs ...reports.Repair) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, r := range repairs {
		p.repairs[r.ID] = r
	}
	return p.down
}

func (p *fakePlant) SetFlags(_ context.Context, key string, flags []store.Flag) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.flags[key] = flags
	return p.down
}

func (p *fakePlant) Stations(context.Context) ([]store.StationState, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	byKey := map[string]map[int64]archive.Sealed{}
	for _, s := range p.reports {
		if byKey[s.Seal.Key] == nil {
			byKey[s.Seal.Key] = map[int64]archive.Sealed{}
		}
		byKey[s.Seal.Key][s.Seal.Number] = s
	}
	var list []store.StationState
	for key, m := range byKey {
		st := store.StationState{Key: key}
		for {
			s, ok := m[st.Number+1]
			if !ok {
				break
			}
			st.Station, st.Number, st.SHA256 = s.Report.Station, s.Seal.Number, s.Seal.SHA256
		}
		list = append(list, st)
	}
	return list, p.down
}

// knowingPlant says beforehand what it has, as PostgreSQL's does.
type knowingPlant struct{ *fakePlant }

func (p knowingPlant) open(ctx context.Context) (Store, error) {
	_, err := p.fakePlant.open(ctx)
	return p, err
}

func (p knowingPlant) Known(_ context.Context, runs []string) (map[string]string, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	known := map[string]string{}
	for _, r := range runs {
		if s, ok := p.reports[r]; ok {
			known[r] = s.Seal.SHA256
		}
	}
	return known, p.down
}

func (p knowingPlant) KnownAttachments(_ context.Context, sums []string) (map[string]bool, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	known := map[string]bool{}
	for _, s := range sums {
		known[s] = p.attachments[s] != nil
	}
	return known, p.down
}

// archive is a station's archive in a test.
type recordsFake struct {
	t   *testing.T
	dir string
	*archive.Archive
	made   int
	serial int // before the first
	at     time.Time
}

func newArchive(t *testing.T, station string) *recordsFake {
	a := &recordsFake{t: t, dir: t.TempDir(), at: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)}
	a.reopen(station)
	t.Cleanup(func() { a.Close() })
	return a
}

func (a *recordsFake) reopen(station string) {
	var err error
	a.Archive, err = archive.Open(a.dir, station)
	require.NoError(a.t, err)
}

// make seals n reports, a minute apart, the third of every four a failure.
func (a *recordsFake) make(n int) (made []archive.Sealed) {
	a.t.Helper()
	for range n {
		made = append(made, a.one(nil))
	}
	return made
}

func (a *recordsFake) one(attachment []byte) archive.Sealed {
	a.t.Helper()
	a.made++
	a.at = a.at.Add(time.Minute)
	at := a.at
	start := reports.Start{
		Run: reports.NewRunID(at, "LQ-1", "A"), Station: "LQ-1", Nest: "A",
		Unit: reports.Unit{SerialNumber: fmt.Sprintf("K8-%06d", a.serial+a.made), Product: "kittiwake-k8", Revision: "C", Lot: "24A"},
	}
	j, err := a.Begin(start, at)
	require.NoError(a.t, err)
	verdict, outcome := reports.Pass, reports.Passed
	if a.made%4 == 3 {
		verdict, outcome = reports.Fail, reports.Failed
	}
	upper := 12e-6
	x := min(float64(a.made)*1e-8, upper)
	if verdict == reports.Fail {
		x += upper
	}
	add := func(e reports.Event) {
		at = at.Add(time.Second)
		e.Time = at
		require.NoError(a.t, j.Append(e))
	}
	add(reports.Event{Kind: reports.CheckStarted, Check: &reports.Check{Name: "standby"}})
	add(reports.Event{Kind: reports.ReadingTaken, Reading: &reports.Reading{
		Check: "standby", Name: "current", Value: reports.Number(x), Unit: "A", Limit: &reports.Limit{Upper: &upper}, Verdict: verdict}})
	if attachment != nil {
		sum, size, err := j.Attach("csv", attachment)
		require.NoError(a.t, err)
		add(reports.Event{Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "standby", Name: "raw", Media: "text/csv", SHA256: sum, Size: size}})
	}
	add(reports.Event{Kind: reports.CheckEnded, Check: &reports.Check{Name: "standby", Verdict: verdict}})
	add(reports.Event{Kind: reports.RunEnded, End: &reports.End{Outcome: outcome}})
	s, err := j.Seal()
	require.NoError(a.t, err)
	require.Equal(a.t, outcome, s.Report.Outcome)
	return s
}

func (a *recordsFake) path(file string) string { return filepath.Join(a.dir, filepath.FromSlash(file)) }

// edit changes a file's content by hand.
func (a *recordsFake) edit(file, old, new string) (before []byte) {
	a.t.Helper()
	before, err := os.ReadFile(a.path(file))
	require.NoError(a.t, err)
	after := bytes.Replace(before, []byte(old), []byte(new), 1)
	require.NotEqual(a.t, string(before), string(after))
	require.NoError(a.t, os.WriteFile(a.path(file), after, 0o644))
	return before
}

// same requires that the plant has exactly the archive's reports.
func (p *fakePlant) same(t *testing.T, archives ...*recordsFake) {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	want := map[string]string{}
	for _, a := range archives {
		for _, e := range a.Entries() {
			want[e.Run] = e.Hash
		}
	}
	got := map[string]string{}
	for run, s := range p.reports {
		got[run] = s.Seal.SHA256
	}
	require.Equal(t, want, got)
}

var errDown = errors.New("connection refused")

type refused struct{}

func (refused) Error() string { return "a text holds what a database cannot" }
func (refused) Refused() bool { return true }
