package capturefile

import (
	"math"
	"slices"
	"strconv"
	"time"

	"fullthrow/drivers"
	"fullthrow/runner/measure"
)

// Frames is a table of channel frames. A row of a receiver that held its last
// values says so in a column lost.
func (f *File) Frames() (drivers.Frames, error) {
	cols, err := f.need("frames", "time")
	if err != nil {
		return drivers.Frames{}, err
	}
	all, err := f.frames(cols[0], 0, len(f.lines))
	return all, err
}

// channelColumns are channel1, channel2, ... as far as there are.
func (f *File) channelColumns() []*column {
	var list []*column
	for ch := 1; ; ch++ {
		c := f.find("channel" + strconv.Itoa(ch))
		if c == nil {
			return list
		}
		list = append(list, c)
	}
}

// frames makes a capture of the rows from one to before another.
func (f *File) frames(timeColumn *column, from, to int) (drivers.Frames, error) {
	var out drivers.Frames
	t, zero, err := f.times(timeColumn)
	if err != nil {
		return out, err
	}
	channels := f.channelColumns()
	lost, failsafe := f.find("lost"), f.find("failsafe")
	if len(channels) == 0 && lost == nil {
		return out, f.wrong(f.header, `name the columns "channel1 / us", or "lost" where only losses are known`,
			"a table of frames needs a column channel1, or lost")
	}
	flags := make([][]bool, 2)
	for k, c := range []*column{lost, failsafe} {
		if c != nil {
			if flags[k], err = f.truths(c); err != nil {
				return out, err
			}
		}
	}
	us := make([][]float64, len(channels))
	for k, c := range channels {
		if us[k], err = f.pulses(c); err != nil {
			return out, err
		}
	}
	if out.Gain, out.Offset, err = f.scale(us); err != nil {
		return out, err
	}
	length, listened, err := f.fact("length")
	if err != nil {
		return out, err
	}
	period, _, err := f.fact("period")
	if err != nil {
		return out, err
	}
	damaged, _, err := f.fact("damaged")
	if err != nil {
		return out, err
	}
	begin := 0.0
	if !listened && to > from { // the capture is taken to begin with its first frame
		begin = t[from]
	}
	out.Start, out.Period = after(zero+begin), seconds(period)
	out.Format, out.Damaged = f.facts["format"].text, int(damaged)
	var gaps []float64
	for i := from; i < to; i++ {
		if i > from && t[i] <= t[i-1] {
			return out, f.wrong(int(f.lines[i]), "sort the rows by time, each once",
				"the time does not rise, from %v s to %v s", t[i-1], t[i])
		}
		if t[i] < 0 && listened {
			return out, f.wrong(int(f.lines[i]), "", "a frame before the beginning, at %v s", t[i])
		}
		if i > from {
			gaps = append(gaps, t[i]-t[i-1])
		}
		frame := drivers.Frame{At: seconds(t[i] - begin), Channels: make([]uint16, len(us))}
		frame.Lost = flags[0] != nil && flags[0][i]
		frame.Failsafe = flags[1] != nil && flags[1][i]
		for k := range us {
			raw := math.Round((us[k][i] - out.Offset) / out.Gain)
			if math.IsNaN(raw) {
				return out, f.wrong(int(f.lines[i]), "", "channel%d is empty", k+1)
			}
			if raw < 0 || raw > math.MaxUint16 {
				return out, f.wrong(int(f.lines[i]), "", "channel%d is %v us, beyond what the gain and offset of "+
					"the file can be", k+1, us[k][i])
			}
			frame.Channels[k] = uint16(raw)
		}
		out.Frames = append(out.Frames, frame)
	}
	switch {
	case listened:
		out.Length = seconds(length)
	case to > from:
		if period == 0 && len(gaps) > 0 {
			slices.Sort(gaps)
			period = gaps[len(gaps)/2]
		}
		out.Length = out.Frames[len(out.Frames)-1].At + seconds(period)
	}
	if n := len(out.Frames); n > 0 && out.Frames[n-1].At > out.Length+time.Second {
		return out, f.wrong(int(f.lines[to-1]), "", "a frame at %v s, after the capture's length of %v s", t[to-1],
			length)
	}
	return out, nil
}

// pulses is a channel as pulse widths in us; in % of throw 100 is 512 us from
// 1500.
func (f *File) pulses(c *column) ([]float64, error) {
	if c.unit == "%" {
		v, _, err := f.numbers(c, "%")
		if err != nil {
			return nil, err
		}
		out := make([]float64, len(v))
		for i := range v {
			out[i] = 1500 + 5.12*v[i]
		}
		return out, f.plausible(c, out)
	}
	v, _, err := f.numbers(c, "us")
	if err != nil {
		return nil, err
	}
	return v, f.plausible(c, v)
}

// plausible refuses widths that no receiver gives: usually another unit.
func (f *File) plausible(c *column, us []float64) error {
	for i, v := range us {
		if v < 0 || v > 6000 {
			return f.wrong(int(f.lines[i]), `channels are pulse widths, "channel1 / us", or "channel1 / %" of throw`,
				"%s is %v us, no pulse width", c.quantity, v)
		}
	}
	return nil
}

