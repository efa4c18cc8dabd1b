package receiver

import (
	"context"
	"slices"
	"sort"
	"strings"
	"time"

	"fullthrow/drivers"
)

// Options says what the receiver sends.
type Options struct {
	Format string // "SBUS", "CRSF", "iBUS" or "SUMD"
	// Period is the time between channel frames where it is known, which it need not
	// be: 0 measures it from each capture.
	Period time.Duration
}

// format is a row of the table of formats.
type format struct {
	period time.Duration // usual
	wire   time.Duration // one channel frame takes on the wire
	proof  time.Duration // a receiver that is there sends a frame within this time, always
	steady bool          // one frame each period, whatever is heard
	quiet  bool          // nothing may come while no handset is heard
	// values per frame, at most, and what a raw value is in us
	channels     int
	gain, offset float64
	// checked: a frame has a check sum, and what was damaged inside one is known.
	checked bool
	least   time.Duration // no receiver sends frames closer to each other; 0: nine tenths of the period
	hint    string        // when bytes come and no frame
	// inverted is what a port hears first of a frame whose line is upside down.
	inverted byte
	decode   func(*capture) decoder
}

type decoder interface {
	Decode([]byte)
	Counts() Counts
}

func formats() map[string]format {
	return map[string]format{
		"SBUS": {
			period:   7 * time.Millisecond, // or 9, or 14, by receiver
			wire:     3 * time.Millisecond,
			proof:    100 * time.Millisecond,
			steady:   true,
			channels: Channels, gain: Gain, offset: Offset,
			hint:     "SBUS is 100000 baud, 8E2, inverted: check the port's settings and the adapter",
			inverted: 0xF8,
			decode: func(c *capture) decoder {
				return NewSBUSDecoder(func(f *SBUSFrame) { c.channels(f.Channels[:], f.Lost, f.Failsafe) })
			},
		},
		"CRSF": {
			period:   time.Second / 150, // 50 to 500 Hz, changing in flight
			wire:     625 * time.Microsecond,
			checked:  true,
			channels: Channels, gain: Gain, offset: Offset,
			proof:    250 * time.Millisecond, // link statistics at 10 Hz, one of which may be damaged
			least:    2 * time.Millisecond,   // 500 Hz
			hint:     "CRSF is 416666 or 400000 baud (420000 with many receivers), 8N1: check the port's settings",
			inverted: 0xE3,
			decode: func(c *capture) decoder {
				d := NewCRSFDecoder(func(ch *[Channels]uint16) { c.channels(ch[:], false, false) }, c.link)
				d.Telemetry(c.battery, c.mode)
				return d
			},
		},
		"iBUS": {
			period:   7 * time.Millisecond,
			wire:     2778 * time.Microsecond,
			checked:  true,
			quiet:    true,
			channels: IBUSChannels, gain: 1,
			proof:    100 * time.Millisecond,
			least:    3 * time.Millisecond,
			hint:     "iBUS is 115200 baud, 8N1, not inverted: check the port's settings, and that it is the servo output",
			inverted: 0xFB,
			decode: func(c *capture) decoder {
				return NewIBUSDecoder(func(ch *[IBUSChannels]uint16) { c.channels(ch[:], false, false) })
			},
		},
		"SUMD": {
			period:   10 * time.Millisecond,
			wire:     1042 * time.Microsecond, // three bytes, two channels of two, and two
			checked:  true,
			quiet:    true,
			channels: SUMDChannels, gain: SUMDGain,
			proof:    100 * time.Millisecond,
			least:    3 * time.Millisecond,
			hint:     "SUMD is 115200 baud, 8N1, not inverted: check the port's settings",
			inverted: 0xA5,
			decode: func(c *capture) decoder {
				return NewSUMDDecoder(func(f *SUMDFrame) { c.channels(f.Channels, false, f.Failsafe) })
			},
		},
	}
}

