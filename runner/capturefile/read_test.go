package capturefile

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/wav"
	"fullthrow/runner/input"
	"fullthrow/runner/measure"
)

func read(t *testing.T, text string) *File {
	t.Helper()
	f, err := Read("a.csv", strings.NewReader(text))
	require.NoError(t, err)
	return f
}

// The same capture in every way in which it may be written down.
func TestWaysToWriteSamples(t *testing.T) {
	want := drivers.Samples{Start: epoch, Rate: 100, Unit: "A", Channels: 1, Values: []float64{0.1, 0.25, 0.125}}
	for name, text := range map[string]string{
		"plain":          "time / s, current / A\n0, 0.1\n0.01, 0.25\n0.02, 0.125\n",
		"prefixes":       "time / ms, current / mA\n0, 100\n10, 250\n20, 125\n",
		"underscores":    "time_s,value1_A\n0,0.1\n0.01,0.25\n0.02,0.125\n",
		"brackets":       "Time (s),Current [A]\n0,0.1\n0.01,0.25\n0.02,0.125\n",
		"decimal comma":  "time / s;current / A\n0,00;0,1\n0,01;0,25\n0,02;0,125\n",
		"semicolon":      "time / s;current / A\n0.00;0.1\n0.01;0.25\n0.02;0.125\n",
		"tabs":           "time / s\tcurrent / A\n0,00\t0,1\n0,01\t0,25\n0,02\t0,125\n",
		"spreadsheet":    "\xEF\xBB\xBFsep=;\r\ntime / s;current / mA\r\n0;100\r\n0,01;250\r\n0,02;125\r\n",
		"quotes":         "\"time / s\";\"current / A\"\n\"0,00\";\"0,1\"\n\"0,01\";\"0,25\"\n\"0,02\";\"0,125\"\n",
		"quoted comma":   "\"time / s\",\"current / A\"\n\"0\",\"0.1\"\n\"0.01\",\"0.25\"\n\"0.02\",\"0.125\"\n",
		"remarks":        "# what this is\n# rate: 0.1 kHz\n\ntime / s, current / A\n0, 1e-1\n0.01, 2.5E-1\n0.02, +.125\n",
		"other columns":  "time / s, remark, current / A\n0, begin, 0.1\n0.01, go on, 0.25\n0.02, end, 0.125\n",
		"no end of line": "time / s, current / A\n0, 0.1\n0.01, 0.25\n0.02, 0.125",
	} {
		t.Run(name, func(t *testing.T) {
			column := ""
			if name == "other columns" {
				column = "current"
			}
			got, err := read(t, text).Samples(column)
			require.NoError(t, err)
			assert.Equal(t, want, got)
		})
	}
}

func TestChannelsAndColumns(t *testing.T) {
	s, err := read(t, "time_s,value1_V,value2_V\n0,1,2\n1,3,4\n").Samples("")
	require.NoError(t, err)
	assert.Equal(t, 2, s.Channels)
	assert.Equal(t, []float64{1, 2, 3, 4}, s.Values)

	f := read(t, "time / s, current / mA, voltage / V\n0,1,2\n1,3,4\n")
	_, err = f.Samples("")
	require.ErrorContains(t, err, "a.csv:1: 2 columns of values: current, voltage")
	s, err = f.Samples("voltage")
	require.NoError(t, err)
	assert.Equal(t, []float64{2, 4}, s.Values)
	_, err = f.Samples("curent")
	var e *input.Error
	require.ErrorAs(t, err, &e)
	assert.Equal(t, `did you mean "current"?`, e.Advice())
}

