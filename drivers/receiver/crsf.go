package receiver

import (
	"fmt"
	"strings"
	"sync"
)

// CRSF frame: address, length of the rest, type, payload, CRC-8/DVB-S2 over
// type and payload; at most 64 bytes.
const (
	CRSFAddress     = 0xC8 // what a receiver's frames begin with
	CRSFBatteryType = 0x08 // battery sensor, 8 bytes
	CRSFLinkType    = 0x14 // link statistics, 10 bytes
	CRSFModeType    = 0x21 // flight mode, a text that ends with a zero byte
	CRSFRCType      = 0x16 // 16 channels of 11 bits, 22 bytes

	crsfMin, crsfMax = 2, 62 // the length byte: type and CRC, to 60 bytes of payload
	crsfLinkPayload  = 10
	crsfBattery      = 8
)

// CRSFBattery is a battery sensor frame: voltage and current in tenths of V and A,
// two bytes each, the charge in mAh, three bytes, and the percentage left, high
// byte first. The specification's "10 uV" and "10 uA" cannot be meant: its examples
// have 252 for 25.2 V.
type CRSFBattery struct {
	Voltage, Current int16  // 0.1 V, 0.1 A
	Used             uint32 // mAh, 24 bits
	Remaining        uint8  // percent
}

// CRSFLink is a link statistics frame, in the order of the wire. "Up" is from
// the handset to the receiver.
type CRSFLink struct {
	UpRSSI1, UpRSSI2 uint8 // dBm * -1, antenna 1 and 2; 0 where there is no such antenna
	UpQuality        uint8 // percent
	UpSNR            int8  // dB
	Antenna          uint8 // in use
	Profile          uint8 // radio mode
	Power            uint8 // number of the power step: 0, 10, 25, 100, 500, 1000, 2000, 250, 50 mW
	DownRSSI         uint8 // dBm * -1
	DownQuality      uint8 // percent
	DownSNR          int8  // dB
}

// RSSI is the level at the better antenna, in dBm.
func (l CRSFLink) RSSI() float64 {
	a, b := l.UpRSSI1, l.UpRSSI2
	if a == 0 || b != 0 && b < a {
		a = b
	}
	return -float64(a)
}

// AppendCRSF appends a frame with any type and payload. A payload of more than
// 60 bytes is a mistake of the caller and panics.
func AppendCRSF(dst []byte, address, kind byte, payload []byte) []byte {
	if len(payload)+2 > crsfMax {
		panic(fmt.Sprintf("receiver: CRSF payload of %d bytes, at most %d", len(payload), crsfMax-2))
	}
	dst = append(dst, address, byte(len(payload)+2))
	at := len(dst)
	dst = append(dst, kind)
	dst = append(dst, payload...)
	return append(dst, crc8(dvbS2(), dst[at:]))
}

// AppendCRSFChannels appends a frame of type 0x16.
func AppendCRSFChannels(dst []byte, ch *[Channels]uint16) []byte {
	var b [packed]byte
	return AppendCRSF(dst, CRSFAddress, CRSFRCType, appendPacked(b[:0], ch))
}

// CRSFDecoder finds CRSF frames in a stream of bytes. Frames of other types
// than channels and link statistics are checked, counted and passed over.
type CRSFDecoder struct {
	s        stream
	channels func(*[Channels]uint16)
	link     func(CRSFLink)
	battery  func(CRSFBattery)
	mode     func(string)
	ch       [Channels]uint16
}

// Telemetry makes the decoder call these two, either of which may be nil, for
// battery sensors and flight modes. A mode's text has at most 60 bytes; what is no
// printable ASCII in it becomes "?".
func (d *CRSFDecoder) Telemetry(battery func(CRSFBattery), mode func(string)) {
	d.battery, d.mode = battery, mode
}

// NewCRSFDecoder returns a decoder that calls channels and link for each whole
// frame of that type; either may be nil. The channels are the decoder's own and
// good until the function returns.
func NewCRSFDecoder(channels func(*[Channels]uint16), link func(CRSFLink)) *CRSFDecoder {
	return &CRSFDecoder{channels: channels, link: link}
}

// Decode takes the next bytes of the stream.
func (d *CRSFDecoder) Decode(p []byte) { d.s.decode(d, p) }

// Counts tells how the stream went so far.
func (d *CRSFDecoder) Counts() Counts { return d.s.Counts }

func (d *CRSFDecoder) frame(b []byte) int {
	switch b[0] {
	case CRSFAddress, 0xEE, 0xEA, 0x00: // flight side, transmitter, handset, all
	default:
		return -1
	}
	if len(b) < 2 {
		return 0
	}
	n := int(b[1])
	if n < crsfMin || n > crsfMax {
		return -1
	}
	if len(b) >= 3 {
		// A known type with another length is refused before its bytes have
		// arrived, so that chance matches do not hold up the frames behind.
		switch {
		case b[2] == CRSFRCType && n != packed+2, b[2] == CRSFBatteryType && n != crsfBattery+2,
			b[2] == CRSFLinkType && n != crsfLinkPayload+2:
			return -1
		}
	}
	if len(b) < n+2 {
		return 0
	}
	body, crc := b[2:n+1], b[n+1]
	if crc8(dvbS2(), body) != crc {
		return -1
	}
	switch p := body[1:]; body[0] {
	case CRSFRCType:
		if d.channels != nil {
			unpack(&d.ch, p)
			d.channels(&d.ch)
		}
	case CRSFLinkType:
		if d.link != nil {
			d.link(CRSFLink{p[0], p[1], p[2], int8(p[3]), p[4], p[5], p[6], p[7], p[8], int8(p[9])})
		}
	case CRSFBatteryType:
		if d.battery != nil {
			d.battery(CRSFBattery{int16(p[0])<<8 | int16(p[1]), int16(p[2])<<8 | int16(p[3]),
				uint32(p[4])<<16 | uint32(p[5])<<8 | uint32(p[6]), p[7]})
		}
	case CRSFModeType:
		if d.mode != nil {
			d.mode(modeText(p))
		}
	}
	return n + 2
}

// modeText is the text of a flight mode frame.
func modeText(p []byte) string {
	var b strings.Builder
	for _, c := range p {
		if c == 0 {
			break
		}
		if c < ' ' || c > '~' {
			c = '?'
		}
		b.WriteByte(c)
	}
	return b.String()
}

// crc8Table is the table of an unreflected CRC-8 with initial value 0 and no
// final inversion, most significant bit first.
func crc8Table(poly byte) *[256]byte {
	var t [256]byte
	for i := range t {
		c := byte(i)
		for range 8 {
			if c&0x80 != 0 {
				c = c<<1 ^ poly
			} else {
				c <<= 1
			}
		}
		t[i] = c
	}
	return &t
}

// dvbS2 is CRC-8/DVB-S2, which guards a CRSF frame from its type to the end of
// its payload.
var dvbS2 = sync.OnceValue(func() *[256]byte { return crc8Table(0xD5) })

func crc8(t *[256]byte, b []byte) byte {
	var c byte
	for _, x := range b {
		c = t[c^x]
	}
	return c
}
