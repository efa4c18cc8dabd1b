package receiver

import (
	"time"

	"fullthrow/drivers"
)

// PPM limits, as common receivers of the signal use them. There is no
// standard. Between a channel's longest width and the shortest sync gap an
// interval is neither, and the frame damaged.
const (
	PPMPeriod      = 22500 * time.Microsecond // usual
	ppmMin         = 750 * time.Microsecond
	ppmMax         = 2250 * time.Microsecond
	ppmSync        = 2700 * time.Microsecond
	ppmMinChannels = 4
	ppmMaxChannels = 16

	// PPMGain turns a raw PPM value into microseconds.
	PPMGain = 0.1
	ppmStep = 100 * time.Nanosecond
)

// PPM finds the frames in the edges of a pulse train. A channel is the time
// from one edge to the next of the same direction: rising edges, or falling
// ones if falling is true; edges of the other direction are ignored. A frame
// lies between two sync gaps and its time is that of its last edge, from start.
//
// Frames of fewer than 4 or more than 16 channels, with an interval that is
// neither channel nor gap, or with another number of channels than most frames
// of the capture (a lost edge makes one channel of two), are counted as
// damaged and left out. What lies before the first gap and after the last is
// not a whole frame and is not counted. No edges: no frames. An edge earlier
// than the one before it makes its frame damaged.
func PPM(edges []drivers.Edge, start time.Time, falling bool) drivers.Frames {
	out := drivers.Frames{Start: start, Format: "PPM", Gain: PPMGain}
	values := make([]uint16, 0, len(edges))
	var last time.Time
	first := 0 // index in values of the present frame's first channel
	inFrame, bad := false, false
	for _, e := range edges {
		if e.Rising == falling {
			continue
		}
		if last.IsZero() {
			last = e.At
			continue
		}
		d := e.At.Sub(last)
		switch {
		case d >= ppmSync:
			if inFrame {
				n := len(values) - first
				if bad || n < ppmMinChannels || n > ppmMaxChannels {
					out.Damaged++
					values = values[:first]
				} else {
					out.Frames = append(out.Frames, drivers.Frame{At: last.Sub(start),
						Channels: values[first:len(values):len(values)]})
				}
			}
			inFrame, bad, first = true, false, len(values)
		case d < ppmMin || d > ppmMax:
			bad = true
		case inFrame && !bad:
			values = append(values, uint16((d+ppmStep/2)/ppmStep))
		}
		last = e.At
	}
	return keepUsual(out)
}

// keepUsual drops the frames whose number of channels is not the most common
// one (the larger, if two are equally common).
func keepUsual(f drivers.Frames) drivers.Frames {
	var count [ppmMaxChannels + 1]int
	for _, fr := range f.Frames {
		count[len(fr.Channels)]++
	}
	usual := 0
	for n, c := range count {
		if c > 0 && c >= count[usual] {
			usual = n
		}
	}
	kept := f.Frames[:0]
	for _, fr := range f.Frames {
		if len(fr.Channels) == usual {
			kept = append(kept, fr)
		}
	}
	f.Damaged += len(f.Frames) - len(kept)
	f.Frames = kept
	return f
}