func TestSound(t *testing.T) {
	in := drivers.Samples{Rate: 8000, Unit: "1", Channels: 2, Values: []float64{0.5, -0.25, 0.125, 0}}
	var b bytes.Buffer
	require.NoError(t, wav.Encode(&b, in))
	f, err := Read("a.wav", bytes.NewReader(b.Bytes()))
	require.NoError(t, err)
	got, err := f.Samples("")
	require.NoError(t, err)
	in.Start = epoch
	assert.Equal(t, in, got)
	_, err = f.Frames()
	require.ErrorContains(t, err, "a.wav: this is sound")

	_, err = Read("a.wav", bytes.NewReader(b.Bytes()[:b.Len()-3]))
	require.ErrorContains(t, err, "a.wav: byte")
	require.ErrorContains(t, err, "the file breaks off")
}

func TestFrames(t *testing.T) {
	f, err := read(t, "# start: 2 s\n# length: 28 ms\n# period: 7 ms\n# format: SBUS\n# gain: 0.625 us\n# offset: 880 us\n# damaged: 1\n"+
		"time_s,lost,failsafe,channel1_us,channel2_us\n0.007,false,false,1500,987.5\n0.014,true,false,1500,987.5\n0.021,false,true,1500.625,987.5\n").Frames()
	require.NoError(t, err)
	assert.Equal(t, drivers.Frames{Start: epoch.Add(2 * time.Second), Length: 28 * time.Millisecond, Period: 7 * time.Millisecond, Format: "SBUS", Gain: 0.625, Offset: 880, Damaged: 1,
		Frames: []drivers.Frame{
			{At: 7 * time.Millisecond, Channels: []uint16{992, 172}},
			{At: 14 * time.Millisecond, Channels: []uint16{992, 172}, Lost: true},
			{At: 21 * time.Millisecond, Channels: []uint16{993, 172}, Failsafe: true},
		}}, f)

	// Losses alone; without a length the capture begins with its first frame.
	f, err = read(t, "time / ms, lost\n1000, no\n1007, yes\n1014, no\n").Frames()
	require.NoError(t, err)
	r, err := measure.Link(f, measure.LinkOptions{})
	require.NoError(t, err)
	assert.Equal(t, [3]int{3, 2, 1}, [3]int{r.Expected, r.Received, r.Lost})

	// In % of throw, of steps that no receiver has: kept to a thousandth of a %.
	f, err = read(t, "time / s, channel1 / %\n0, -33.3333\n0.007, 12.3457\n0.014, 99.9\n").Frames()
	require.NoError(t, err)
	for i, want := range []float64{-33.3333, 12.3457, 99.9} {
		assert.InDelta(t, want, (f.Microseconds(i, 1)-1500)/5.12, 0.001)
	}
}

func TestPath(t *testing.T) {
	p, err := read(t, "# start: 1 s\nstart_s,end_s,axis,from,to\n0,0.5,left_x,-1,1\n0,0.5,left_y,0,0\n1,1.25,left_x,1,-1\n").Path()
	require.NoError(t, err)
	at := func(ms int) time.Time { return epoch.Add(time.Duration(ms) * time.Millisecond) }
	assert.Equal(t, drivers.Path{
		{Start: at(1000), End: at(1500), From: map[string]float64{"left_x": -1, "left_y": 0}, To: map[string]float64{"left_x": 1, "left_y": 0}},
		{Start: at(2000), End: at(2250), From: map[string]float64{"left_x": 1}, To: map[string]float64{"left_x": -1}},
	}, p)
	p, err = read(t, "start / s, end / s, axis, from / %, to / %\n0,1,x,-50,50\n").Path()
	require.NoError(t, err)
	assert.Equal(t, 0.5, p[0].To["x"])
	p, err = read(t, "start_s,end_s,axis,from,to,even_s\n0,0.08,x,0,0.2,0.05\n").Path()
	require.NoError(t, err)
	assert.Equal(t, 30*time.Millisecond, p[0].Ramp())
	_, err = read(t, "start_s,end_s,axis,from,to,even_s\n0,0.08,x,0,0.2,0.09\n").Path()
	assert.ErrorContains(t, err, "at its rate")
}

