package capturefile

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/runner/input"
)

// Files as instruments and recorders of other hands write them: each says in
// its head what habit it shows, and what must come of it. None comes from an
// instrument; they are written by hand after published descriptions.
func TestHabits(t *testing.T) {
	files, err := filepath.Glob("testdata/*.csv")
	require.NoError(t, err)
	require.Greater(t, len(files), 20)
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			data, err := os.ReadFile(path)
			require.NoError(t, err)
			head := string(data)
			if strings.Contains(path, "utf16") {
				head = strings.NewReplacer("\x00", "", "\r", "").Replace(head)
			}
			said := map[string][]string{}
			for line := range strings.SplitSeq(head, "\n") {
				if key, text, ok := strings.Cut(line, ": "); ok && strings.Contains(key, "# ") {
					_, key, _ = strings.Cut(key, "# ")
					said[key] = append(said[key], text)
				}
			}
			require.Len(t, said["Habit"], 1)
			f, err := Read(filepath.Base(path), strings.NewReader(string(data)))
			if refused := said["Refused"]; refused != nil {
				if err == nil {
					_, err = f.Samples("")
				}
				require.EqualError(t, err, refused[0])
				var e *input.Error
				require.ErrorAs(t, err, &e)
				return
			}
			require.NoError(t, err)
			s, err := f.Samples("")
			require.NoError(t, err)
			want := strings.Split(said["Expected"][0], ", ")
			rate, err := strconv.ParseFloat(strings.TrimSuffix(want[0], " Hz"), 64)
			require.NoError(t, err)
			assert.InEpsilon(t, rate, s.Rate, 1e-9)
			assert.Equal(t, want[1], s.Unit)
			var values []float64
			for word := range strings.FieldsSeq(want[2]) {
				v, err := strconv.ParseFloat(word, 64)
				require.NoError(t, err)
				values = append(values, v)
			}
			assert.InDeltaSlice(t, values, s.Values, 1e-12)
			assert.Subset(t, f.Notes(), said["Note"])
		})
	}
}

// What a file does not say can be said beside it; what it says stands.
func TestUnitBeside(t *testing.T) {
	f := read(t, "Model,Invented 4\nTIME,CH1,CH2\n0.0,0.5,1\n0.1,0.25,2\n")
	for name, unit := range map[string]string{"TIME": "s", "ch1": "mV", "CH2": "A"} {
		has, err := f.SetUnit(name, unit)
		require.NoError(t, err)
		assert.True(t, has)
	}
	_, err := f.Samples("")
	require.EqualError(t, err, "a.csv:2: 2 columns of values: ch1, ch2")
	for _, chosen := range []string{"CH2", "ch2", "2"} {
		s, err := f.Samples(chosen)
		require.NoError(t, err)
		assert.Equal(t, []float64{1, 2}, s.Values)
	}
	for _, chosen := range []string{"3", "0", "-1", "TIME", "time"} {
		_, err = f.Samples(chosen)
		require.ErrorContains(t, err, "there is no column", chosen)
	}
	_, err = f.SetUnit("TIME", "ms")
	require.EqualError(t, err, `a.csv:2: column "TIME" is in s, as the file says, not in ms`)
	has, err := f.SetUnit("CH9", "V")
	require.NoError(t, err)
	assert.False(t, has)
}
