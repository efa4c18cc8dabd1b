package sim

import (
	"math"
	"time"
)

// Receiver output.
const (
	sbusPeriod = 7 * time.Millisecond
	crsfPeriod = time.Second / 150
	ibusPeriod = 7 * time.Millisecond
	sumdPeriod = 10 * time.Millisecond
	linkEvery  = 15 // CRSF slots between two link statistics: 10 Hz
	failsafe   = 500 * time.Millisecond
	backlog    = 160 // frames kept for a reader who comes late, about 4 kB as in a tty
	centreRaw  = 992
	lowRaw     = 172
	highRaw    = 1811
	fullRaw    = 819.2 // 512 us at 0.625 us
)

// receiver is the bound receiver with its serial output. Slot n is due n
// periods after the handset was loaded (give or take 20 us); in each slot one
// packet of the handset comes through or not.
type receiver struct {
	bench  *Bench
	format string
	period time.Duration
	base   time.Duration
	slot   uint64 // the next one
	stuck  bool
	last   []byte // what a stuck receiver repeats

	shafts  [4]shaft
	radio   channel
	heard   uint64 // slot of the last packet heard
	heardAt time.Duration
	ever    bool // a packet was heard since the handset was loaded
	quality float64
	held    [16]uint16
	heldOf  uint64 // slot of held
	key     uint64
}

func newReceiver(b *Bench) *receiver {
	r := &receiver{bench: b, format: "SBUS", period: sbusPeriod}
	r.neutral()
	return r
}

// neutral is what the receiver puts out before it has heard anything.
func (r *receiver) neutral() {
	for i := range r.held {
		r.held[i] = centreRaw
		if i >= 4 && i < 8 {
			r.held[i] = lowRaw
		}
	}
	r.ever, r.heldOf, r.quality = false, 0, 0
}

// bind begins anew with the handset just loaded.
func (r *receiver) bind(t time.Duration) {
	r.base, r.slot = t, 1
	r.neutral()
	r.key = r.bench.stream(hash("receiver"))
	r.radio = channel{key: r.key}
	r.bench.devices.board.radio = channel{key: r.bench.stream(hash("timer packets"))}
	r.bench.devices.board.packet = 0
	r.bench.devices.board.prune()
	a := r.bench.devices.attenuator
	a.steps = append(a.steps[:0], step{0, a.dB})
	tr := &r.bench.devices.sticks.track
	for i := range r.shafts {
		r.shafts[i] = shaft{axis: i, now: t, released: t}
		r.shafts[i].play.Width = r.bench.handset.Gimbals[i].Play
		if tr.clutch[0].held {
			r.shafts[i].held = true
			r.shafts[i].play.Out = tr.base[i]
		}
		r.shafts[i].clutch = 1
	}
}

// unbind goes on without a handset: what was not read yet is gone.
func (r *receiver) unbind(t time.Duration) {
	r.drop(t)
	r.ever = false
}

func (r *receiver) setFormat(format string, t time.Duration) {
	r.format, r.period = format, map[string]time.Duration{"SBUS": sbusPeriod, "CRSF": crsfPeriod, "iBUS": ibusPeriod,
		"SUMD": sumdPeriod}[format]
	r.base, r.slot = t, 1
}

// setPeriod makes the receiver send at another rate from now on.
func (r *receiver) setPeriod(period, t time.Duration) {
	r.period = period
	r.base, r.slot = t, 1
}

func (r *receiver) setStuck(stuck bool) { r.stuck = stuck }

func (r *receiver) receive(time.Duration, []byte) {} // it has no ears on this wire

func (r *receiver) due(n uint64) time.Duration {
	jitter := int64(mix(r.key^n)%40001) - 20000
	return r.base + time.Duration(n)*r.period + time.Duration(jitter)
}

func (r *receiver) next() (time.Duration, bool) { return r.due(r.slot), true }

// drop passes over the slots that are due, without making their frames.
func (r *receiver) drop(t time.Duration) {
	for r.due(r.slot) <= t {
		r.listen(r.slot, r.due(r.slot))
		r.slot++
	}
}

func (r *receiver) take(buf []byte, t time.Duration) []byte {
	r.drop(t - backlog*r.period)
	for {
		due := r.due(r.slot)
		if due > t {
			return buf
		}
		n := len(buf)
		if r.stuck && r.last != nil {
			buf = append(buf, r.last...)
		} else {
			buf = r.frame(buf, r.slot, due)
			if len(buf) > n {
				r.last = append(r.last[:0], buf[n:]...)
			}
		}
		r.slot++
	}
}

// listen says whether the packet of slot n is heard.
func (r *receiver) listen(n uint64, t time.Duration) bool {
	h := r.bench.handset
	ok := false
	if h != nil {
		s := r.bench.power.at(t)
		ok = s.phase == running && t >= s.start+duration(h.Link.Begin)
		ok = r.radio.heard(&h.Link, n, r.bench.devices.attenuator.at(t)) && ok
	}
	if ok {
		r.heard, r.heardAt, r.ever = n, t, true
		r.quality += (1 - r.quality) / 50
	} else {
		r.quality -= r.quality / 50
	}
	return ok
}

