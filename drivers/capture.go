package drivers

import "time"

// Samples is a capture of equally spaced values.
type Samples struct {
	Start time.Time // of the first sample
	Rate  float64   // samples per second, > 0
	Unit  string    // of each value: "A", "Pa", "1" (fraction of full scale)
	// Values has one value per sample and channel, channels interleaved.
	Values   []float64
	Channels int // >= 1
}

// Count returns the number of sample instants.
func (s Samples) Count() int {
	if s.Channels < 1 {
		return 0
	}
	return len(s.Values) / s.Channels
}

// Constant says whether every channel has one and the same value throughout,
// which no working converter delivers for long: it has noise. A capture without
// samples is not constant, one of a single instant is; an infinite value equals
// itself, NaN nothing.
func (s Samples) Constant() bool {
	if s.Count() == 0 {
		return false
	}
	for i := range s.Values {
		if s.Values[i] != s.Values[i%s.Channels] {
			return false
		}
	}
	return true
}

// Duration is the time the capture spans.
func (s Samples) Duration() time.Duration {
	if s.Rate <= 0 {
		return 0
	}
	return time.Duration(float64(s.Count()) / s.Rate * float64(time.Second))
}

// Frame is what a receiver heard at one moment.
type Frame struct {
	At       time.Duration // since Frames.Start
	Channels []uint16      // raw values, channel 1 first, in Frames.Scale units
	Lost     bool          // the receiver itself marks this frame as lost (held values)
	Failsafe bool
}

// LinkStatistics is what a receiver says of its link (CRSF frame type 0x14).
type LinkStatistics struct {
	At      time.Duration
	RSSI    float64 // dBm, the better antenna
	Quality float64 // percent
	SNR     float64 // dB
}

// Battery is what a battery sensor tells over a link (CRSF frame type 0x08).
type Battery struct {
	At        time.Duration
	Voltage   float64 // V
	Current   float64 // A
	Charge    float64 // C, drawn so far
	Remaining float64 // percent, as the sensor estimates it
}

// FlightMode is a text that a flight controller shows (CRSF frame type 0x21).
type FlightMode struct {
	At   time.Duration
	Text string
}

// Frames is a capture of channel frames.
type Frames struct {
	Start  time.Time
	Length time.Duration // how long was listened, frames or none
	Format string        // "SBUS", "CRSF", "iBUS", "SUMD", "PPM"
	// Scale turns a raw value into the pulse width it stands for:
	// microseconds = Raw*Gain + Offset.
	Gain, Offset float64
	Period       time.Duration // between frames, where it was given; 0: see [Paces]
	Frames       []Frame
	Link         []LinkStatistics
	Battery      []Battery
	Modes        []FlightMode // each time the text changed
	Damaged      int          // frames that failed their check (CRC, end byte, length)
	SkippedBytes int          // bytes passed over to find a frame again
}

// Microseconds is channel ch (1 first) of frame i as a pulse width.
func (f Frames) Microseconds(i, ch int) float64 {
	return float64(f.Frames[i].Channels[ch-1])*f.Gain + f.Offset
}

// Edge is a change of level.
type Edge struct {
	At          time.Time
	Rising      bool
	Uncertainty time.Duration // how far At may be from the change
}

// Segment is one straight movement of a Mover from From to To at constant
// rate, but for gathering speed and slowing down. It lies between Start, when the command was sent, and End, when its
// arrival was read: a busy computer can make the segment look longer than the
// movement, never shorter, so outside it the axes do stand still.
type Segment struct {
	Start, End time.Time
	From, To   map[string]float64 // by axis name, -1..+1
	// Takes is what the movement itself takes of the time from Start to End, where
	// it is known; the rest is how late its beginning or its end was. 0: all of it.
	Takes time.Duration
	// Even is what the whole way would take at its rate, where that is known. What the
	// movement itself takes longer, it gathers speed at its beginning and slows down
	// at its end, each as long, at constant acceleration. 0: its rate is constant.
	Even time.Duration
}

// Ramp is for how long it gathers speed, and then slows down: half of it each where
// it never comes to its rate.
func (s Segment) Ramp() time.Duration {
	took := s.End.Sub(s.Start) - s.Late()
	if s.Even <= 0 {
		return 0
	}
	return max(0, min(took-s.Even, took/2))
}

// Late is for how long in the segment the axes may stand still.
func (s Segment) Late() time.Duration {
	if s.Takes <= 0 {
		return 0
	}
	return max(0, s.End.Sub(s.Start)-s.Takes)
}

// Path is a series of movements in order of time; between two segments, and
// after the last, the axes stand still.
type Path []Segment

// Picture is what a camera saw, or a file beside a plan shows, decoded.
type Picture struct {
	Name          string    // of the file, or of the device that took it
	At            time.Time // when it had been taken; zero: a file's
	Width, Height int       // pixels
	RGB           []byte    // red, green, blue of each pixel, row by row from the upper left: sRGB codes
	File          []byte    // as it came
	Media         string    // of File: "image/png", "image/jpeg"
}
