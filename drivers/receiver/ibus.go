package receiver

// iBUS servo frame, as published for FlySky receivers (blog.dsp.id.au, "FlySky
// iBus protocol"; the same in the drivers of open flight controllers): 115200
// baud, 8N1, every 7 ms; 0x20 (the length), 0x40 (servo values), 14 channels of two
// bytes, low byte first, in microseconds; last 0xFFFF less the sum of all bytes
// before, low byte first. It has no flag of loss or failsafe: a receiver that
// hears no handset goes on with its last values, or with those of its failsafe, or
// sends nothing more.
const (
	IBUSChannels = 14
	ibusLength   = 32
	ibusServo    = 0x40
	// Receivers with more channels put them into the upper four bits.
	ibusMask = 0x0FFF
)

// AppendIBUS appends a frame with values in microseconds.
func AppendIBUS(dst []byte, ch *[IBUSChannels]uint16) []byte {
	at := len(dst)
	dst = append(dst, ibusLength, ibusServo)
	for _, v := range ch {
		dst = append(dst, byte(v), byte(v>>8))
	}
	sum := ibusSum(dst[at:])
	return append(dst, byte(sum), byte(sum>>8))
}

func ibusSum(b []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, x := range b {
		sum -= uint16(x)
	}
	return sum
}

// IBUSDecoder finds iBUS servo frames in a stream of bytes.
type IBUSDecoder struct {
	s     stream
	found func(*[IBUSChannels]uint16)
	ch    [IBUSChannels]uint16
}

// NewIBUSDecoder returns a decoder that calls found for each whole frame, with
// values in microseconds that are its own and good until found returns.
func NewIBUSDecoder(found func(*[IBUSChannels]uint16)) *IBUSDecoder {
	return &IBUSDecoder{found: found}
}

// Decode takes the next bytes of the stream.
func (d *IBUSDecoder) Decode(p []byte) { d.s.decode(d, p) }

// Counts tells how the stream went so far.
func (d *IBUSDecoder) Counts() Counts { return d.s.Counts }

func (d *IBUSDecoder) frame(b []byte) int {
	if b[0] != ibusLength || len(b) > 1 && b[1] != ibusServo {
		return -1
	}
	if len(b) < ibusLength {
		return 0
	}
	if ibusSum(b[:ibusLength-2]) != uint16(b[ibusLength-2])|uint16(b[ibusLength-1])<<8 {
		return -1
	}
	for i := range d.ch {
		d.ch[i] = (uint16(b[2+2*i]) | uint16(b[3+2*i])<<8) & ibusMask
	}
	d.found(&d.ch)
	return ibusLength
}