const stallHint = "the receiver sends always, with or without a handset: it or its adapter stood still. Check its " +
	"power, its plug and the adapter"

const silentHint = "the receiver itself sends nothing, with or without a handset: check its power, its cable and " +
	"its port"

// Receiver is a receiver's serial output.
type Receiver struct {
	name   string
	port   drivers.Port
	clock  drivers.Clock
	format string
	row    format
	period time.Duration // given, or 0
	guard  drivers.Guard
}

var _ drivers.Receiver = (*Receiver)(nil)

// Open returns the receiver behind port. It sends nothing and does not wait.
func Open(name string, port drivers.Port, clock drivers.Clock, o Options) (*Receiver, error) {
	row, ok := formats()[o.Format]
	if !ok {
		if o.Format == "PPM" {
			return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "PPM does not come over a serial port").
				WithHint("PPM is read from a GPIO input")
		}
		known := make([]string, 0, len(formats()))
		for f := range formats() {
			known = append(known, f)
		}
		sort.Strings(known)
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "unknown format %q, known are %s", o.Format,
			strings.Join(known, ", "))
	}
	if o.Period < 0 || o.Period > time.Second {
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "a period of %v", o.Period)
	}
	if o.Period > 0 {
		row.period = o.Period
	}
	return &Receiver{name: name, port: port, clock: clock, format: o.Format, row: row, period: o.Period,
		guard: drivers.NewGuard(clock)}, nil
}

func (r *Receiver) String() string { return r.name }

// Ready waits for one frame: any frame of a whole receiver, whether or not it
// hears a handset (100 ms with SBUS, 250 ms with CRSF).
func (r *Receiver) Ready(ctx context.Context) (string, error) {
	const op = "wait for a frame"
	if err := r.guard.Enter(ctx); err != nil {
		return "", drivers.Wrap(r.name, op, drivers.Ended(ctx, err))
	}
	defer r.guard.Leave()
	c := r.begin(0)
	if err := r.listen(ctx, c, r.row.proof, true); err != nil {
		return "", drivers.Wrap(r.name, op, err)
	}
	if err := r.alive(c, r.row.proof); err != nil {
		return "", drivers.Wrap(r.name, op, err)
	}
	if c.bytes == 0 {
		return "", nil // silent, as it may be without a handset
	}
	return r.format + " frames", nil
}

// Safe does nothing: a receiver only listens.
func (r *Receiver) Safe(context.Context) error { return nil }

// Close gives the port back.
func (r *Receiver) Close() error { return r.port.Close() }

// Record takes every frame that ends within the duration over; what was
// received before is dropped. A line without a byte, or without a whole frame
// in spite of bytes, is an error: see the package comment. Where over is too
// short to tell, it listens on (without recording) until it can tell.
func (r *Receiver) Record(ctx context.Context, over time.Duration) (drivers.Frames, error) {
	const op = "record"
	if over <= 0 {
		return drivers.Frames{}, drivers.Errorf(r.name, op, drivers.OutOfRange, "duration of %v", over)
	}
	if err := r.guard.Enter(ctx); err != nil {
		return drivers.Frames{}, drivers.Wrap(r.name, op, drivers.Ended(ctx, err))
	}
	defer r.guard.Leave()
	out, err := r.record(ctx, over)
	if err != nil {
		return drivers.Frames{}, drivers.Wrap(r.name, op, err)
	}
	return out, nil
}