// sample works out what the packet of slot n says, as sampled a latency
// before it is due.
func (r *receiver) sample(n uint64) {
	h, b := r.bench.handset, r.bench
	r.heldOf = n
	t := r.due(n) - duration(h.Latency.draw(r.key^2, n))
	age := seconds(t - b.loadedAt)
	nz := noise{table: b.table, state: r.key ^ n<<8}
	for i := range h.Gimbals {
		g := &h.Gimbals[i]
		seed := r.key ^ uint64(i+1)<<56
		p := r.shafts[i].advance(g, seed, &b.devices.sticks.track, t)
		u := g.output(p, seed, n, age, &nz)
		r.held[i] = uint16(min(max(math.Round(centreRaw+fullRaw*u), 0), 2047))
	}
	for i, w := range h.Switches {
		on := b.devices.board.pressedAt(i, t)
		if w.Intermit > 0 && on {
			on = unit(w.bounceSeed, uint64(max(0, t-b.loadedAt)/(20*time.Millisecond))) >= w.Intermit
		}
		if w.Stuck {
			on = w.StuckOn
		}
		r.held[4+i] = lowRaw
		if on {
			r.held[4+i] = highRaw
		}
	}
}

// frame appends what the receiver sends in slot n.
func (r *receiver) frame(buf []byte, n uint64, t time.Duration) []byte {
	ok := r.listen(n, t)
	if ok {
		r.sample(n)
	} else if r.ever && r.heldOf != r.heard {
		r.sample(r.heard) // heard while nobody read, and held since
	}
	away := !r.ever || t-r.heardAt > failsafe
	switch r.format {
	case "SBUS":
		var flags byte
		if !ok {
			flags |= 1 << 2
			if away {
				flags |= 1 << 3
			}
		}
		return appendSBUS(buf, &r.held, flags)
	case "iBUS": // nothing, where nothing was heard
		if ok {
			buf = appendIBUS(buf, &r.held)
		}
		return buf
	case "SUMD":
		if ok {
			return appendSUMD(buf, &r.held, 0x01)
		}
		if away {
			return appendSUMD(buf, &r.held, 0x81)
		}
		return buf
	}
	if ok {
		var payload [22]byte
		buf = appendCRSF(buf, 0x16, appendChannels(payload[:0], &r.held))
	}
	if n%linkEvery == 0 {
		buf = appendCRSF(buf, 0x14, r.statistics(t))
	}
	return buf
}

// statistics is the payload of CRSF frame 0x14: uplink RSSI of both antennas
// (-dBm), quality (%), SNR (dB), antenna, profile, power, and the same of the
// way back.
func (r *receiver) statistics(t time.Duration) []byte {
	rssi, snr := 130.0, -20.0
	if h := r.bench.handset; h != nil && r.quality > 0.01 {
		level := h.Link.level(r.bench.devices.attenuator.at(t))
		rssi = min(max(-level, 0), 130)
		snr = min(max(level-h.Link.Sensitivity-8, -20), 12)
	}
	lq := byte(math.Round(100 * r.quality))
	return []byte{byte(rssi), byte(min(rssi+2, 130)), lq, byte(int8(snr)), 0, 5, 3, byte(rssi), lq, byte(int8(snr))}
}

// appendChannels packs 16 values of 11 bits, the least significant bit first.
func appendChannels(buf []byte, ch *[16]uint16) []byte {
	var bits uint32
	var have uint
	for _, v := range ch {
		bits |= uint32(v&0x7ff) << have
		have += 11
		for have >= 8 {
			buf = append(buf, byte(bits))
			bits >>= 8
			have -= 8
		}
	}
	return buf
}

// appendSBUS makes a frame of 25 bytes.
func appendSBUS(buf []byte, ch *[16]uint16, flags byte) []byte {
	buf = append(buf, 0x0f)
	buf = appendChannels(buf, ch)
	return append(buf, flags, 0x00)
}

// appendCRSF makes a frame: address, length of type to CRC, type, payload,
// CRC-8/DVB-S2 over type and payload.
func appendCRSF(buf []byte, kind byte, payload []byte) []byte {
	buf = append(buf, 0xc8, byte(len(payload)+2), kind)
	buf = append(buf, payload...)
	crc := dvb(0, kind)
	for _, c := range payload {
		crc = dvb(crc, c)
	}
	return append(buf, crc)
}

// dvb takes one byte into a CRC-8/DVB-S2 (polynomial D5).
func dvb(crc, c byte) byte {
	crc ^= c
	for range 8 {
		if crc&0x80 != 0 {
			crc = crc<<1 ^ 0xd5
		} else {
			crc <<= 1
		}
	}
	return crc
}

// pulse is a raw value in units of so many per microsecond.
func pulse(raw uint16, units float64) uint16 {
	return uint16(math.Round((0.625*float64(raw) + 880) * units))
}

// appendIBUS makes a frame of 32 bytes: its length, 0x40, 14 pulse widths in us,
// low byte first, and what is missing to 0xFFFF.
func appendIBUS(buf []byte, ch *[16]uint16) []byte {
	left := uint16(0xffff)
	add := func(b ...byte) {
		for _, x := range b {
			left -= uint16(x)
		}
		buf = append(buf, b...)
	}
	add(32, 0x40)
	for _, v := range ch[:14] {
		us := pulse(v, 1)
		add(byte(us&0xff), byte(us>>8))
	}
	return append(buf, byte(left&0xff), byte(left>>8))
}

// appendSUMD makes a frame of 16 channels: 0xA8, status, number, pulse widths in
// 1/8 us, high byte first, and a CRC-16 with 0x1021.
func appendSUMD(buf []byte, ch *[16]uint16, status byte) []byte {
	var crc uint16
	add := func(b ...byte) {
		for _, x := range b {
			for bit := 7; bit >= 0; bit-- {
				carry := crc>>15 != uint16(x>>bit)&1
				if crc <<= 1; carry {
					crc ^= 0x1021
				}
			}
		}
		buf = append(buf, b...)
	}
	add(0xa8, status, byte(len(ch)))
	for _, v := range ch {
		eighths := pulse(v, 8)
		add(byte(eighths>>8), byte(eighths&0xff))
	}
	return append(buf, byte(crc>>8), byte(crc&0xff))
}
