package wav

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

// Files written by three programs of other hands, of the same random samples, are
// read value for value. Whole steps of as many bits as a file has are in them, so
// that no writer has anything to round.
func TestFilesOfOtherHands(t *testing.T) {
	const channels, rate, instants = 2, 44100, 5000
	for _, c := range []struct {
		name  string
		bits  int
		needs string
		write []string // a command that reads IN, 32-bit samples without a head, and writes OUT
	}{
		{"sox 8", 8, "sox", []string{"-D", "-t", "s32", "-r", "44100", "-c", "2", "IN", "-e", "unsigned-integer", "-b", "8",
			"OUT.wav"}},
		{"sox 16", 16, "sox", []string{"-D", "-t", "s32", "-r", "44100", "-c", "2", "IN", "-b", "16", "OUT.wav"}},
		{"sox 24", 24, "sox", []string{"-D", "-t", "s32", "-r", "44100", "-c", "2", "IN", "-b", "24", "OUT.wav"}},
		{"sox 32", 32, "sox", []string{"-D", "-t", "s32", "-r", "44100", "-c", "2", "IN", "-b", "32", "OUT.wav"}},
		{"sox float", 24, "sox", []string{"-D", "-t", "s32", "-r", "44100", "-c", "2", "IN", "-e", "floating-point", "-b", "32",
			"OUT.wav"}},
		{"sox double", 32, "sox", []string{"-D", "-t", "s32", "-r", "44100", "-c", "2", "IN", "-e", "floating-point", "-b", "64",
			"OUT.wav"}},
		{"libsndfile 8", 8, "sndfile-convert", []string{"-pcmu8", "IN.au", "OUT.wav"}},
		{"libsndfile 16", 16, "sndfile-convert", []string{"-pcm16", "IN.au", "OUT.wav"}},
		{"libsndfile 24", 24, "sndfile-convert", []string{"-pcm24", "IN.au", "OUT.wav"}},
		{"libsndfile 32", 32, "sndfile-convert", []string{"-pcm32", "IN.au", "OUT.wav"}},
		{"libsndfile float", 24, "sndfile-convert", []string{"-float32", "IN.au", "OUT.wav"}},
		{"libsndfile double", 32, "sndfile-convert", []string{"-float64", "IN.au", "OUT.wav"}},
		{"libsndfile 16 RF64", 16, "sndfile-convert", []string{"-pcm16", "IN.au", "OUT.rf64"}},
		{"libsndfile 24 extensible", 24, "sndfile-convert", []string{"-pcm24", "IN.au", "OUT.wavex"}},
		{"wave of Python 8", 8, "wave", nil}, {"wave of Python 16", 16, "wave", nil},
		{"wave of Python 24", 24, "wave", nil}, {"wave of Python 32", 32, "wave", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(uint64(c.bits), 7))
			dir := t.TempDir()
			in := filepath.Join(dir, "in")
			// The head of an .au file: magic, length of the head and of the rest, 5 for 32-bit
			// integers, rate, channels; high bytes first.
			au := binary.BigEndian.AppendUint32([]byte(".snd"), 24)
			for _, n := range []uint32{4 * channels * instants, 5, rate, channels} {
				au = binary.BigEndian.AppendUint32(au, n)
			}
			var raw []byte
			want := make([]float64, channels*instants)
			for k := range want {
				v := int32(rng.Uint32()) >> (32 - c.bits) << (32 - c.bits)
				switch k {
				case 0:
					v = math.MinInt32
				case 1:
					v = math.MaxInt32 >> (32 - c.bits) << (32 - c.bits)
				}
				raw = binary.LittleEndian.AppendUint32(raw, uint32(v))
				au = binary.BigEndian.AppendUint32(au, uint32(v))
				want[k] = float64(v) / (1 << 31)
			}
			require.NoError(t, os.WriteFile(in, raw, 0o600))
			require.NoError(t, os.WriteFile(in+".au", au, 0o600))
			out := filepath.Join(dir, "out.wav")
			var run *exec.Cmd
			if c.needs == "wave" {
				run = exec.Command(drivertest.Python(t, "wave"), "testdata/wave_writer.py", in, out, string(rune('0'+c.bits/8)))
			} else {
				if _, err := exec.LookPath(c.needs); err != nil {
					t.Skipf("no peer: %v (.ci/test installs it)", err)
				}
				var args []string
				for _, a := range c.write {
					if len(a) > 3 && a[:3] == "OUT" {
						out = filepath.Join(dir, "out"+a[3:])
						a = out
					} else if len(a) >= 2 && a[:2] == "IN" {
						a = in + a[2:]
					}
					args = append(args, a)
				}
				run = exec.Command(c.needs, args...)
			}
			text, err := run.CombinedOutput()
			require.NoError(t, err, "%s: %s", run, text)
			data, err := os.ReadFile(out)
			require.NoError(t, err)
			s, notes, err := Read(bytes.NewReader(data), "out.wav")
			require.NoError(t, err)
			require.Empty(t, notes)
			require.Equal(t, float64(rate), s.Rate)
			require.Equal(t, channels, s.Channels)
			require.Equal(t, len(want), len(s.Values))
			for k := range want {
				if s.Values[k] != want[k] {
					t.Fatalf("sample %d: got %v, want %v", k, s.Values[k], want[k])
				}
			}
		})
	}
}