func (r *Receiver) record(ctx context.Context, over time.Duration) (drivers.Frames, error) {
	c := r.begin(over)
	if err := r.listen(ctx, c, over, false); err != nil {
		return drivers.Frames{}, err
	}
	c.settle(r.period)
	out, listened := c.out, over
	n := c.decoder.Counts()
	out.Damaged, out.SkippedBytes = n.Damaged, n.Skipped
	if n.Frames == 0 && over < r.row.proof {
		listened = r.row.proof
		if err := r.listen(ctx, c, listened, true); err != nil {
			return drivers.Frames{}, err
		}
		c.settle(r.period)
	}
	if stood := drivers.Stalled(r.clock, out.Start, r.clock.Now()); stood > lateRead {
		return drivers.Frames{}, drivers.LateError("", "", "the computer stood still for %v",
			stood.Round(time.Millisecond))
	}
	if err := r.alive(c, listened); err != nil {
		return drivers.Frames{}, err
	}
	if err := r.undamaged(c, out); err != nil {
		return drivers.Frames{}, err
	}
	if err := r.steady(c, listened); err != nil {
		return drivers.Frames{}, err
	}
	keep(&out)
	if r.row.steady {
		if err := whole(out, c.period); err != nil {
			return drivers.Frames{}, err
		}
		punctual(out.Frames)
		keep(&out)
	}
	return out, nil
}

// keep drops what came before the beginning or after the end.
func keep(f *drivers.Frames) {
	for len(f.Frames) > 0 && f.Frames[0].At < 0 {
		f.Frames = f.Frames[1:]
	}
	for k := len(f.Frames); k > 0 && f.Frames[k-1].At > f.Length; k-- {
		f.Frames = f.Frames[:k-1]
	}
	for k := len(f.Battery); k > 0 && f.Battery[k-1].At > f.Length; k-- {
		f.Battery = f.Battery[:k-1]
	}
	for k := len(f.Modes); k > 0 && f.Modes[k-1].At > f.Length; k-- {
		f.Modes = f.Modes[:k-1]
	}
	for k := len(f.Link); k > 0 && f.Link[k-1].At > f.Length; k-- {
		f.Link = f.Link[:k-1]
	}
}

// steady is the error of a receiver that stood still for longer than it may, in
// the capture or at its end: what it would have heard then is not known, so
// nothing that was lost in it is the handset's loss. And of bytes that were held
// up on their way for longer than their times can be told.
func (r *Receiver) steady(c *capture, listened time.Duration) error {
	c.quiet(listened)
	if c.gap > r.row.proof && !r.row.quiet {
		return drivers.Errorf("", "", drivers.NoReply, "not a byte for %v, from %v on", c.gap.Round(time.Millisecond),
			c.gapAt.Round(time.Millisecond)).
			WithHint(stallHint)
	}
	if c.old > lateOld {
		return drivers.LateError("", "", "%v of frames came at %v in less time than they last: they were held up "+
			"on their way", c.old.Round(time.Millisecond), c.oldAt.Round(time.Millisecond))
	}
	if c.atOnce > lateAtOnce && !r.row.steady {
		return drivers.LateError("", "", "frames of %v came at once, at %v: they were held up on their way",
			c.atOnce.Round(time.Millisecond), c.atOnceAt.Round(time.Millisecond))
	}
	return nil
}

// undamaged is the error of a capture that was damaged on its way from the
// receiver: radio loses whole packets, and the receiver says so; a byte is only
// ever changed or lost on the wire. Where frames have no check sum, one damaged
// in sight stands for several damaged out of sight.
func (r *Receiver) undamaged(c *capture, f drivers.Frames) error {
	if s, ok := c.decoder.(interface{ Astray() bool }); ok && s.Astray() {
		return drivers.Errorf("", "", drivers.Garbled, "%s frames seem to begin in the middle of what is sent", r.format).
			WithHint("the values repeat, and fit at a wrong place too: move a stick, or check the cable and its ground")
	}
	damaged, all := f.Damaged, len(f.Frames)+f.Damaged
	if damaged == 0 && !r.row.checked {
		damaged = scattered(f.Frames)
	}
	if damaged == 0 {
		return nil
	}
	return drivers.Errorf("", "", drivers.Garbled, "%d of %d frames were damaged on the wire", damaged, all).
		WithHint(wireHint)
}

