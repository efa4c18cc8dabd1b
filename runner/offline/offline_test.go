package offline

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/runner/input"
	"fullthrow/runner/measure"
)

const captures = "../../testdata/captures/"

// take measures example files; words are as on the command line.
func take(t testing.TB, words ...string) *Taken {
	t.Helper()
	got, err := tryTake(words...)
	require.NoError(t, err, "%v", words)
	return got
}

func tryTake(words ...string) (*Taken, error) {
	s := Settings{Options: map[string]string{}}
	for i := 1; i < len(words); i++ {
		switch w := words[i]; {
		case w == "--full-scale":
			i++
			s.FullScale = words[i]
		case w == "--column":
			i++
			s.Columns = strings.Split(words[i], ",")
		case strings.HasPrefix(w, "--"):
			i++
			s.Options[w[2:]] = words[i]
		case strings.Contains(w, ".csv") || strings.Contains(w, ".wav"):
			if !strings.Contains(w, "/") {
				w = captures + w
			}
			s.Arguments = append(s.Arguments, w)
		default:
			s.Arguments = append(s.Arguments, w)
		}
	}
	for _, m := range List() {
		if m.Word() == words[0] {
			return Run(m, s)
		}
	}
	return nil, os.ErrNotExist
}

// number is a field of a result, by its path.
func number(t testing.TB, taken *Taken, name string) float64 {
	t.Helper()
	for _, f := range taken.Result {
		if f.Name == name {
			switch v := f.Value.(type) {
			case float64:
				return v
			case int:
				return float64(v)
			}
		}
	}
	require.Fail(t, "no number "+name)
	return math.NaN()
}

// Each argument of each measurement can be read from a file or typed, and each
// drawing belongs to one.
func TestEveryArgumentCanBeGiven(t *testing.T) {
	drawn := 0
	for _, m := range List() {
		for i, a := range m.Arguments() {
			k := a.Type.Kind()
			table := k == reflect.Slice && a.Type.Elem().Implements(reflect.TypeFor[measure.Row]())
			typed := k == reflect.Float64 || k == reflect.Int
			assert.True(t, loaders[a.Type] != nil || a.Type == typePicture || table || typed, "%s: %s", m.Name, a.Name)
			assert.True(t, a.Type != typePaths || i == len(m.Arguments())-1, "%s: what follows several files", m.Name)
		}
		if m.Draws() {
			drawn++
		}
	}
	assert.Len(t, plots, drawn, "a drawing of no measurement")
	assert.Greater(t, drawn, 20)
}

// What the example files say of themselves is what is found.
func TestExamples(t *testing.T) {
	for _, c := range []struct {
		words     string
		field     string
		want, tol float64
	}{
		{"tone tone.wav", "frequency", 1000, 0.01},
		{"tone tone.wav", "level", -6.02, 0.01},
		{"tone tone.wav", "thd", 1, 0.01},
		{"tone tone.wav", "foreign_frequency", 2350, 0.1},
		{"tone tone.wav --full-scale 20Pa", "level", -6.02 + 20*math.Log10(20/20e-6/math.Sqrt2), 0.01},
		{"tone tone.wav --full-scale 20Pa", "amplitude", 10, 0.01},
		{"sine tone.wav --frequency 1kHz", "amplitude", 0.5, 1e-4},
		{"level tone.wav", "rms", 0.5 / math.Sqrt2, 1e-4},
		{"travel-points sweep.csv", "hysteresis", 1.04, 0.05},
		{"travel-points sweep.csv", "median_hysteresis", 1, 0.03},
		{"travel-points sweep.csv --slack 0.1", "cycles", 2, 0},
		{"link packets.csv", "lost", 14, 0},
		{"link packets.csv", "expected", 200, 0},
		{"bursts packets.csv", "longest_burst", 12, 0},
		{"latency latency.csv", "missed", 2, 0},
		{"latency latency.csv", "mean", 0.0134, 2e-4},
		{"inrush inrush.csv", "charge", 3.24e-3, 5e-5},
		{"inrush inrush.csv", "peak", 1.2, 0.005},
		{"decay leakage.csv", "final", 9e-6, 1e-7},
		{"decay leakage.csv", "tau", 0.2, 0.004},
		{"decay leakage.csv --capacitance 100uF", "resistance", 2000, 40},
		{"ripple running.csv", "frequency", 100, 0.1},
		{"ripple running.csv", "amplitude", 2e-3, 2e-5},
		{"steady running.csv", "mean", 0.118, 1e-4},
		{"charge inrush.csv --from 20ms --to 40ms", "duration", 0.02, 1e-9},
		{"restart trials.csv", "shortest_off", 2.4, 0},
		{"sweep attenuation.csv", "attenuation", 76.3, 0.2},
		{"brown-out steps.csv", "hysteresis", 0.3, 1e-9},
		{"battery-life duty.csv --capacity 3600", "mean", (0.118 + 9*9e-6) / 10, 1e-9},
		{"centre centre.csv --channel 1", "play", 0.355, 0.01},
		{"rc-time 2s 3.7 1.11 0", "rc_time", 2 * math.Log(3.7/1.11), 1e-9},
		{"success-run 0.95 95", "success_run", 59, 0},
		{"proportion 3 100", "share", 3, 1e-12},
	} {
		got := take(t, strings.Fields(c.words)...)
		assert.InDelta(t, c.want, number(t, got, c.field), c.tol+1e-15, "%s: %s", c.words, c.field)
	}
	started := take(t, "started", "running.csv", "60mA")
	assert.Equal(t, true, started.Result[0].Value)
}

