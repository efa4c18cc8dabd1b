package input

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A file that has no end, or is larger than it may be, is not read.
func TestBounded(t *testing.T) {
	large := filepath.Join(t.TempDir(), "large")
	f, err := os.Create(large)
	require.NoError(t, err)
	require.NoError(t, f.Truncate(1<<40)) // sparse
	require.NoError(t, f.Close())
	names := []string{large}
	if _, err := os.Stat("/dev/zero"); err == nil {
		names = append(names, "/dev/zero")
	}
	for _, name := range names {
		_, err := ReadFile(name, 4<<10)
		var l *TooLarge
		require.True(t, errors.As(err, &l), "%s: %v", name, err)
		require.EqualError(t, MissingFile("bench file", name, err), name+": larger than 4 KiB")
	}
	require.NoError(t, os.Truncate(large, 4<<10))
	data, err := ReadFile(large, 4<<10)
	require.NoError(t, err)
	require.Len(t, data, 4<<10)
	_, err = ReadFS(os.DirFS(t.TempDir()), ".", 1)
	require.EqualError(t, err, "is a folder")
}

// No TOML file takes memory by the square of its length.
func TestUnreasonableTOML(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"key of many parts", "a = 1\n" + strings.Repeat("a.", 100_000) + "a = 1\n", "x.toml:2: a line with more than 500 points: no key and no text has so many"},
		{"table of many parts", "[a" + strings.Repeat(".a", 100_000) + "]\n", "x.toml:1: a line with more than 500 points: no key and no text has so many"},
		{"lists within lists", "a = " + strings.Repeat("[", 100_000) + "\n", "x.toml:1: a line with more than 500 brackets"},
		{"tables within tables", "a = " + strings.Repeat("{a=", 100_000) + "\n", "x.toml:1: a line with more than 500 brackets"},
		{"long", "a = '" + strings.Repeat("x", MaxText) + "'\n", "x.toml: larger than 1 MiB"},
	} {
		var v struct {
			A int `toml:"a"`
		}
		_, problems := DecodeTOML("x.toml", []byte(tt.text), &v)
		require.Len(t, problems, 1, tt.name)
		require.Equal(t, tt.want, problems[0].String(), tt.name)
	}
	var v struct {
		A int `toml:"a"`
	}
	_, problems := DecodeTOML("x.toml", []byte("# "+strings.Repeat("...", 100)+"\na = 1\n"), &v)
	require.Empty(t, problems)
}
