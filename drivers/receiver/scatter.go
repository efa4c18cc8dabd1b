package receiver

import "fullthrow/drivers"

const (
	// stillFor is how many frames before and after one frame must carry the very
	// same value for its channel to stand still.
	stillFor = 4
	// jump is how far, in raw values, one frame of a channel must lie off both its
	// neighbours, beyond what lies between those, to be unlike them: twice the
	// noise of a stick that nobody would sell.
	jump = 24
)

// scattered counts the frames that a wire without check sum has damaged inside,
// as far as it shows: a byte is hit wherever it stands, so the frames that are
// unlike both their neighbours for one frame are so on channels that have nothing
// to do with each other, and on channels that stand still. A handset's own
// trouble stays on the channel of the part that has it. So frames count only
// where at least two channels are unlike, one of them standing still; 0
// otherwise, and for less than 9 frames.
func scattered(frames []drivers.Frame) int {
	if len(frames) < 2*stillFor+1 {
		return 0
	}
	var channels, still, hit int
	for ch := range frames[0].Channels {
		n, s := unlike(frames, ch)
		if n > 0 {
			channels++
		}
		if s > 0 {
			still++
		}
		hit += n
	}
	if channels < 2 || still == 0 {
		return 0
	}
	return min(hit, len(frames))
}

// unlike counts the frames that are unlike both neighbours in one channel, and
// those of them where the channel otherwise stands still.
func unlike(frames []drivers.Frame, ch int) (all, still int) {
	at := func(i int) int { return int(frames[i].Channels[ch]) }
	for i := 1; i < len(frames)-1; i++ {
		v, before, after := at(i), at(i-1), at(i+1)
		lo, hi := min(before, after), max(before, after)
		if d := jump + 2*(hi-lo); v <= hi+d && v >= lo-d {
			continue
		}
		all++
		if lo == hi && stands(frames, ch, i) {
			still++
		}
	}
	return all, still
}

// stands says whether a channel has one value for some frames around frame i,
// itself apart.
func stands(frames []drivers.Frame, ch, i int) bool {
	v := frames[i-1].Channels[ch]
	for k := max(0, i-stillFor); k <= min(i+stillFor, len(frames)-1); k++ {
		if k != i && frames[k].Channels[ch] != v {
			return false
		}
	}
	return true
}
