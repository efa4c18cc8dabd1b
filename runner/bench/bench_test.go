package bench

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/runner/input"
	"fullthrow/runner/script"
)

// The bench files in testdata/bench say themselves what is expected of them:
// a .bad.toml begins with "# want LINE: text" for each problem, followed by
// "# hint text" where the hint matters.
var wanted = regexp.MustCompile(`^# (?:want (\d+): |(hint) )(.*)$`)

func TestBenchFilesThatAreGood(t *testing.T) {
	files, err := filepath.Glob("../../testdata/bench/*.good.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			_, err := Load(file)
			assert.NoError(t, err, "%v", problemsOf(err))
		})
	}
}

func TestBenchFilesThatAreBad(t *testing.T) {
	files, err := filepath.Glob("../../testdata/bench/*.bad.toml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			var want []input.Problem
			for line := range strings.Lines(string(data)) {
				m := wanted.FindStringSubmatch(strings.TrimRight(line, "\n"))
				switch {
				case m == nil:
				case m[2] == "hint":
					want[len(want)-1].Hint = m[3]
				default:
					n, err := strconv.Atoi(m[1])
					require.NoError(t, err)
					want = append(want, input.Problem{File: "bench.toml", Line: n, Text: m[3]})
				}
			}
			require.NotEmpty(t, want, "the file does not say what it must give")
			_, err = Parse("bench.toml", data)
			got := problemsOf(err)
			for i := range got {
				if i < len(want) && want[i].Hint == "" {
					got[i].Hint = ""
				}
			}
			assert.Equal(t, want, got)
		})
	}
}

func problemsOf(err error) []input.Problem {
	list, _ := input.Problems(err)
	return list
}

func TestBenchDefaults(t *testing.T) {
	b, err := Load("../../testdata/bench/two-nests.good.toml")
	require.NoError(t, err)
	assert.Equal(t, "warn", b.Calibration.Overdue)
	assert.Equal(t, "failed", b.Captures.Keep)
	assert.EqualValues(t, script.DefaultMemory, b.Plan.memory())
	assert.True(t, b.Simulated(0))
	i, err := b.Nest("B")
	require.NoError(t, err)
	assert.Equal(t, 1, i)
	_, err = b.Nest("C")
	assert.ErrorContains(t, err, `has no nest "C"`)
}

// Whatever the text, parseBench answers with a bench or with problems that
// name a line of the file, and never both.
func FuzzBench(f *testing.F) {
	files, err := filepath.Glob("../../testdata/bench/*.toml")
	require.NoError(f, err)
	for _, file := range files {
		data, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := Parse("bench.toml", data)
		if (b == nil) == (err == nil) {
			t.Fatalf("bench %v, error %v", b, err)
		}
		n := strings.Count(string(data), "\n") + 1
		for _, p := range problemsOf(err) {
			if p.Text == "" || p.Line < 0 || p.Line > n {
				t.Fatalf("problem %+v in a file of %d lines", p, n)
			}
		}
		if b != nil {
			for i := range b.Nests {
				b.Simulated(i)
			}
		}
	})
}
