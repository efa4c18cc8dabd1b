package archive

import (
	"encoding/hex"
	"os"
	"path/filepath"
	"testing"
	"time"

	"fullthrow/reports"

	"github.com/stretchr/testify/require"
)

// What is read from the ends of files must be what loading them proves, and
// the content must survive the way through a store.
func TestPlacesAreThoseOfTheChain(t *testing.T) {
	dir := t.TempDir()
	head, err := ReadHead(dir)
	require.NoError(t, err)
	require.Equal(t, Place{}, head, "an archive not begun yet")
	_, err = PublicKey(dir)
	require.ErrorIs(t, err, os.ErrNotExist)

	a, err := Open(dir, "LQ-1")
	require.NoError(t, err)
	defer a.Close()
	previous := ""
	for n := int64(1); n <= 3; n++ {
		at := time.Date(2026, 3, 2, 6, 0, int(n), 0, time.UTC)
		j, err := a.Begin(reports.Start{Run: reports.NewRunID(at, "LQ-1", "A"), Station: "LQ-1", Nest: "A", Unit: reports.Unit{Product: "kittiwake-k8", SerialNumber: "K8-000001"}}, at)
		require.NoError(t, err)
		s, err := j.Seal()
		require.NoError(t, err)

		p, err := ReadPlace(dir, s.File)
		require.NoError(t, err)
		require.Equal(t, Place{n, previous, s.Seal.SHA256, hex.EncodeToString(a.PublicKey())}, p)
		head, err := ReadHead(dir)
		require.NoError(t, err)
		require.Equal(t, Place{Number: n, SHA256: s.Seal.SHA256}, head)
		previous = s.Seal.SHA256

		data, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(s.File)))
		require.NoError(t, err)
		got, err := s.Bytes()
		require.NoError(t, err)
		require.Equal(t, string(data), string(got))
		back, err := Parse(got)
		require.NoError(t, err)
		require.Equal(t, s.Report, back.Report)
		_, err = Parse(append(got[:20:20], got[21:]...))
		require.Error(t, err)

		if n == 3 {
			name := filepath.Join(dir, filepath.FromSlash(s.File))
			require.NoError(t, os.Truncate(name, int64(len(data)-30)))
			_, err = ReadPlace(dir, s.File)
			require.ErrorIs(t, err, ErrSeal)
			require.NoError(t, os.Truncate(name, 0))
			_, err = ReadPlace(dir, s.File)
			require.ErrorIs(t, err, ErrSeal)
		}
	}
	key, err := PublicKey(dir)
	require.NoError(t, err)
	require.True(t, key.Equal(a.PublicKey()))
	_, err = ReadPlace(dir, "2026/03/02/gone.json")
	require.ErrorIs(t, err, os.ErrNotExist)
}
