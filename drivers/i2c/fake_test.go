package i2c

import (
	"math"
	"sync"
	"syscall"

	"periph.io/x/conn/v3/physic"
)

// fakeBus has parts by address, written from the parts' data sheets: what a
// register does, not what the driver expects.
type fakeBus struct {
	mu     sync.Mutex
	parts  map[uint16]fakePart
	broken error // each transaction fails with it
	ones   bool  // each read gives ones, as a bus that nobody drives
	count  int
	closed bool
}

type fakePart interface{ tx(w, r []byte) }

func (b *fakeBus) String() string                  { return "fake" }
func (b *fakeBus) SetSpeed(physic.Frequency) error { return nil }
func (b *fakeBus) Close() error                    { b.closed = true; return nil }
func (b *fakeBus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.count++
	p := b.parts[addr]
	switch {
	case b.broken != nil:
		return b.broken
	case b.ones:
		for i := range r {
			r[i] = 0xFF
		}
		return nil
	case p == nil:
		return syscall.ENXIO
	}
	p.tx(w, r)
	return nil
}

// words is a part with registers of 16 bits, high byte first, and a pointer
// that the first byte written sets.
type words struct {
	at    byte
	regs  map[byte]uint16
	write func(reg byte, v uint16) // after it was stored
	read  func(reg byte)           // before it is read
}

func (p *words) tx(w, r []byte) {
	if len(w) > 0 {
		p.at = w[0]
	}
	if len(w) == 3 {
		p.regs[p.at] = uint16(w[1])<<8 | uint16(w[2])
		if p.write != nil {
			p.write(p.at, p.regs[p.at])
		}
	}
	for i := range r {
		if i%2 == 0 && p.read != nil {
			p.read(p.at)
		}
		r[i] = byte(p.regs[p.at] >> (8 - 8*(i%2)))
	}
}

// octets is a part with registers of 8 bits whose pointer counts up.
type octets struct {
	at    byte
	regs  [256]byte
	write func(reg, v byte) byte // what is stored
	read  func(reg byte) byte
}

func (p *octets) tx(w, r []byte) {
	if len(w) > 0 {
		p.at = w[0]
		for i, v := range w[1:] {
			reg := p.at + byte(i)
			if p.write != nil {
				v = p.write(reg, v)
			}
			p.regs[reg] = v
		}
	}
	for i := range r {
		reg := p.at + byte(i)
		r[i] = p.regs[reg]
		if p.read != nil {
			r[i] = p.read(reg)
		}
	}
}

// fakeTCS3472 counts light, given in counts a second at a gain of 1 (data sheet from
// memory): registers are reached through a command byte, an integration begins when
// AEN is set, and AVALID shows only in the second reading of the status after it.
func fakeTCS3472(perSecond *[4]float64) fakePart {
	p := &commands{}
	p.regs[0x12], p.regs[0x01] = 0x4D, 0xFF
	left := 0
	p.write = func(reg, v byte) byte {
		if reg != 0 {
			return v
		}
		if v&3 != 3 {
			p.regs[0x13] &^= 1
			return v
		}
		steps := 256 - int(p.regs[1])
		gain := [4]float64{1, 4, 16, 60}[p.regs[0x0F]&3]
		for i, rate := range perSecond {
			n := uint16(min(math.Round(rate*gain*0.0024*float64(steps)), float64(min(65535, 1024*steps))))
			p.regs[0x14+2*i], p.regs[0x15+2*i] = byte(n), byte(n>>8)
		}
		left = 1
		return v
	}
	p.read = func(reg byte) byte {
		if reg == 0x13 && p.regs[0]&3 == 3 {
			if left--; left < 0 {
				p.regs[0x13] |= 1
			}
		}
		return p.regs[reg]
	}
	return p
}

// commands are octets whose first byte says with bit 7 that it is a command, and with
// 01 in bits 6:5 that the pointer counts up; else it stays.
type commands struct{ octets }

func (p *commands) tx(w, r []byte) {
	stays := false
	if len(w) > 0 {
		if w[0]&0x80 == 0 {
			return // no command: nothing is written, and what is read is of before
		}
		stays = w[0]&0x60 == 0
		w = append([]byte{w[0] & 0x1F}, w[1:]...)
	}
	if stays && len(r) > 1 {
		p.octets.tx(w, r[:1])
		for i := range r {
			r[i] = r[0]
		}
		return
	}
	p.octets.tx(w, r)
}