func TestTables(t *testing.T) {
	points, units, err := read(t, "commanded / %, output / us, direction\n-100, 988, up\n100, 2012, up\n100, 2012, down\n-100, 988, down\n-100, 988, up\n").Points()
	require.NoError(t, err)
	assert.Equal(t, [2]string{"%", "%"}, units)
	assert.Equal(t, measure.TravelPoint{Cycle: 1, Up: true, Commanded: 100, Output: 100}, points[1])
	assert.Equal(t, measure.TravelPoint{Cycle: 2, Up: true, Commanded: -100, Output: -100}, points[4])
	points, units, err = read(t, "commanded / 1, output / V, direction, cycle\n-1, 0, up, 7\n").Points()
	require.NoError(t, err)
	assert.Equal(t, [2]string{"%", "V"}, units)
	assert.Equal(t, measure.TravelPoint{Cycle: 7, Up: true, Commanded: -100}, points[0])

	for text, want := range map[string]any{
		"off / ms, started\n1500, no\n2500, 1\n":              []measure.StartTrial{{Off: 1.5}, {Off: 2.5, Started: true}},
		"voltage / mV, running\n3700, true\n2600, false\n":    []measure.VoltageStep{{Voltage: 3.7, Running: true}, {Voltage: 2.6}},
		"current / mA, time / min\n118, 1\n":                  []measure.DutyPhase{{Current: 0.118, Time: 60}},
		"attenuation / dB, lost, sent\n60, 3, 200\n":          []measure.SweepPoint{{Attenuation: 60, Lost: 3, Sent: 200}},
		"sent, more, lost, attenuation / dB\n200, 9, 3, 60\n": []measure.SweepPoint{{Attenuation: 60, Lost: 3, Sent: 200}},
		"strength, trials, caught\n0.1, 20, 3\n":              []measure.Tried{{Strength: 0.1, Trials: 20, Caught: 3}},
	} {
		got, units, err := read(t, text).Table("x", reflect.TypeOf(want))
		require.NoError(t, err, text)
		assert.Equal(t, want, got)
		if _, ok := want.([]measure.Tried); ok {
			assert.Equal(t, "1", units["strength"])
		}
	}
	volts := read(t, "strength / mV, trials, caught\n100, 20, 3\n")
	_, units2, err := volts.Table("strengths", reflect.TypeFor[[]measure.Tried]())
	require.NoError(t, err)
	assert.Equal(t, "V", units2["strength"])
	for text, want := range map[string]string{
		"strength, trials, caught\n1, 20, 3\n1, 2, 3\n": "a.csv:3: 3 caught of 2 trials at strength 1",
		"strength, trials\n1, 20\n":                     `a.csv:1: a table of strengths needs a column "caught"`,
		"strength, trials, caught\n1, 2.5, 1\n":         "a.csv:2: trials is 2.5, want a whole number",
	} {
		_, _, err := read(t, text).Table("strengths", reflect.TypeFor[[]measure.Tried]())
		require.EqualError(t, err, want)
	}

	values, unit, err := read(t, "latency / ms\n13\n-\n14\n").Values("", true)
	require.NoError(t, err)
	assert.Equal(t, "s", unit)
	assert.Equal(t, 0.013, values[0])
	assert.True(t, math.IsNaN(values[1]))
	_, _, err = read(t, "latency / ms\n13\n-\n14\n").Values("", false)
	require.EqualError(t, err, "a.csv:3: latency is empty")

	groups, _, err := read(t, "group, value / A\nb, 1\na, 2\nb, 3\n").Groups()
	require.NoError(t, err)
	assert.Equal(t, [][]float64{{1, 3}, {2}}, groups)
	groups, _, err = read(t, "monday / A, tuesday / A\n1, 2\n3, -\n").Groups()
	require.NoError(t, err)
	assert.Equal(t, [][]float64{{1, 3}, {2}}, groups)

	releases, err := read(t, "release, from, time / s, channel1 / us\n1, low, 0, 1499\n1, low, 0.007, 1500\n2, high, 0, 1501\n2, high, 0.007, 1502\n").Releases()
	require.NoError(t, err)
	require.Len(t, releases, 2)
	assert.Equal(t, [2]float64{-1, 1}, [2]float64{releases[0].From, releases[1].From})
	assert.Equal(t, 1502.0, releases[1].Frames.Microseconds(1, 1))
}

