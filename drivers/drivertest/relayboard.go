package drivertest

import (
	"encoding/binary"
	"io"
	"sync"
	"time"
)

// RelayBoard is a server of the MODBUS Application Protocol V1.1b3 with coils,
// discrete inputs, holding and input registers, at the far end of a wire: RTU
// messages (MODBUS over Serial Line V1.02, 2.5) or Modbus TCP (Messaging on TCP/IP
// V1.0b, 3.1). It knows no driver.
type RelayBoard struct {
	Unit      byte            // address that it answers to
	TCP       bool            // MBAP header, no CRC
	Functions map[byte]bool   // nil: all of 1 to 6 and 15
	Coils     map[uint16]bool // what is not in a map is no address of the board
	Inputs    map[uint16]bool
	Registers map[uint16]uint16
	Readings  map[uint16]uint16 // input registers
	Delay     time.Duration
	// Waits: on a serial line, it takes what follows a message to another board for
	// that board's reply, whoever sent it.
	Waits  bool
	Before func() // called before each message; optional

	mu    sync.Mutex
	fault string
	heard []byte // function codes
	skip  bool   // the next message: see Waits
}

// SetFault breaks it from now on: see [InstrumentFaults].
func (b *RelayBoard) SetFault(f string) { b.mu.Lock(); b.fault = f; b.mu.Unlock() }

// Functioned lists the function codes asked for so far.
func (b *RelayBoard) Functioned() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]byte(nil), b.heard...)
}

// Do has f look at the board while it is at rest.
func (b *RelayBoard) Do(f func()) { b.mu.Lock(); defer b.mu.Unlock(); f() }

// Serve is the board's side of a connection, until that ends.
func (b *RelayBoard) Serve(c io.ReadWriteCloser) {
	defer c.Close()
	var got []byte
	buf := make([]byte, 512)
	for {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		got = append(got, buf[:n]...)
		for {
			size := b.size(got)
			if size == 0 || len(got) < size {
				break
			}
			message := got[:size]
			got = got[size:]
			if b.Before != nil {
				b.Before()
			}
			b.mu.Lock()
			fault := b.fault
			reply := b.answer(message)
			b.mu.Unlock()
			if fault == FaultGone {
				return
			}
			reply = damaged(fault, message, reply)
			time.Sleep(b.Delay)
			if fault == FaultSlow {
				time.Sleep(6 * time.Second)
			}
			if len(reply) > 0 {
				if _, err := c.Write(reply); err != nil {
					return
				}
			}
		}
	}
}

// damaged is a reply as the fault leaves it.
func damaged(fault string, message, reply []byte) []byte {
	if len(reply) == 0 {
		return nil
	}
	switch fault {
	case FaultSilent:
		return nil
	case FaultGarbled:
		for k := range reply {
			reply[k] ^= 0x15 << (k % 2)
		}
	case FaultPartial:
		return reply[:len(reply)/2]
	case FaultEchoing:
		return append(append([]byte(nil), message...), reply...)
	case FaultPrompting:
		return append([]byte("> "), reply...)
	case FaultUnsolicited:
		return append([]byte{0, 0, 0, 0, 0, 1, 0x2A}, reply...)
	}
	return reply
}

// size is how long the message is that got begins with, 0 if that cannot be told.
func (b *RelayBoard) size(got []byte) int {
	if b.TCP {
		if len(got) < 6 {
			return 0
		}
		return 6 + int(binary.BigEndian.Uint16(got[4:]))
	}
	switch {
	case len(got) < 2:
		return 0
	case got[1] != 15 && got[1] != 16:
		return 8
	case len(got) < 7:
		return 0
	}
	return 9 + int(got[6])
}

// sum is the check sum of a serial line, in the reference's own way: bit by bit
// (MODBUS over Serial Line V1.02, 6.2.2).
func sum(p []byte) (crc uint16) {
	for crc = 0xFFFF; len(p) > 0; p = p[1:] {
		crc ^= uint16(p[0])
		for range 8 {
			low := crc & 1
			if crc >>= 1; low == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// answer carries out one message.
func (b *RelayBoard) answer(message []byte) []byte {
	body := message
	if b.TCP {
		if message[2] != 0 || message[3] != 0 || len(message) < 8 {
			return nil
		}
		body = message[6:]
	} else {
		n := len(message) - 2
		if sum(message[:n]) != uint16(message[n])|uint16(message[n+1])<<8 {
			return nil
		}
		body = message[:n]
	}
	if b.skip {
		b.skip = false
		return nil
	}
	if body[0] != b.Unit {
		b.skip = b.Waits
		return nil
	}
	pdu := b.carryOut(body[1:])
	if b.TCP {
		head := append([]byte(nil), message[:4]...)
		head = binary.BigEndian.AppendUint16(head, uint16(1+len(pdu)))
		return append(append(head, b.Unit), pdu...)
	}
	out := append([]byte{b.Unit}, pdu...)
	crc := sum(out)
	return append(out, byte(crc), byte(crc>>8))
}

// carryOut answers function code and data by V1.1b3, chapter 6; exceptions by 7.
func (b *RelayBoard) carryOut(q []byte) []byte {
	f := q[0]
	b.heard = append(b.heard, f)
	no := func(code byte) []byte { return []byte{f | 0x80, code} }
	if b.Functions != nil && !b.Functions[f] {
		return no(1)
	}
	if len(q) < 5 {
		return no(3)
	}
	a, v := binary.BigEndian.Uint16(q[1:]), binary.BigEndian.Uint16(q[3:])
	switch f {
	case 1, 2:
		from := map[byte]map[uint16]bool{1: b.Coils, 2: b.Inputs}[f]
		if v < 1 || v > 2000 {
			return no(3)
		}
		out := make([]byte, (v+7)/8)
		for k := range v {
			on, ok := from[a+k]
			if !ok {
				return no(2)
			}
			if on {
				out[k/8] |= 1 << (k % 8)
			}
		}
		return append([]byte{f, byte(len(out))}, out...)
	case 3, 4:
		from := map[byte]map[uint16]uint16{3: b.Registers, 4: b.Readings}[f]
		if v < 1 || v > 125 {
			return no(3)
		}
		out := []byte{f, byte(2 * v)}
		for k := range v {
			x, ok := from[a+k]
			if !ok {
				return no(2)
			}
			out = binary.BigEndian.AppendUint16(out, x)
		}
		return out
	case 5:
		if v != 0 && v != 0xFF00 {
			return no(3)
		}
		if _, ok := b.Coils[a]; !ok {
			return no(2)
		}
		if b.fault != FaultStuck {
			b.Coils[a] = v == 0xFF00
		}
		return q[:5]
	case 6:
		if _, ok := b.Registers[a]; !ok {
			return no(2)
		}
		if b.fault != FaultStuck {
			b.Registers[a] = v
		}
		return q[:5]
	case 15:
		if v < 1 || v > 0x7B0 || len(q) < 6 || int(q[5]) != (int(v)+7)/8 || len(q) != 6+int(q[5]) {
			return no(3)
		}
		for k := range v {
			if _, ok := b.Coils[a+k]; !ok {
				return no(2)
			}
		}
		for k := range v {
			if b.fault != FaultStuck {
				b.Coils[a+k] = q[6+k/8]>>(k%8)&1 == 1
			}
		}
		return q[:5]
	}
	return no(1)
}
