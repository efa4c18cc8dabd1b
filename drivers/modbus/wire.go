package modbus

// CRC is the check sum of a message, sent low byte first (MODBUS over Serial Line
// V1.02, 6.2.2); of a message with its check sum it is 0.
func CRC(p []byte) uint16 { return crc16(p) }

// Message is address, function code, data and check sum as they are sent.
func Message(address, function byte, data ...byte) []byte { return message(address, function, data...) }

// ParseBits takes n coils or inputs, lowest address first, out of the reply to a
// request with function code 01 or 02.
func ParseBits(request, reply []byte, n int) ([]bool, error) {
	if len(request) < 2 {
		return nil, &fault{text: "a request without function code"}
	}
	data, bad := checkReply(request, reply)
	if bad != nil {
		return nil, bad
	}
	levels, bad := bits(data, n)
	if bad != nil {
		return nil, bad
	}
	return levels, nil
}
