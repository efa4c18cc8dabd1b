package receiver

// Raw values of SBUS and CRSF, which share 16 channels of 11 bits.
const (
	Channels  = 16
	RawLow    = 172  // 987.5 us, -100 %
	RawCentre = 992  // 1500 us
	RawHigh   = 1811 // 2011.875 us, +100 %

	// Gain and Offset turn a raw value into microseconds.
	Gain   = 0.625
	Offset = 880.0
)

const packed = Channels * 11 / 8 // bytes

// unpack takes 16 values of 11 bits, least significant bit first, from the
// first 22 bytes of b.
func unpack(dst *[Channels]uint16, b []byte) {
	_ = b[packed-1]
	var acc uint32
	var bits, k uint
	for i := range dst {
		for bits < 11 {
			acc |= uint32(b[k]) << bits
			k++
			bits += 8
		}
		dst[i] = uint16(acc & 0x7FF)
		acc >>= 11
		bits -= 11
	}
}

// appendPacked is the reverse of unpack. Values above 2047 lose their upper
// bits.
func appendPacked(dst []byte, ch *[Channels]uint16) []byte {
	var acc uint32
	var bits uint
	for _, v := range ch {
		acc |= uint32(v&0x7FF) << bits
		bits += 11
		for bits >= 8 {
			dst = append(dst, byte(acc))
			acc >>= 8
			bits -= 8
		}
	}
	return dst
}