const invertedHint = "turn the line round once more, or once less: SBUS is idle low on the wire and needs an adapter " +
	"that inverts its input (set so, or one transistor) unless the receiver's output is not inverted; CRSF, iBUS and SUMD " +
	"are idle high and need none"

// silence is what no frame has within, and every receiver of at most 140 Hz
// between two.
const silence = 2 * time.Millisecond

const wireHint = "what the radio loses is marked by the receiver; bytes are damaged only between the receiver and this " +
	"computer: check that cable, its ground, the baud rate and the adapter"

// alive is the error of a receiver that has not sent one whole frame.
func (r *Receiver) alive(c *capture, listened time.Duration) error {
	switch {
	case c.decoder.Counts().Frames > 0:
		return nil
	case c.bytes == 0 && r.row.quiet:
		return nil
	case c.bytes == 0:
		return drivers.Errorf("", "", drivers.NoReply, "not a byte in %v", listened).WithHint(silentHint)
	case c.bursts >= 5 && 4*c.upsideDown >= 3*c.bursts:
		return drivers.Errorf("", "", drivers.Garbled, "the signal looks inverted: %d of %d bursts of bytes begin with "+
			"0x%02X, and no whole %s frame came", c.upsideDown, c.bursts, r.row.inverted, r.format).
			WithHint(invertedHint)
	default:
		return drivers.Errorf("", "", drivers.Garbled, "%d bytes in %v and not one whole %s frame", c.bytes, listened,
			r.format).
			WithHint(r.row.hint)
	}
}

func (r *Receiver) begin(over time.Duration) *capture {
	c := &capture{row: r.row, period: r.row.period}
	n := int(over/r.row.period) + 2
	c.out = drivers.Frames{Length: over, Format: r.format, Gain: r.row.gain, Offset: r.row.offset, Period: r.period}
	if over > 0 {
		c.out.Frames = make([]drivers.Frame, 0, n)
		c.values = make([]uint16, 0, n*r.row.channels)
	}
	c.decoder = r.row.decode(c)
	for range beginTries {
		before := r.clock.Now()
		// A port that cannot discard is gone; the first read will say how.
		_ = r.port.Discard()
		// What comes between the two counts as come at the second.
		if c.out.Start = r.clock.Now(); c.out.Start.Sub(before) <= r.row.period {
			break
		}
	}
	return c
}

// listen decodes what arrives until over has passed since the capture's start,
// and what is there then and is read late; with first, until the first whole
// frame.
func (r *Receiver) listen(ctx context.Context, c *capture, over time.Duration, first bool) error {
	var buf [4096]byte
	for {
		if first && c.decoder.Counts().Frames > 0 {
			return context.Cause(ctx)
		}
		left := over - r.clock.Now().Sub(c.out.Start)
		n, err := r.port.Read(ctx, buf[:], max(0, left))
		if err = drivers.Ended(ctx, err); err != nil {
			if drivers.KindOf(err) != drivers.NoReply {
				return err
			}
			if left <= 0 {
				return context.Cause(ctx)
			}
			continue
		}
		at := r.clock.Now().Sub(c.out.Start)
		c.bytes += n
		c.read(buf[:n], at)
		if at > over && n < len(buf) {
			return context.Cause(ctx)
		}
	}
}

// reading is what one read brought.
type reading struct {
	at            time.Duration
	frames, links int // how many there were before
	whole         int // frames of any type in it
}

// capture collects the frames of one Record.
type capture struct {
	out     drivers.Frames
	decoder decoder
	row     format
	period  time.Duration // as far as known
	values  []uint16      // backing of every frame's channels
	bytes   int
	reads   []reading
	settled int           // of them
	now     time.Duration // of the read under way

	bursts     int // reads after a silence
	upsideDown int // of them, that begin as a frame does on an inverted line

	frames     int           // channel frames before the present read
	heard      time.Duration // until when bytes came
	gap, gapAt time.Duration // the longest time without a byte, and its begin

	last       time.Duration // read before
	ahead      time.Duration // by how much more frames came than the time since can have brought
	old, oldAt time.Duration // the most of that, and when
	atOnce     time.Duration // the longest stretch whose frames came in one read
	atOnceAt   time.Duration
}