// scale finds steps that hold every value: those that the file states, those
// of a known format, or some so fine that nothing measured is moved by them.
func (f *File) scale(us [][]float64) (gain, offset float64, err error) {
	gain, given, err := f.fact("gain")
	if err != nil {
		return 0, 0, err
	}
	offset, _, err = f.fact("offset")
	if err != nil {
		return 0, 0, err
	}
	if given {
		return gain, offset, nil
	}
	for _, s := range []struct{ gain, offset float64 }{{0.625, 880}, {1, 0}, {0.5, 0}, {0.125, 0}, {0.1, 0}} {
		fits := true
		for _, channel := range us {
			for _, v := range channel {
				raw := (v - s.offset) / s.gain
				if fits = raw >= 0 && raw <= math.MaxUint16 && math.Abs(raw-math.Round(raw)) < 1e-6; !fits {
					break
				}
			}
			if !fits {
				break
			}
		}
		if fits {
			return s.gain, s.offset, nil
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, channel := range us {
		for _, v := range channel {
			low, high = min(low, v), max(high, v)
		}
	}
	return (high - low) / math.MaxUint16, low, nil
}

// Path is a table of movements, one row for each axis of each.
func (f *File) Path() (drivers.Path, error) {
	c, err := f.need("movements", "start", "end", "axis", "from", "to")
	if err != nil {
		return nil, err
	}
	zero, _, err := f.fact("start")
	if err != nil {
		return nil, err
	}
	start, _, err := f.numbers(c[0], "s")
	if err != nil {
		return nil, err
	}
	end, _, err := f.numbers(c[1], "s")
	if err != nil {
		return nil, err
	}
	from, _, err := f.numbers(c[3], "1")
	if err != nil {
		return nil, err
	}
	to, _, err := f.numbers(c[4], "1")
	if err != nil {
		return nil, err
	}
	takes := make([]float64, len(start))
	if t := f.find("takes"); t != nil {
		if takes, _, err = f.numbers(t, "s"); err != nil {
			return nil, err
		}
	}
	even := make([]float64, len(start))
	if t := f.find("even"); t != nil {
		if even, _, err = f.numbers(t, "s"); err != nil {
			return nil, err
		}
	}
	var path drivers.Path
	last := 0
	for i, line := range f.lines {
		axis := c[2].words[i]
		switch {
		case axis == "":
			return nil, f.wrong(int(line), "", "axis is empty")
		case math.Abs(start[i]) > 1e6 || math.Abs(end[i]) > 1e6:
			return nil, f.wrong(int(line), "", "times from %v s to %v s, out of range", start[i], end[i])
		case end[i] < start[i]:
			return nil, f.wrong(int(line), "", "the movement ends at %v s, before it starts at %v s", end[i], start[i])
		case takes[i] < 0 || takes[i] > end[i]-start[i]+1e-6:
			return nil, f.wrong(int(line), "", "the movement takes %v s, of %v s", takes[i], end[i]-start[i])
		case even[i] < 0 || even[i] > end[i]-start[i]+1e-6:
			return nil, f.wrong(int(line), "", "the way takes %v s at its rate, of %v s", even[i], end[i]-start[i])
		case math.Abs(from[i]) > 2 || math.Abs(to[i]) > 2:
			return nil, f.wrong(int(line), "a position is -1 to +1, or has a column in %", "from %v to %v full throws",
				from[i], to[i])
		}
		if n := len(path); n > 0 && start[i] == start[last] && end[i] == end[last] {
			if _, twice := path[n-1].From[axis]; twice {
				return nil, f.wrong(int(line), "", "axis %s twice in one movement", clip(axis))
			}
			path[n-1].From[axis], path[n-1].To[axis] = from[i], to[i]
			continue
		}
		if n := len(path); n > 0 && start[i] < end[last]-1e-6 {
			return nil, f.wrong(int(line), "sort the rows by time", "the movement starts at %v s, before the one "+
				"above has ended", start[i])
		}
		last = i
		path = append(path, drivers.Segment{Start: after(zero + start[i]), End: after(zero + end[i]),
			From: map[string]float64{axis: from[i]}, To: map[string]float64{axis: to[i]},
			Takes: time.Duration(takes[i] * float64(time.Second)),
			Even:  time.Duration(even[i] * float64(time.Second))})
	}
	return path, nil
}

// Timed says whether the file states when its time 0 was, so that it can be set
// against another.
func (f *File) Timed() bool { _, ok := f.facts["start"]; return ok }

const maxReleases = 1000

// Releases is a table of sticks let go: which release, the side it came from,
// and the frames heard while it rested.
func (f *File) Releases() ([]measure.Release, error) {
	c, err := f.need("releases", "release", "from", "time")
	if err != nil {
		return nil, err
	}
	which, err := f.counts(c[0])
	if err != nil {
		return nil, err
	}
	if err := f.whole(c[1], false); err != nil {
		return nil, err
	}
	var out []measure.Release
	done := map[int]bool{}
	for i := 0; i < len(which); {
		j := i
		for j < len(which) && which[j] == which[i] {
			if c[1].values[j] != c[1].values[i] {
				return nil, f.wrong(int(f.lines[j]), "", "release %d comes from another side than in the row above",
					which[i])
			}
			j++
		}
		if done[which[i]] {
			return nil, f.wrong(int(f.lines[i]), "keep the rows of a release together",
				"release %d is there already, further up", which[i])
		}
		if done[which[i]] = true; len(done) > maxReleases {
			return nil, f.wrong(int(f.lines[i]), "", "more than %d releases", maxReleases)
		}
		frames, err := f.frames(c[2], i, j)
		if err != nil {
			return nil, err
		}
		out = append(out, measure.Release{From: c[1].values[i], Frames: frames})
		i = j
	}
	return out, nil
}