// Files that are refused, and the words.
func TestBadFiles(t *testing.T) {
	want := map[string]string{
		"comma":     "comma.bad.csv:2: 4 where the first row names 2: a row with too many columns",
		"header":    "header.bad.csv:1: the first row holds numbers, not the names of the columns",
		"mixed":     `mixed.bad.csv:3: "0.1": point and comma are both used, so that neither is surely the decimal sign`,
		"nan":       `nan.bad.csv:3: current is "NaN", which is no number`,
		"quoted":    `quoted.bad.csv:2: time is "0,00", which is no number`,
		"ragged":    "ragged.bad.csv:3: 1 where the first row names 2: a row with too few columns",
		"thousands": "thousands.bad.csv:2: the comma may be a decimal sign or group thousands: no number of the file tells",
		"twice":     `twice.bad.csv:1: two columns are named "current"`,
		"uneven":    "uneven.bad.csv:5: uneven times: 0.03 s after the row above, where 0.01 s is usual",
		"unit":      `unit.bad.csv:1: column "current / amps": unknown unit "amps"`,
		"unitless":  `unitless.bad.csv:1: column "current" has no unit`,
		"unsorted":  "unsorted.bad.csv:4: the time goes back, from 0.02 s to 0.01 s",
	}
	files, err := filepath.Glob("../../testdata/captures/*.bad.csv")
	require.NoError(t, err)
	assert.Len(t, files, len(want), "a file without its words here, or the other way round")
	for name, words := range want {
		data, err := os.ReadFile("../../testdata/captures/" + name + ".bad.csv")
		require.NoError(t, err)
		f, err := Read(name+".bad.csv", bytes.NewReader(data))
		if err == nil {
			_, err = f.Samples("")
		}
		require.EqualError(t, err, words)
	}
}

