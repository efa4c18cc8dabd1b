package receiver

// SBUS frame: 0x0F, 16 channels of 11 bits, flags, 0x00; 25 bytes.
const (
	sbusLength = 25
	sbusHeader = 0x0F

	sbusCh17     = 1 << 0
	sbusCh18     = 1 << 1
	sbusLost     = 1 << 2
	sbusFailsafe = 1 << 3
)

// SBUSFrame is one SBUS frame.
type SBUSFrame struct {
	Channels   [Channels]uint16
	Ch17, Ch18 bool // the two digital channels
	Lost       bool // no packet since the last frame: the values are held
	Failsafe   bool // no packet for so long that the receiver took its failsafe values
}

// AppendSBUS appends the 25 bytes of f to dst.
func AppendSBUS(dst []byte, f *SBUSFrame) []byte {
	var flags byte
	for _, b := range [...]struct {
		on  bool
		bit byte
	}{{f.Ch17, sbusCh17}, {f.Ch18, sbusCh18}, {f.Lost, sbusLost}, {f.Failsafe, sbusFailsafe}} {
		if b.on {
			flags |= b.bit
		}
	}
	dst = append(dst, sbusHeader)
	dst = appendPacked(dst, &f.Channels)
	return append(dst, flags, 0)
}

// SBUSDecoder finds SBUS frames in a stream of bytes.
//
// SBUS has no checksum. A frame is taken as whole when it has its first byte,
// its end byte (0x00, or 0x04, 0x14, 0x24, 0x34 of receivers with telemetry
// slots) and zeros in the four unused flag bits; damage inside the channel
// values cannot be seen. The same values again and again may fit at a wrong place
// too: whoever knows the times of the bytes says [SBUSDecoder.Silence].
//
// On the wire SBUS is idle low: an adapter must turn it round, unless the receiver
// has an output that is turned round already ("non-inverted SBUS"). Turned round
// once too often or too seldom, a port hears 0xF8 where a frame begins: the first
// falling edge is then the first bit of 0x0F and no start bit.
type SBUSDecoder struct {
	s     stream
	found func(*SBUSFrame)
	f     SBUSFrame
}

// NewSBUSDecoder returns a decoder that calls found for each whole frame. The
// frame is the decoder's own and good until found returns.
func NewSBUSDecoder(found func(*SBUSFrame)) *SBUSDecoder { return &SBUSDecoder{found: found} }

// Decode takes the next bytes of the stream.
func (d *SBUSDecoder) Decode(p []byte) { d.s.decode(d, p) }

// Silence says that nothing came for 2 ms or more before next: SBUS frames have that between
// them and not within, but adapters that hold bytes back make it within as well.
func (d *SBUSDecoder) Silence(next byte) { d.s.silence(next == sbusHeader) }

// Astray says whether the frames so far go over most of the silences, always at
// the same place, and so begin at a wrong byte.
func (d *SBUSDecoder) Astray() bool { return d.s.astray() }

// Counts tells how the stream went so far.
func (d *SBUSDecoder) Counts() Counts { return d.s.Counts }

func (d *SBUSDecoder) frame(b []byte) int {
	if b[0] != sbusHeader {
		return -1
	}
	if len(b) < sbusLength {
		return 0
	}
	flags, end := b[23], b[24]
	if flags&0xF0 != 0 || end != 0 && end&0xCF != 0x04 {
		return -1
	}
	unpack(&d.f.Channels, b[1:])
	d.f.Ch17, d.f.Ch18 = flags&sbusCh17 != 0, flags&sbusCh18 != 0
	d.f.Lost, d.f.Failsafe = flags&sbusLost != 0, flags&sbusFailsafe != 0
	d.found(&d.f)
	return sbusLength
}
