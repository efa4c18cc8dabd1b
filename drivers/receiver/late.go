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
)

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