// quiet notes that no byte came from the last one to end.
func (c *capture) quiet(end time.Duration) {
	if gap := end - c.heard; gap > c.gap {
		c.gap, c.gapAt = gap, c.heard
	}
}

// read decodes what came at a moment. Its frames are placed in time by settle,
// when the time between them is known.
func (c *capture) read(p []byte, at time.Duration) {
	r := reading{at: at, frames: len(c.out.Frames), links: len(c.out.Link)}
	if n := len(c.reads); n == 0 || at-c.reads[n-1].at >= silence {
		c.bursts++
		if len(p) > 0 && p[0] == c.row.inverted {
			c.upsideDown++
		}
		if s, ok := c.decoder.(interface{ Silence(byte) }); ok && n > 0 && len(p) > 0 {
			s.Silence(p[0])
		}
	}
	c.now = at
	whole := c.decoder.Counts().Frames
	c.decoder.Decode(p)
	r.whole = c.decoder.Counts().Frames - whole
	for i := r.frames; i < len(c.out.Frames); i++ {
		c.out.Frames[i].At = at
	}
	c.reads = append(c.reads, r)
}

// settle places in time what was read since the last settling.
func (c *capture) settle(given time.Duration) {
	period, known := c.pace(given)
	c.period = period
	// Told from jitter: frames at the rate they are sent at never come too fast.
	least := period * 9 / 10
	if c.row.least > 0 {
		least = min(least, c.row.least)
	}
	apart := period
	if !known { // no further than the wire says
		apart = c.row.wire
	}
	for k := c.settled; k < len(c.reads); k++ {
		r := c.reads[k]
		frames, links := len(c.out.Frames), len(c.out.Link)
		if k+1 < len(c.reads) {
			frames, links = c.reads[k+1].frames, c.reads[k+1].links
		}
		c.frames = r.frames
		// Several frames in one read came one after the other, while the adapter or
		// this program held them back.
		n := time.Duration(r.whole)
		if others := time.Duration(links - r.links); others < n {
			n -= others // they come between channel frames
		}
		c.quiet(r.at - max(0, n-1)*period)
		c.heard = r.at
		if d := (n - 1) * period; d > c.atOnce {
			c.atOnce, c.atOnceAt = d, r.at
		}
		since := r.at - c.last
		c.last = r.at
		c.ahead = max(0, c.ahead+n*least-since)
		if d := max(c.ahead, n*period-since); d > c.old {
			c.old, c.oldAt = d, r.at
		}
		spread(frames-r.frames, c.end(r.at, frames-r.frames), apart,
			func(i int) *time.Duration { return &c.out.Frames[r.frames+i].At }, c.lastAt())
		for i := r.links; i < links; i++ {
			c.out.Link[i].At = r.at
		}
	}
	c.settled = len(c.reads)
}

// pace is the time between channel frames: given, or measured from when they were
// read, or, where that does not tell, a careful guess and false.
func (c *capture) pace(given time.Duration) (period time.Duration, known bool) {
	if given > 0 {
		return given, true
	}
	n := len(c.out.Frames)
	at := make([]time.Duration, n)
	for i := range at {
		at[i] = c.out.Frames[i].At
	}
	if paces, err := drivers.Paces(at, 0); err == nil {
		period = paces[0].Period
		for _, p := range paces {
			period = min(period, p.Period)
		}
		return period, true
	}
	if c.row.steady && n > 2 {
		return c.mean(), true
	}
	// Between frames that were read one by one; lost ones make it longer.
	var between []time.Duration
	for k := 1; k < len(c.reads); k++ {
		if c.reads[k].whole == 1 && c.reads[k-1].whole == 1 {
			between = append(between, c.reads[k].at-c.reads[k-1].at)
		}
	}
	if len(between) < 8 {
		return max(c.row.least, c.row.wire), false
	}
	slices.Sort(between)
	return max(between[len(between)/5], c.row.least, c.row.wire), false
}