func TestRefused(t *testing.T) {
	samples := func(f *File) error { _, err := f.Samples(""); return err }
	frames := func(f *File) error { _, err := f.Frames(); return err }
	path := func(f *File) error { _, err := f.Path(); return err }
	points := func(f *File) error { _, _, err := f.Points(); return err }
	values := func(f *File) error { _, _, err := f.Values("", false); return err }
	long := strings.Repeat("x", maxLine+10)
	for _, c := range []struct {
		name, text string
		get        func(*File) error
		want       string
	}{
		{"empty", "", samples, "a.csv: the file is empty"},
		{"remarks alone", "# nothing\n", samples, "a.csv: the file holds no table"},
		{"no rows", "time / s, current / A\n", samples, "a.csv:1: the table has no rows"},
		{"binary", "time\x00\x01\n", samples, "a.csv:1: a control character ('\\x00'): this is no table"},
		{"UTF-16", "\xFF\xFEt\x00", samples, "a.csv:1: the table has no rows"},
		{"half a UTF-16", "\xFF\xFEt\x00\n\x00\x31", values, "a.csv:2: t is \"\ufffd\", which is no number"},
		{"Latin-1", "time / \xB5s, current / A\n", samples, "a.csv:1: the text is not UTF-8"},
		{"long line", long, samples, "a.csv:1: a line of more than 64 kB"},
		{"empty line", "time / s, current / A\n0, 1\n\n1, 2\n", samples, "a.csv:3: an empty line in the table"},
		{"empty cell", "time / s, current / A\n0, 1\n1,\n", samples, "a.csv:3: current is empty"},
		{"infinite", "time / s, current / A\n0, 1\n1, 1e999\n", samples, `a.csv:3: current is "1e999", which is no number`},
		{"hexadecimal", "time / s, current / A\n0, 0x1p3\n1, 1\n", samples, `a.csv:2: current is "0x1p3", which is no number`},
		{"word", "time / s, current / A\n0, high\n1, 1\n", samples, `a.csv:2: current is "high", which is no number`},
		{"grouped", "time / s;current / A\n0,5;1.234,5\n0,6;2\n", samples, `a.csv:2: current is "1.234,5", which is no number`},
		{"points in thousands", "time / s;output / us\n1;1.500\n2;1.501\n", samples, "a.csv:2: the point may be a decimal sign or group thousands: no number of the file tells"},
		{"one row", "time / s, current / A\n0, 1\n", samples, "a.csv:1: a single row has no rate"},
		{"time twice", "time / s, current / A\n0, 1\n0, 1\n", samples, "a.csv:3: the time 0 s is there twice"},
		{"wrong rate", "# rate: 10 Hz\ntime / s, current / A\n0, 1\n0.2, 1\n", samples, "a.csv:4: uneven times: 0.2 s, where 0.1 s would come"},
		{"bad remark", "# rate: fast\ntime / s, current / A\n0, 1\n1, 1\n", samples, `a.csv:1: rate: "fast" is no number in Hz`},
		{"remark twice", "# rate: 1 Hz\n# rate: 1 Hz\ntime / s, current / A\n0, 1\n1, 1\n", samples, "a.csv:2: rate is given twice, first in line 1"},
		{"negative length", "# length: -1 s\ntime / s, lost\n0, no\n", frames, "a.csv:1: length is -1, out of range"},
		{"remark within", "time / s, current / A\n0, 1\n# x\n", samples, "a.csv:3: a remark within the table"},
		{"quotes", "time / s, current / A\n0, \"1\n", samples, "a.csv:2: quotation marks that do not match"},
		{"wrong dimension", "time / V, current / A\n0, 1\n1, 1\n", samples, `a.csv:1: column "time / V": "V" is voltage, "s" is time`},
		{"no channel", "time / s, value / us\n0, 1\n1, 1\n", frames, "a.csv:1: a table of frames needs a column channel1, or lost"},
		{"not a flag", "time / s, lost\n0, 2\n", frames, "a.csv:2: lost is neither true nor false"},
		{"frames back", "time / s, lost\n1, no\n0.5, no\n", frames, "a.csv:3: the time does not rise, from 1 s to 0.5 s"},
		{"raw channel", "time / s, channel1 / ms\n0, 15\n", frames, "a.csv:2: channel1 is 15000 us, no pulse width"},
		{"path back", "start_s,end_s,axis,from,to\n1,2,x,0,1\n0,1,x,1,0\n", path, "a.csv:3: the movement starts at 0 s, before the one above has ended"},
		{"path in mm", "start_s,end_s,axis,from,to\n1,2,x,0,12\n", path, "a.csv:2: from 0 to 12 full throws"},
		{"no axis", "start_s,end_s,axes,from,to\n1,2,x,0,1\n", path, `a.csv:1: a table of movements needs a column "axis"`},
		{"no direction", "commanded / %, output / us\n0, 1500\n", points, `a.csv:1: a table of points needs a column "direction"`},
		{"several columns", "a / s, b / s\n1, 2\n", values, "a.csv:1: 2 columns of values: a, b"},
	} {
		t.Run(c.name, func(t *testing.T) {
			f, err := Read("a.csv", strings.NewReader(c.text))
			if err == nil {
				err = c.get(f)
			}
			require.EqualError(t, err, c.want)
			var e *input.Error
			require.ErrorAs(t, err, &e)
		})
	}
}

// endless is a file without end.
type endless struct {
	head string
	text string
	at   int
	read int64
}

func (e *endless) Read(p []byte) (int, error) {
	n := copy(p, e.head)
	e.head = e.head[n:]
	for n < len(p) {
		k := copy(p[n:], e.text[e.at:])
		n, e.at = n+k, (e.at+k)%len(e.text)
	}
	e.read += int64(n)
	return n, nil
}

