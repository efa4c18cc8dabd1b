package wav

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Files as other programs write them; the table of testdata/README.md says what
// must come of each.
func TestHabits(t *testing.T) {
	table, err := os.ReadFile("testdata/README.md")
	require.NoError(t, err)
	files, err := filepath.Glob("testdata/*.wav")
	require.NoError(t, err)
	rows := 0
	for line := range strings.SplitSeq(string(table), "\n") {
		cells := strings.Split(line, " | ")
		if len(cells) < 2 || !strings.HasPrefix(line, "| `") {
			continue
		}
		rows++
		name, want := strings.Trim(cells[0], "| `"), strings.Trim(strings.Join(cells[2:], ""), " |")
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile("testdata/" + name)
			require.NoError(t, err)
			s, notes, err := Read(bytes.NewReader(data), name)
			if strings.HasSuffix(name, ".bad.wav") {
				require.ErrorContains(t, err, name+": "+want)
				require.Nil(t, s.Values)
				return
			}
			require.NoError(t, err)
			values := []float64{0.5, -0.5, 0.25, 0}
			if name == "silent-left.wav" {
				values = []float64{0, 0.5, 0, -0.5, 0, 0.25, 0, 0}
			}
			require.Equal(t, values, s.Values)
			require.Equal(t, 8000.0, s.Rate)
			if want == "" {
				require.Empty(t, notes)
			} else {
				require.Contains(t, notes, want)
			}
		})
	}
	require.Equal(t, len(files), rows, "a file without its row, or the other way round")
}