// Everything that the example files can be measured for can be written, and
// drawn where there is a drawing.
func TestOutputs(t *testing.T) {
	for _, words := range []string{
		"tone tone.wav", "tones tone.wav", "tune tone.wav --score 1000:0.5", "sine tone.wav", "level tone.wav", "steady running.csv", "inrush inrush.csv",
		"started running.csv 60mA", "decay leakage.csv", "settling inrush.csv", "ripple running.csv", "charge inrush.csv", "brown-out steps.csv", "travel-points sweep.csv",
		"centre centre.csv --channel 1", "link packets.csv", "bursts packets.csv", "sweep attenuation.csv", "latency latency.csv", "restart trials.csv",
		"start-curve trials.csv --fall-to 30 --capacitance 100uF", "next-off trials.csv --shortest 1 --longest 4", "summary trials.csv --column off",
		"histogram trials.csv --column off", "percentile trials.csv 50 --column off", "line attenuation.csv", "battery-life duty.csv --capacity 3600",
		"compare-frames packets.csv packets.csv", "sequential-frames packets.csv --good 1 --bad 5", "sequential-plan --good 1 --bad 5", "distance 60 --frequency 2.4GHz",
		"poisson 3", "difference 3 100 1 100 --confidence 90", "proportion 3 100", "attenuation 10 --frequency 2.4GHz", "compare 3 100 1 100", "sequential 2 300 --good 1 --bad 5",
		"rc-level 2 3.7 0 1",
	} {
		t.Run(words, func(t *testing.T) {
			got := take(t, strings.Fields(words)...)
			var text, data bytes.Buffer
			require.NoError(t, got.WriteText(&text))
			assert.NotContains(t, text.String(), "%!")
			assert.NotContains(t, text.String(), "capture\n", "a unit that was not replaced")
			require.NoError(t, got.WriteJSON(&data))
			var out struct{ Result map[string]any }
			require.NoError(t, json.Unmarshal(data.Bytes(), &out))
			assert.Len(t, out.Result, len(got.Result))
			var svg bytes.Buffer
			err := got.WriteSVG(&svg)
			if !got.m.Draws() {
				require.ErrorContains(t, err, "there is no drawing for it")
				return
			}
			require.NoError(t, err)
			d := xml.NewDecoder(&svg)
			tags, depth := map[string]int{}, 0
			for {
				token, err := d.Token()
				if err == io.EOF {
					break
				}
				require.NoError(t, err)
				if _, ok := token.(xml.EndElement); ok {
					depth--
				}
				if s, ok := token.(xml.StartElement); ok {
					if depth++; depth == 2 { // of the whole
						tags[s.Name.Local]++
					}
					for _, a := range s.Attr {
						if a.Name.Local == "class" && slices.Contains([]string{"series", "dots", "dot", "bar"}, strings.Fields(a.Value + " -")[0]) {
							tags["data"]++
						}
						assert.NotContains(t, a.Value, "NaN")
						assert.NotContains(t, a.Value, "Inf")
					}
				}
			}
			assert.Equal(t, 1, tags["title"])
			assert.Equal(t, 1, tags["desc"])
			assert.Positive(t, tags["data"])
		})
	}
}

// A number that is none is null, and says why.
func TestNullSaysWhy(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, take(t, "latency", "latency.csv").WriteJSON(&b))
	var out struct {
		Measurement string
		Result      map[string]struct {
			Value any
			Unit  string
			Why   string
		}
	}
	text := strings.Replace(b.String(), `"histogram": [`, `"bins": [`, 1)
	text = text[:strings.Index(text, `"bins"`)]
	text = strings.TrimRight(text, " \n,") + "}}"
	require.NoError(t, json.Unmarshal([]byte(text), &out))
	assert.Equal(t, "latency", out.Measurement)
	assert.Nil(t, out.Result["p99"].Value)
	assert.Equal(t, "fewer answers than needed_p99", out.Result["p99"].Why)
	assert.Equal(t, "s", out.Result["p99"].Unit)
	assert.Equal(t, 2.0, out.Result["missed"].Value)
	assert.Empty(t, out.Result["mean"].Why)

	b.Reset()
	require.NoError(t, take(t, "latency", "latency.csv").WriteText(&b))
	assert.Contains(t, b.String(), "p99         not a number: fewer answers than needed_p99\n")
	assert.Contains(t, b.String(), "mean        13.4 ms\n")
}

