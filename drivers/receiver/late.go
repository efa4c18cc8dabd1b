package receiver

import (
	"slices"
	"time"

	"fullthrow/drivers"
)

const (
	// lateWindow is how many frames to either side decide when a frame was
	// due: half a second of SBUS, over which a receiver's and a computer's
	// quartz do not part by a tenth of a millisecond.
	lateWindow = 70
	// lateLeast is how late a frame must come to be believed late at all; less
	// is the frame's own jitter and the granularity of a serial port.
	lateLeast = 2 * time.Millisecond

	// lateRead is for how long this process may stand still under a capture: the
	// system keeps 4 kB for it, half a second of CRSF at its quickest.
	lateRead = 300 * time.Millisecond
	// lateOld is how much of a capture may be from before its beginning: what an
	// adapter holds (16 ms with USB, commonly) and a frame under way.
	lateOld = 30 * time.Millisecond
	// lateAtOnce is how long a stretch may come in one read where a frame may be
	// missing in it, and so the times of the others be wrong by a period each.
	lateAtOnce = 50 * time.Millisecond
	// beginTries is how often what came before is dropped until that took no time.
	beginTries = 3

	// What may be missing of a stream that sends always, where a port or an adapter
	// drops a frame now and then.
	missingInARow = 2
	missingShare  = 0.01
)

// whole is the error of a capture in which frames are missing that a receiver
// sends always, whatever it hears: they were dropped, or are still under way,
// because the computer or the wire was held up. Damaged ones are not missing.
func whole(f drivers.Frames) error {
	n := len(f.Frames)
	if n < 2 {
		return nil // the caller knows how long it may be silent
	}
	// The receiver's own period, which may be another than the nominal one.
	between := make([]time.Duration, n-1)
	for i := range between {
		between[i] = f.Frames[i+1].At - f.Frames[i].At
	}
	slices.Sort(between)
	period := max(between[len(between)/2], f.Period*3/4)
	all, most, from := 0, 0, time.Duration(0)
	last := time.Duration(0)
	for i := range n + 1 {
		at, gap := f.Length, int((f.Length-last)/period)
		if i < n {
			at = f.Frames[i].At
			gap = int((at-last+period/2)/period) - 1
		}
		if gap > most {
			most, from = gap, last
		}
		all += max(0, gap)
		last = at
	}
	allowed := 1 + int(missingShare*float64(n))
	if most-2*f.Damaged <= missingInARow && all-2*f.Damaged <= max(allowed, missingInARow) {
		return nil
	}
	return drivers.LateError("", "", "%d frames that a receiver sends always are missing, %d of them from %v on",
		all, most, from.Round(time.Millisecond))
}

// punctual puts right the times of frames that were read late because the
// computer was busy: in a format that sends one frame every period, frame n is
// due n periods after frame 0, and a frame can come late but never early. So
// the earliest frames around it say when it was due. A time is only ever moved
// back, by how much it lies behind that; a stream too short to tell (fewer than
// 16 frames) is left alone. Frames must be complete: the caller does not call it
// where some were damaged.
func punctual(frames []drivers.Frame) {
	n := len(frames)
	if n < 16 {
		return
	}
	// The period is the receiver's own, not the nominal one: the median over a
	// long base is not moved by frames that came late.
	base := n / 2
	slopes := make([]time.Duration, 0, n-base)
	for i := 0; i+base < n; i++ {
		slopes = append(slopes, (frames[i+base].At-frames[i].At)/time.Duration(base))
	}
	slices.Sort(slopes)
	period := slopes[len(slopes)/2]

	due := make([]time.Duration, n)
	// offset of frame j from a straight line of that period; the smallest in a
	// sliding window, kept as a queue of rising offsets, so that it is linear.
	offset := func(j int) time.Duration { return frames[j].At - time.Duration(j)*period }
	var queue []int
	next := 0
	for i := range n {
		for ; next < n && next <= i+lateWindow; next++ {
			for len(queue) > 0 && offset(queue[len(queue)-1]) >= offset(next) {
				queue = queue[:len(queue)-1]
			}
			queue = append(queue, next)
		}
		for queue[0] < i-lateWindow {
			queue = queue[1:]
		}
		due[i] = time.Duration(i)*period + offset(queue[0])
	}
	for i := range frames {
		if frames[i].At-due[i] > lateLeast {
			frames[i].At = max(due[i], 0)
			if i > 0 {
				frames[i].At = max(frames[i].At, frames[i-1].At)
			}
		}
	}
}
