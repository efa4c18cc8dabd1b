package receiver

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
var dvbS2 = crc8Table(0xD5)

func crc8(t *[256]byte, b []byte) byte {
	var c byte
	for _, x := range b {
		c = t[c^x]
	}
	return c
}
