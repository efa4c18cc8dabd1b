package receiver

import "sync"

// SUMD frame, as published for HoTT receivers (SUMD V1 and V3; the same in the
// drivers of open flight controllers): 115200 baud, 8N1, about every 10 ms; 0xA8,
// status, number of channels (2 to 32), the channels of two bytes, high byte first,
// in eighths of a microsecond (0x2EE0 is 1500 us); last a CRC-16 with polynomial
// 0x1021 from 0 (XMODEM) over all bytes before, high byte first.
const (
	SUMDChannels = 32 // at most

	// SUMDGain turns a raw value into microseconds.
	SUMDGain = 0.125

	sumdHeader   = 0xA8
	sumdHeard    = 0x01
	sumdHeardV3  = 0x03
	sumdFailsafe = 0x81
	sumdLeast    = 2
)

// SUMDFrame is one SUMD frame.
type SUMDFrame struct {
	Channels []uint16 // eighths of a microsecond
	Failsafe bool     // no handset is heard: these are the failsafe values
}

// AppendSUMD appends f, of 2 to 32 channels, to dst.
func AppendSUMD(dst []byte, f SUMDFrame) []byte {
	at, status := len(dst), byte(sumdHeard)
	if f.Failsafe {
		status = sumdFailsafe
	}
	dst = append(dst, sumdHeader, status, byte(len(f.Channels)))
	for _, v := range f.Channels {
		dst = append(dst, byte(v>>8), byte(v))
	}
	crc := crc16(xmodem(), dst[at:])
	return append(dst, byte(crc>>8), byte(crc))
}

// SUMDDecoder finds SUMD frames in a stream of bytes.
type SUMDDecoder struct {
	s     stream
	found func(*SUMDFrame)
	f     SUMDFrame
	ch    [SUMDChannels]uint16
}

// NewSUMDDecoder returns a decoder that calls found for each whole frame. The
// frame is the decoder's own and good until found returns.
func NewSUMDDecoder(found func(*SUMDFrame)) *SUMDDecoder { return &SUMDDecoder{found: found} }

// Decode takes the next bytes of the stream.
func (d *SUMDDecoder) Decode(p []byte) { d.s.decode(d, p) }

// Counts tells how the stream went so far.
func (d *SUMDDecoder) Counts() Counts { return d.s.Counts }

func (d *SUMDDecoder) frame(b []byte) int {
	if b[0] != sumdHeader {
		return -1
	}
	if len(b) > 1 && b[1] != sumdHeard && b[1] != sumdHeardV3 && b[1] != sumdFailsafe {
		return -1
	}
	if len(b) > 2 && (b[2] < sumdLeast || b[2] > SUMDChannels) {
		return -1
	}
	if len(b) < 3 {
		return 0
	}
	count := int(b[2])
	n := 3 + 2*count + 2
	if len(b) < n {
		return 0
	}
	if crc16(xmodem(), b[:n-2]) != uint16(b[n-2])<<8|uint16(b[n-1]) {
		return -1
	}
	d.f = SUMDFrame{Channels: d.ch[:count], Failsafe: b[1] == sumdFailsafe}
	for i := range count {
		d.ch[i] = uint16(b[3+2*i])<<8 | uint16(b[4+2*i])
	}
	d.found(&d.f)
	return n
}

// xmodem is the table of CRC-16/XMODEM: polynomial 0x1021, most significant bit
// first, from 0, no final inversion.
var xmodem = sync.OnceValue(func() *[256]uint16 {
	var t [256]uint16
	for i := range t {
		c := uint16(i) << 8
		for range 8 {
			if c&0x8000 != 0 {
				c = c<<1 ^ 0x1021
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return &t
})

func crc16(t *[256]uint16, b []byte) uint16 {
	var c uint16
	for _, x := range b {
		c = c<<8 ^ t[byte(c>>8)^x]
	}
	return c
}