// mean is the time between frames of which none is missing: those behind the
// first read, over the time since; the usual one where that is as likely.
func (c *capture) mean() time.Duration {
	var first, last reading
	reads, frames := 0, 0
	for k, r := range c.reads {
		n := len(c.out.Frames) - r.frames
		if k+1 < len(c.reads) {
			n = c.reads[k+1].frames - r.frames
		}
		if n == 0 {
			continue
		}
		if reads++; reads == 1 {
			first = r
			continue
		}
		last, frames = r, frames+n
	}
	if reads < 2 || frames < paceLeast {
		return c.row.period
	}
	over := last.at - first.at
	held := over / time.Duration(reads-1)
	p := over / time.Duration(frames)
	if p <= c.row.wire || p > longestPeriod || (p-c.row.period).Abs() <= held/time.Duration(frames) {
		return c.row.period
	}
	return p
}

// paceLeast is how many frames show how fast they come.
const paceLeast = 8

// longestPeriod is beyond every receiver's.
const longestPeriod = 26 * time.Millisecond

// end is when the last of n frames came that were read at a moment: then, or a
// while before, where a stream without holes goes on behind the frame before.
func (c *capture) end(at time.Duration, n int) time.Duration {
	due := c.lastAt() + time.Duration(n)*c.period
	if c.row.steady && c.frames > 0 && n >= heldUp && due < at && at-due < c.period {
		return due
	}
	return at
}

// lastAt is when the frame before the present read came. What comes first may
// be from before the capture.
func (c *capture) lastAt() time.Duration {
	if c.frames == 0 {
		return -time.Hour
	}
	return c.out.Frames[c.frames-1].At
}

// spread sets the times of n frames that came in one read: the last at its
// end, the others one period apart before it, none before the frame `after`.
func spread(n int, end, period time.Duration, at func(int) *time.Duration, after time.Duration) {
	if n > 1 {
		if room := (end - after) / time.Duration(n); room < period {
			period = max(room, 0)
		}
	}
	for i := range n {
		*at(i) = end - time.Duration(n-1-i)*period
	}
}

func (c *capture) channels(ch []uint16, lost, failsafe bool) {
	if len(c.values)+len(ch) > cap(c.values) {
		// The frames before keep the array they have.
		c.values = make([]uint16, 0, max(64*c.row.channels, cap(c.values)))
	}
	n := len(c.values)
	c.values = append(c.values, ch...)
	c.out.Frames = append(c.out.Frames, drivers.Frame{Channels: c.values[n:len(c.values):len(c.values)], Lost: lost,
		Failsafe: failsafe})
}

func (c *capture) link(l CRSFLink) {
	c.out.Link = append(c.out.Link, drivers.LinkStatistics{RSSI: l.RSSI(), Quality: float64(l.UpQuality),
		SNR: float64(l.UpSNR)})
}

// battery takes a battery sensor's frame; 1 mAh is 3.6 C.
func (c *capture) battery(b CRSFBattery) {
	c.out.Battery = append(c.out.Battery, drivers.Battery{At: c.now, Voltage: float64(b.Voltage) / 10,
		Current: float64(b.Current) / 10, Charge: float64(b.Used) * 36 / 10, Remaining: float64(b.Remaining)})
}

// mode takes a flight mode where it changes.
func (c *capture) mode(text string) {
	if n := len(c.out.Modes); n < modesMost && (n == 0 || c.out.Modes[n-1].Text != text) {
		c.out.Modes = append(c.out.Modes, drivers.FlightMode{At: c.now, Text: text})
	}
}

// modesMost bounds what a wire can make this program keep.
const modesMost = 1000