func TestHugeFiles(t *testing.T) {
	e := &endless{head: "a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p\n", text: ",,,,,,,,,,,,,,,\n"}
	_, err := Read("a.csv", e)
	require.ErrorContains(t, err, "more than 16 million numbers")
	e = &endless{text: "#" + strings.Repeat(" ", 998) + "\n"}
	_, err = Read("a.csv", e)
	require.EqualError(t, err, "a.csv: larger than 64 MB")
	assert.Less(t, e.read, int64(maxBytes+2*maxLine))
}

func TestQuantity(t *testing.T) {
	for text, want := range map[string]float64{"60mA": 0.06, "60 mA": 0.06, "0.06": 0.06, "6e-2A": 0.06, "60000uA": 0.06} {
		got, err := Quantity(text, "A")
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
	}
	for text, want := range map[string]string{
		"": `"" is no number in A`, "x": `"x" is no number in A`, "1,5": `"1,5" is no number in A`, "1.2.3": `"1.2.3": unknown unit ".3"`, "3 V": `"3 V": "V" is voltage, "A" is current`, "nan": `"nan" is no number in A`,
	} {
		_, err := Quantity(text, "A")
		require.EqualError(t, err, want)
	}
}

// Whatever the bytes: no panic, errors with the file's name, and what is read
// is finite.
func FuzzRead(f *testing.F) {
	files, err := filepath.Glob("../../testdata/captures/*.csv")
	require.NoError(f, err)
	habits, err := filepath.Glob("testdata/*.csv")
	require.NoError(f, err)
	for _, name := range append(files, habits...) {
		data, err := os.ReadFile(name)
		require.NoError(f, err)
		f.Add(data[:min(len(data), 600)])
	}
	f.Add([]byte("start_s,end_s,axis,from,to\n0,1,x,0,1\n"))
	f.Add([]byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		check := func(err error) bool {
			var e *input.Error
			if err != nil && (!errors.As(err, &e) || e.Problems[0].File != "x" || e.Problems[0].Text == "") {
				t.Fatalf("error %v", err)
			}
			return err == nil
		}
		file, err := Read("x", bytes.NewReader(data))
		if !check(err) {
			return
		}
		finite := func(v ...float64) {
			for _, x := range v {
				if !isFinite(x) {
					t.Fatalf("%v was read", x)
				}
			}
		}
		if s, err := file.Samples(""); check(err) {
			finite(s.Values...)
			finite(s.Rate)
			if s.Channels < 1 || s.Rate <= 0 || len(s.Values)%s.Channels != 0 {
				t.Fatalf("samples %+v", s)
			}
		}
		if fr, err := file.Frames(); check(err) {
			finite(fr.Gain, fr.Offset)
			for i, x := range fr.Frames {
				if i > 0 && x.At < fr.Frames[i-1].At || x.At < 0 {
					t.Fatalf("frame %d at %v", i, x.At)
				}
			}
		}
		if p, err := file.Path(); check(err) {
			for _, s := range p {
				if s.End.Before(s.Start) {
					t.Fatalf("movement %+v", s)
				}
			}
		}
		if p, _, err := file.Points(); check(err) {
			for _, x := range p {
				finite(x.Commanded, x.Output)
			}
		}
		if v, _, err := file.Values("", false); check(err) {
			finite(v...)
		}
		if g, _, err := file.Groups(); check(err) {
			for _, v := range g {
				finite(v...)
			}
		}
		x, y, _, err := file.Pairs()
		if check(err) {
			finite(x...)
			finite(y...)
		}
		_, err = file.Releases()
		check(err)
		for _, list := range []reflect.Type{
			reflect.TypeFor[[]measure.StartTrial](), reflect.TypeFor[[]measure.VoltageStep](),
			reflect.TypeFor[[]measure.DutyPhase](), reflect.TypeFor[[]measure.SweepPoint](), reflect.TypeFor[[]measure.Tried](),
		} {
			_, _, err = file.Table("rows", list)
			check(err)
		}
	})
}
