package measure

import (
	"fmt"
	"math"

	"fullthrow/drivers"
	"fullthrow/reports/statistics"
)

var nan = math.NaN()

func errorf(op, format string, args ...any) error {
	return fmt.Errorf("measure: "+op+": "+format, args...)
}

// mono gives channel ch (1 first, 0 means 1) of a capture of at least need
// samples, all finite. The slice may be the capture's own: do not write to it.
func mono(op string, s drivers.Samples, ch, need int) ([]float64, error) {
	if ch == 0 {
		ch = 1
	}
	n := s.Count()
	switch {
	case s.Channels < 1:
		return nil, errorf(op, "capture has %d channels, at least 1 needed", s.Channels)
	case ch < 1 || ch > s.Channels:
		return nil, errorf(op, "channel %d asked for, capture has %d", ch, s.Channels)
	case n < need:
		return nil, errorf(op, "capture has %d samples, at least %d needed", n, need)
	case math.IsNaN(s.Rate) || math.IsInf(s.Rate, 0) || s.Rate <= 0:
		return nil, errorf(op, "capture has a rate of %v samples/s", s.Rate)
	}
	x := s.Values
	if s.Channels > 1 {
		x = make([]float64, n)
		for i := range x {
			x[i] = s.Values[i*s.Channels+ch-1]
		}
	}
	x = x[:n]
	for i, v := range x {
		if !statistics.Finite(v) {
			return nil, errorf(op, "sample %d is %v", i, v)
		}
	}
	return x, nil
}

// one is mono for captures that must have a single channel.
func one(op string, s drivers.Samples, need int) ([]float64, error) {
	if s.Channels > 1 {
		return nil, errorf(op, "capture has %d channels, 1 needed", s.Channels)
	}
	return mono(op, s, 1, need)
}

// throw is pulse width in µs as % of throw.
func throw(us float64) float64 { return (us - 1500) / 512 * 100 }

// heard is one frame that was really received: time since the capture's start
// in s, and the channel in % of throw.
type heard struct{ at, value float64 }

// channel takes one channel out of a capture of frames. Frames that the
// receiver marks as lost or failsafe repeat old or made-up values and are left
// out.
func channel(op string, f drivers.Frames, ch int) ([]heard, error) {
	if ch < 1 {
		return nil, errorf(op, "channel %d asked for, channels begin at 1", ch)
	}
	if f.Gain == 0 || !statistics.Finite(f.Gain) || !statistics.Finite(f.Offset) {
		return nil, errorf(op, "frames have no scale (gain %v, offset %v)", f.Gain, f.Offset)
	}
	out := make([]heard, 0, len(f.Frames))
	for i, frame := range f.Frames {
		if ch > len(frame.Channels) {
			return nil, errorf(op, "channel %d asked for, frame %d has %d", ch, i, len(frame.Channels))
		}
		if frame.Lost || frame.Failsafe {
			continue
		}
		at := frame.At.Seconds()
		if n := len(out); n > 0 && at < out[n-1].at {
			return nil, errorf(op, "frame %d is earlier than the one before", i)
		}
		out = append(out, heard{at, throw(f.Microseconds(i, ch))})
	}
	return out, nil
}
