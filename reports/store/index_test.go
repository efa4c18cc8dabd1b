package store

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func openTest(t *testing.T, dir string) *Index {
	t.Helper()
	ix, err := OpenIndex(t.Context(), dir, IndexOptions{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, ix.Close()) })
	return ix
}

func TestIndexConforms(t *testing.T) {
	conform(t, func(t *testing.T, dir string) stored {
		// Without looking for files: the tests bring them.
		ix, err := OpenIndex(t.Context(), dir, IndexOptions{Defer: true})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, ix.Close()) })
		return ix
	})
}
