package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/archive"
	"fullthrow/runner/records"
)

// Whoever is told to keep records in a folder uses the archive that is there,
// and never begins one beside or within another.
func TestRecordsAreKeptWhereTheyAre(t *testing.T) {
	home := t.TempDir()
	begin := func(dir string) string {
		t.Helper()
		a, err := archive.Open(filepath.Join(home, dir), "LQ-1")
		require.NoError(t, err)
		require.NoError(t, a.Close())
		return a.Dir()
	}
	demo, station := begin("demo/records"), begin("station")
	require.NoError(t, os.MkdirAll(filepath.Join(home, "empty"), 0o755))
	for _, c := range []struct{ name, dir, below, want string }{
		{"the folder of a demo", "demo", "records", demo},
		{"its records themselves", "demo/records", "records", demo},
		{"a demo's, for a station on hardware", "demo", "", demo},
		{"a station's", "station", "", station},
		{"a station's, for a simulated one", "station", "records", station},
		{"none yet", "empty", "", filepath.Join(home, "empty")},
		{"none yet, simulated", "empty", "records", filepath.Join(home, "empty", "records")},
		{"no folder yet", "new/one", "records", filepath.Join(home, "new", "one", "records")},
		{"within a station's", "station/more", "", ""},
		{"within a demo's", "demo/records/2026", "records", ""},
	} {
		got, err := records.RecordsToKeep(filepath.Join(home, c.dir), c.below)
		assert.Equal(t, c.want, got, c.name)
		assert.Equal(t, c.want == "", err != nil, "%s: %v", c.name, err)
	}
	found, ok := archive.Find(filepath.Join(home, "empty"))
	assert.Equal(t, filepath.Join(home, "empty"), found)
	assert.False(t, ok)
}
