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
	// heldUp is how many frames in one read show that they were held up, and no
	// adapter's habit.
	heldUp = 8
	// beginTries is how often what came before is dropped until that took no time.
	beginTries = 3

	// What may be missing of a stream that sends always, where a port or an adapter
	// drops a frame now and then.
	missingInARow = 2
	missingShare  = 0.01
)

// numbered gives each frame of a stream that sends one every period its number in
// it, from 0 on: where frames are missing, those behind have higher ones. A frame
// that is late by itself is told from one behind a hole by those after it, which
// are not late. period is the receiver's own; nil where it cannot be told.
func numbered(frames []drivers.Frame) (number []int, period time.Duration) {
	n := len(frames)
	// Of neighbours, which a hole does not move; where most came in heaps, over a
	// long base, which heaps do not move.
	for _, base := range []int{1, n / 2} {
		between := make([]time.Duration, n-base)
		for i := range between {
			between[i] = (frames[i+base].At - frames[i].At) / time.Duration(base)
		}
		slices.Sort(between)
		if period = between[len(between)/2]; period > time.Millisecond {
			break
		}
	}
	if period <= time.Millisecond {
		return nil, 0
	}
	number = make([]int, n)
	var earliest time.Duration // of those before, less what they were due
	for i := range n {
		shift := 0
		if i > 0 {
			shift = number[i-1] + 1 - i
		}
		least := frames[i].At - time.Duration(i)*period
		for j := i + 1; j < n && j <= i+lateWindow; j++ {
			least = min(least, frames[j].At-time.Duration(j)*period)
		}
		least -= time.Duration(shift) * period
		if i > 0 {
			if hole := least - earliest; hole > period*2/3 {
				k := int((hole + period/2) / period)
				shift, least = shift+k, least-time.Duration(k)*period
			}
		}
		// An earlier one has not much to say: the period is known to some 10 us.
		if earliest = least; i > 0 {
			earliest = min(least, earliest+period/100)
		}
		number[i] = i + shift
	}
	return number, period
}

// whole is an error where more frames are missing than may be of a receiver that
// sends always, whatever it hears: they were dropped, or are still under way,
// because the computer or the wire was held up. Damaged ones are not missing.
func whole(f drivers.Frames, measured time.Duration) error {
	n := len(f.Frames)
	if n < 3 {
		return nil // the caller knows how long it may be silent
	}
	number, period := numbered(f.Frames)
	if number == nil {
		return nil
	}
	period = max(period, measured*3/4)
	// At the beginning, between them, and at the end.
	most, from := max(0, int((f.Frames[0].At+period/2)/period)-1), time.Duration(0)
	missing := most
	for i := 1; i < n; i++ {
		if k := number[i] - number[i-1] - 1; k > 0 {
			if missing += k; k > most {
				most, from = k, f.Frames[i-1].At
			}
		}
	}
	last := f.Frames[n-1].At
	k := int((f.Length - last) / period)
	if missing += k; k > most {
		most, from = k, last
	}
	damaged := 2 * f.Damaged
	if most-damaged <= missingInARow && missing-damaged <= max(missingInARow, 1+int(missingShare*float64(n))) {
		return nil
	}
	return drivers.LateError("", "", "%d frames that a receiver sends always are missing, %d of them from %v on",
		missing, most, from.Round(time.Millisecond))
}

// punctual puts right the times of frames that were read late because the
// computer was busy: in a format that sends one frame every period, frame n is
// due n periods after frame 0, and a frame can come late but never early. So
// the earliest frames around it say when it was due. A time is only ever moved
// back, by how much it lies behind that, before the beginning too; a stream too
// short to tell (fewer than 16 frames) is left alone.
func punctual(frames []drivers.Frame) {
	n := len(frames)
	if n < 16 {
		return
	}
	number, _ := numbered(frames)
	if number == nil {
		return
	}
	// The median over a long base is not moved by frames that came late.
	base := n / 2
	slopes := make([]time.Duration, 0, n-base)
	for i := 0; i+base < n; i++ {
		slopes = append(slopes, (frames[i+base].At-frames[i].At)/time.Duration(number[i+base]-number[i]))
	}
	slices.Sort(slopes)
	period := slopes[len(slopes)/2]

	due := make([]time.Duration, n)
	// offset of frame j from a straight line of that period; the smallest in a
	// sliding window, kept as a queue of rising offsets, so that it is linear.
	offset := func(j int) time.Duration { return frames[j].At - time.Duration(number[j])*period }
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
		due[i] = time.Duration(number[i])*period + offset(queue[0])
	}
	for i := range frames {
		if frames[i].At-due[i] > lateLeast {
			frames[i].At = due[i]
			if i > 0 {
				frames[i].At = max(frames[i].At, frames[i-1].At)
			}
		}
	}
}
