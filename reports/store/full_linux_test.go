package store

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

// The disk of the records is full when a report is to be indexed: the error says so
// and what to do, what was asked before is answered as before, and with room again
// everything is there.
func TestIndexOnAFullDisk(t *testing.T) {
	s := newShop(t, 4)
	s.ended(t)
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=2m"); err != nil {
		t.Skip("a small file system cannot be mounted here:", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	fresh := s.run(t)
	out, err := exec.Command("cp", "-a", s.dir+"/.", dir).CombinedOutput()
	require.NoError(t, err, string(out))
	filler := filepath.Join(dir, "films")
	require.Error(t, os.WriteFile(filler, make([]byte, 4<<20), 0o644))

	ix, err := OpenIndex(t.Context(), dir, IndexOptions{Defer: true})
	require.NoError(t, err)
	defer func() { ix.Close() }()
	err = ix.AddSealed(t.Context(), fresh)
	var h *reports.HintedError
	require.ErrorAs(t, err, &h)
	require.Contains(t, h.Hint, "make room on the disk")
	require.NotErrorIs(t, err, ErrDamaged)
	c, err := ix.Counts(t.Context(), Selection{})
	require.NoError(t, err)
	require.Equal(t, int64(4), c.Runs)
	require.NoError(t, ix.Close())

	require.NoError(t, os.Remove(filler))
	ix, err = OpenIndex(t.Context(), dir, IndexOptions{})
	require.NoError(t, err)
	require.Empty(t, ix.Notes())
	s.world.agree(t, ix, Selection{})
}
