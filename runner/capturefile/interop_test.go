package capturefile

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers/drivertest"
)

// Tables that the CSV writer of Python's library makes in each of its dialects, with
// what separates and the decimal sign of other countries, in other encodings, are
// read number for number: numbers from 1e-9 to 1e3 with all their digits, and e-05.
func TestTablesOfAnotherHand(t *testing.T) {
	python := drivertest.Python(t, "csv")
	const rate = 1000
	rng := rand.New(rand.NewPCG(1, 9))
	want := make([]float64, 500)
	var raw []byte
	for k := range want {
		want[k] = (rng.Float64() - 0.5) * math.Pow10(rng.IntN(13)-9)
		for _, v := range []float64{float64(k) / rate, want[k]} {
			raw = binary.LittleEndian.AppendUint64(raw, math.Float64bits(v))
		}
	}
	in := filepath.Join(t.TempDir(), "in")
	require.NoError(t, os.WriteFile(in, raw, 0o600))
	for _, c := range []struct{ dialect, encoding, separator, decimal string }{
		{"excel", "utf-8", "", "."}, {"excel", "utf-8-sig", "", "."}, {"excel", "utf-16", "", "."},
		{"excel-tab", "utf-8", "", "."}, {"excel-tab", "utf-8", "", ","}, {"unix", "utf-8", "", "."},
		{"excel", "utf-8", ";", "."}, {"excel", "utf-8", ";", ","}, {"unix", "utf-8-sig", ";", ","},
		{"excel-tab", "utf-16", "", ","},
	} {
		t.Run(c.dialect+" "+c.encoding+" "+c.separator+" "+c.decimal, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "out.csv")
			run := exec.Command(python, "testdata/csv_writer.py", in, out, c.dialect, c.encoding, c.separator, c.decimal)
			text, err := run.CombinedOutput()
			require.NoError(t, err, "%s", text)
			data, err := os.ReadFile(out)
			require.NoError(t, err)
			f, err := Read("out.csv", bytes.NewReader(data))
			require.NoError(t, err)
			s, err := f.Samples("")
			require.NoError(t, err)
			require.InEpsilon(t, rate, s.Rate, 1e-9)
			require.Equal(t, "A", s.Unit)
			require.Equal(t, want, s.Values)
		})
	}
}
