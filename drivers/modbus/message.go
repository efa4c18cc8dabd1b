package modbus

import (
	"encoding/binary"
	"fmt"

	"fullthrow/drivers"
)

// Function codes, MODBUS Application Protocol V1.1b3.
const (
	readCoils          = 0x01 // 6.1
	readInputs         = 0x02 // 6.2
	readRegisters      = 0x03 // 6.3
	readInputRegisters = 0x04 // 6.4
	writeSingleCoil    = 0x05 // 6.5
	writeRegister      = 0x06 // 6.6
	writeCoils         = 0x0F // 6.11
	exceptionBit       = 0x80 // of the function code in an exception reply, 7
)

// writes says that a function is answered by address and value or number, and not
// by a count of bytes and those.
func writes(function byte) bool {
	return function == writeSingleCoil || function == writeRegister || function == writeCoils
}

const (
	coilOn  = 0xFF00
	coilOff = 0x0000
)

// crc16 is the CRC of MODBUS over Serial Line V1.02, 6.2.2: polynomial 8005
// reflected, begun with FFFF. Of nothing it is FFFF; over a message with its own
// CRC it is 0.
func crc16(p []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range p {
		crc ^= uint16(b)
		for range 8 {
			if crc&1 != 0 {
				crc = crc>>1 ^ 0xA001
			} else {
				crc >>= 1
			}
		}
	}
	return crc
}

// message is address, function code, data and CRC, low byte first.
func message(address, function byte, data ...byte) []byte {
	f := append([]byte{address, function}, data...)
	return binary.LittleEndian.AppendUint16(f, crc16(f))
}

// question is function code and data of a request with two 16-bit fields,
// big-endian.
func question(function byte, a, b uint16) []byte {
	return []byte{function, byte(a >> 8), byte(a), byte(b >> 8), byte(b)}
}

// coilsQuestion is that of function 15: levels from address a on, lowest first
// (V1.1b3, 6.11).
func coilsQuestion(a uint16, levels []bool) []byte {
	q := append(question(writeCoils, a, uint16(len(levels))), byte((len(levels)+7)/8))
	q = append(q, make([]byte, (len(levels)+7)/8)...)
	for i, on := range levels {
		if on {
			q[6+i/8] |= 1 << (i % 8)
		}
	}
	return q
}

// request is a message with two 16-bit fields.
func request(address, function byte, a, b uint16) []byte {
	return message(address, function, byte(a>>8), byte(a), byte(b>>8), byte(b))
}

// replyLength is how long a reply that begins with head is, CRC included; 0 if
// head is too short to tell, negative if it can be no reply to that request.
func replyLength(head []byte, function byte) int {
	if len(head) < 2 {
		return 0
	}
	switch head[1] {
	case function | exceptionBit:
		return 5
	case function:
		if writes(function) {
			return 8
		}
		if len(head) < 3 {
			return 0
		}
		return 3 + int(head[2]) + 2
	}
	return -1
}

// exceptions has the words of V1.1b3, 7.
var exceptions = map[byte]string{
	0x01: "illegal function",
	0x02: "illegal data address",
	0x03: "illegal data value",
	0x04: "server device failure",
	0x05: "acknowledge: it is still at work",
	0x06: "server device busy",
	0x08: "memory parity error",
	0x0A: "gateway path unavailable",
	0x0B: "gateway target device failed to respond",
}

// fault is what is wrong with a reply; it becomes a drivers.Error when the
// device and what was asked of it are known.
type fault struct {
	kind drivers.Kind
	text string
}

func (f *fault) Error() string { return f.text }

// checkReply checks a whole reply to a request and returns its data: what
// stands between function code and CRC.
func checkReply(sent, got []byte) ([]byte, *fault) {
	switch {
	case len(got) < 5:
		return garbled(got, "a reply of %d bytes", len(got))
	case crc16(got) != 0:
		return garbled(got, "wrong CRC")
	}
	return checkBody(sent, got[:len(got)-2])
}

func garbled(got []byte, format string, args ...any) ([]byte, *fault) {
	return nil, &fault{drivers.Garbled, fmt.Sprintf(format, args...) + fmt.Sprintf(": % X", got)}
}

// checkBody checks address, function code and data of a reply, and returns the
// data.
func checkBody(sent, got []byte) ([]byte, *fault) {
	switch {
	case len(got) < 3:
		return garbled(got, "a reply of %d bytes", len(got))
	case got[0] != sent[0]:
		return garbled(got, "a reply of address %d, asked was %d", got[0], sent[0])
	case got[1] == sent[1]|exceptionBit:
		words := exceptions[got[2]]
		if words == "" {
			words = "not in the standard"
		}
		return nil, &fault{drivers.Refused, fmt.Sprintf("exception %d, %s", got[2], words)}
	case got[1] != sent[1]:
		return garbled(got, "a reply to function %d, asked was %d", got[1], sent[1])
	}
	return got[2:], nil
}

// registers takes n registers from the data of a reply to FC 03 or 04.
func registers(data []byte, n int) ([]uint16, *fault) {
	if len(data) != 1+2*n || int(data[0]) != 2*n {
		return nil, &fault{drivers.Garbled, fmt.Sprintf("%d registers asked, the reply has %d bytes", n, len(data)-1)}
	}
	list := make([]uint16, n)
	for i := range list {
		list[i] = binary.BigEndian.Uint16(data[1+2*i:])
	}
	return list, nil
}

// bits takes n bits, lowest first, from the data of a reply to FC 01 or 02.
func bits(data []byte, n int) ([]bool, *fault) {
	if want := (n + 7) / 8; len(data) != 1+want || int(data[0]) != want {
		return nil, &fault{drivers.Garbled, fmt.Sprintf("%d bits asked, the reply has %d bytes", n, len(data)-1)}
	}
	b := make([]bool, n)
	for i := range b {
		b[i] = data[1+i/8]>>(i%8)&1 != 0
	}
	return b, nil
}