func TestMistakes(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	frames := write("frames.csv", "# start: 1 s\ntime / s, channel1 / us\n0,1500\n0.01,1500\n")
	path := write("path.csv", "start_s,end_s,axis,from,to\n0,0.01,x,0,1\n")
	volts := write("volts.csv", "commanded / mm, output / V, direction\n-1, 0, up\n1, 3.3, up\n")
	for words, want := range map[string]string{
		"tone":                                              "tone: 0 arguments",
		"tone tone.wav b.wav":                               "tone: 2 arguments",
		"tone tone.wav --channel x":                         captures + `tone.wav: there is no channel "x"`,
		"tone tone.wav --frequency s":                       `tone: --frequency "s" is no number in Hz`,
		"tone tone.wav --low 3":                             "tone: there is no --low",
		"travel-points sweep.csv --axis x":                  "travel-points: there is no --axis",
		"tune tone.wav --score 1:2:3":                       `tune: --score "1:2:3": write 1047:0.15, pitch in Hz and length in s`,
		"started running.csv 3V":                            `started: THRESHOLD "3V": "V" is voltage, "A" is current`,
		"tone tone.wav --full-scale x":                      `--full-scale "x" is no pressure, voltage or current`,
		"steady running.csv --full-scale 2V":                "--full-scale is for sound, this capture is in A",
		"energy inrush.csv inrush.csv":                      captures + "inrush.csv:2: the samples are in A, a voltage in V is wanted",
		"latency duty.csv --column current":                 captures + "duty.csv:2: the values are in A, a time is wanted",
		"travel " + frames + " " + path:                     path + ": it does not say when its time 0 was, and " + frames + " does",
		"travel-points " + volts:                            "travel-points: the output is in V, the commanded position in m: give --output-low and --output-high, the ideal output at both ends",
		"steady running.csv --column current,voltage,x --x": "steady: more columns than files",
	} {
		words = strings.TrimSuffix(words, " --x")
		_, err := tryTake(strings.Fields(words)...)
		require.EqualError(t, err, want, words)
	}
	_, err := tryTake("tone", "nowhere.wav")
	require.ErrorIs(t, err, fs.ErrNotExist)
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.csv"), 0o700))
	_, err = tryTake("tone", filepath.Join(dir, "folder.csv"))
	var e *input.Error
	if assert.Error(t, err) && assert.ErrorAs(t, err, &e) {
		assert.Equal(t, "is a folder", e.Problems[0].Text)
	}
	got := take(t, "travel-points", volts, "--output-high", "3300mV")
	assert.InDelta(t, 3.3, number(t, got, "span"), 1e-12)
	assert.Equal(t, "V", got.Result[2].Unit)
}

// A channel is chosen by number or name, and one that stands still is told.
func TestSilentChannel(t *testing.T) {
	const left = "../../drivers/wav/testdata/silent-left.wav"
	note := func(taken *Taken) string { return strings.Join(taken.Inputs[0].Notes, "; ") }
	taken := take(t, "summary", "../../runner/capturefile/testdata/settings.csv")
	assert.Contains(t, note(taken), "columns named in line 16")

	dir := t.TempDir()
	wide := filepath.Join(dir, "wide.csv")
	var b strings.Builder
	b.WriteString("time / s, value1 / A, value2 / A, value3 / A\n")
	for i := range 200 {
		fmt.Fprintf(&b, "%g, 0, %d, 0.5\n", float64(i)/1000, i%2)
	}
	require.NoError(t, os.WriteFile(wide, []byte(b.String()), 0o666))
	assert.Equal(t, "channel 1, which is measured, never changes: every sample is 0 A; channel 2 is not: --channel 2",
		note(take(t, "level", wide)))
	assert.Empty(t, note(take(t, "level", wide, "--mix", "true")))
	for _, chosen := range []string{"2", "value2"} {
		taken = take(t, "level", wide, "--channel", chosen)
		assert.Empty(t, note(taken))
		assert.InDelta(t, 0.5, number(t, taken, "rms"), 0.01)
		assert.InDelta(t, 0.5, number(t, take(t, "steady", wide, "--channel", chosen), "mean"), 0.01)
	}
	assert.Equal(t, "the capture never changes: every sample is 500 mA", note(take(t, "level", wide, "--channel", "3")))

	_, err := tryTake("level", wide, "--channel", "4")
	require.EqualError(t, err, wide+`:1: there is no column "4"`)
	_, err = tryTake("level", left, "--channel", "3")
	require.EqualError(t, err, left+`: there is no channel "3"`)
	_, err = tryTake("level", wide, "--channel", "2", "--mix", "true")
	require.EqualError(t, err, "level: channel 2 asked for, and the average of all channels")
}