// fakeADS1115 converts one of four voltages a command, as SBAS444 says: the
// result is clipped at full scale, OS reads 0 while it converts.
func fakeADS1115(volts *[4]float64, busy int) *words {
	p := &words{regs: map[byte]uint16{0: 0, 1: 0x8583, 2: 0x8000, 3: 0x7FFF}}
	left := 0
	p.write = func(reg byte, v uint16) {
		if reg != 1 || v&0x8000 == 0 {
			return
		}
		full := []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256}[v>>9&7]
		x := volts[v>>12&3] / full * 32768
		p.regs[0] = uint16(int16(min(max(x, -32768), 32767)))
		p.regs[1] = v &^ 0x8000
		left = busy
	}
	p.read = func(reg byte) {
		if reg != 1 {
			return
		}
		if left--; left < 0 {
			p.regs[1] |= 0x8000
		}
	}
	return p
}

// fakeINA226 measures a current through a shunt and a bus voltage (SBOS547).
func fakeINA226(amperes, volts *float64, shunt float64) *words {
	p := &words{regs: map[byte]uint16{0: 0x4127, 0xFE: 0x5449, 0xFF: 0x2260}}
	p.write = func(reg byte, v uint16) {
		if reg == 0 {
			p.regs[0] = v | 0x4000
			p.regs[6] |= 0x0008 // one conversion later
		}
	}
	p.read = func(reg byte) {
		p.regs[1] = uint16(int16(min(max(*amperes*shunt/2.5e-6, -32768), 32767)))
		p.regs[2] = uint16(*volts / 1.25e-3)
	}
	return p
}

// fakeINA219 measures the same with other steps (SBOS448): the shunt's register
// clips at the range, the bus's bit 1 says done, bit 0 too much.
func fakeINA219(amperes, volts *float64, shunt float64) *words {
	p := &words{regs: map[byte]uint16{0: 0x399F}}
	p.read = func(reg byte) {
		full := []float64{0.04, 0.08, 0.16, 0.32}[p.regs[0]>>11&3]
		p.regs[1] = uint16(int16(min(max(*amperes*shunt, -full), full) / 10e-6))
		p.regs[2] = uint16(*volts/4e-3)<<3 | 2
	}
	return p
}

// fakeMCP23017 has 16 pins with loads: what drives a pin that is an input, and
// pins that are shorted.
type fakeMCP23017 struct {
	octets
	outside, shorted uint16 // levels from outside; pins that outside wins at
}

func newMCP23017() *fakeMCP23017 {
	p := &fakeMCP23017{}
	p.regs[0], p.regs[1] = 0xFF, 0xFF
	p.octets.read = func(reg byte) byte {
		switch reg {
		case 0x12:
			return byte(p.pins())
		case 0x13:
			return byte(p.pins() >> 8)
		}
		return p.regs[reg]
	}
	p.octets.write = func(reg, v byte) byte {
		if reg == 0x12 || reg == 0x13 { // a write to the port is one to the latch
			p.regs[reg+2] = v
		}
		return v
	}
	return p
}

func (p *fakeMCP23017) pins() uint16 {
	in := uint16(p.regs[0]) | uint16(p.regs[1])<<8
	latch := uint16(p.regs[0x14]) | uint16(p.regs[0x15])<<8
	outside := in | p.shorted
	return latch&^outside | p.outside&outside
}

// fakePCF8574 pulls down, or up weakly.
type fakePCF8574 struct{ latch, low byte } // low: pins that the outside pulls down

func newPCF8574() *fakePCF8574 { return &fakePCF8574{latch: 0xFF} }
func (p *fakePCF8574) tx(w, r []byte) {
	for _, v := range w {
		p.latch = v
	}
	for i := range r {
		r[i] = p.latch &^ p.low
	}
}

// newPCA9685 keeps what is written; all-call registers set every output and read
// as zero, the prescaler can be set only while asleep.
func newPCA9685() *octets {
	p := &octets{}
	p.regs[0], p.regs[1], p.regs[0xFE] = 0x11, 0x04, 0x1E
	p.write = func(reg, v byte) byte {
		switch {
		case reg >= 0xFA && reg <= 0xFD:
			for out := range 16 {
				p.regs[6+4*out+int(reg-0xFA)] = v
			}
			return 0
		case reg == 0xFE && p.regs[0]&0x10 == 0:
			return p.regs[0xFE]
		}
		return v
	}
	return p
}

// fakeMCP4725 holds a value and two bits of power-down.
type fakeMCP4725 struct{ value uint16 }

func (p *fakeMCP4725) tx(w, r []byte) {
	if len(w) == 2 && w[0]&0xC0 == 0 {
		p.value = uint16(w[0])<<8 | uint16(w[1])
	}
	b := []byte{0xC0 | byte(p.value>>12&3)<<1, byte(p.value >> 4), byte(p.value << 4), 0, 0}
	copy(r, b)
}
