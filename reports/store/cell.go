package store

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"maps"
	"math"
	"math/bits"
	"slices"

	"fullthrow/reports/yield"
)

// What is counted in each half hour. A run counts in the half hour in which it
// began, a unit in that of its first judged run.
const (
	nPassed = iota // runs
	nFailed
	nErrors
	nAborted
	nUnits
	nFirstPassed
	nFinalPassed
	nRetested
	nRetests
	nNoFaultFound
	nRepaired
	nDefects
	nOpportunities
	nJudgedMillis
	nErrorMillis
	nAbortedMillis
	nCutShort
	nAbortedCutShort
	nFirstCutShort
	nCounts
)

type counts [nCounts]int64

func (c *counts) add(d *counts) {
	for i := range c {
		c[i] += d[i]
	}
}

func (c *counts) sub(d *counts) {
	for i := range c {
		c[i] -= d[i]
	}
}

func (c *counts) runs() int64 { return c[nPassed] + c[nFailed] + c[nErrors] + c[nAborted] }

func (c *counts) yield() yield.Counts {
	return yield.Counts{
		Runs: c.runs(), Passed: c[nPassed], Failed: c[nFailed], Errors: c[nErrors], Aborted: c[nAborted],
		Units: c[nUnits], FirstPassed: c[nFirstPassed], FinalPassed: c[nFinalPassed],
		Retested: c[nRetested], Retests: c[nRetests], NoFaultFound: c[nNoFaultFound], Repaired: c[nRepaired],
		Defects: c[nDefects], Opportunities: c[nOpportunities],
		JudgedTime: float64(c[nJudgedMillis]) / 1000, ErrorTime: float64(c[nErrorMillis]) / 1000,
		AbortedTime: float64(c[nAbortedMillis]) / 1000,
		CutShort:    c[nCutShort], AbortedCutShort: c[nAbortedCutShort], FirstCutShort: c[nFirstCutShort],
	}
}

// cell sums up the runs of one group (see group) that began on one day of UTC.
// It follows from rows of run and sample alone: see [cell.count]. What can only
// be added to is added; wherever something goes (a flag, a first run that
// turns out not to have been the first), the cell is made again from its rows.
type cell struct {
	rows     [4]int64       // runs by outcome, golden and flagged ones too: for lists
	slots    map[int]counts // by half hour of the day
	checks   map[int64]pair // by name: first judged runs in which it was judged, and passed
	failures map[int64]pair // by name: first judged runs with it, and all judged runs
	cycle    cycle
}

type pair [2]int64

// cycle is how long judged runs took.
type cycle struct {
	bins     map[int64]int64 // by whole seconds, the last bin for all longer ones
	min, max int64           // ms
	intended stated          // s, the plan's cycle time
	takt     stated          // s, the station's
}

// stated is what the newest run says that says it; a value of 0 says nothing.
type stated struct {
	value float64
	at    int64 // when that run began
}

func (s *stated) take(d stated) {
	if d.value > 0 && (s.value == 0 || d.at > s.at || d.at == s.at && d.value > s.value) {
		*s = d
	}
}

// longestBin is the histogram's last bin: an hour and longer.
const longestBin = 3600

func newCell() *cell {
	return &cell{slots: map[int]counts{}, checks: map[int64]pair{}, failures: map[int64]pair{},
		cycle: cycle{bins: map[int64]int64{}}}
}

func (c *cell) slot(n int, d *counts) {
	s := c.slots[n]
	s.add(d)
	c.slots[n] = s
}

func addPairs(to map[int64]pair, from map[int64]pair) {
	for k, p := range from {
		q := to[k]
		to[k] = pair{q[0] + p[0], q[1] + p[1]}
	}
}

func (c *cycle) count(seconds float64, ms, at int64, intended, takt float64) {
	if len(c.bins) == 0 {
		c.min, c.max = ms, ms
	}
	c.min, c.max = min(c.min, ms), max(c.max, ms)
	c.bins[min(int64(seconds), longestBin)]++
	c.intended.take(stated{intended, at})
	c.takt.take(stated{takt, at})
}

func (c *cycle) merge(d *cycle) {
	if len(d.bins) == 0 {
		return
	}
	if len(c.bins) == 0 {
		c.min, c.max = d.min, d.max
	}
	c.min, c.max = min(c.min, d.min), max(c.max, d.max)
	for k, n := range d.bins {
		c.bins[k] += n
	}
	c.intended.take(d.intended)
	c.takt.take(d.takt)
}

// firsts is how many units have their first judged run here.
func (c *cell) firsts() int64 {
	var n int64
	for _, s := range c.slots {
		n += s[nUnits]
	}
	return n
}

// moment sums up one reading; see [yield.Moments]. It is added to by the
// method of Welford and merged by that of Chan, Golub and LeVeque (The
// American Statistician 37, 1983): no digits are lost where the values are
// large and their spread is small. Where squares are beyond what a float holds
// m2 is +Inf; mean, min and max stay finite.
type moment struct {
	all    int64 // judged runs with a finite number, retests too
	n      int64 // first judged runs with one; all that follows is of these
	failed int64
	mean   float64
	m2     float64
	min    float64
	max    float64
}

func (m *moment) count(x float64, first, failed bool) {
	m.all++
	if !first {
		return
	}
	if failed {
		m.failed++
	}
	if m.n == 0 {
		m.min, m.max = x, x
	}
	m.n++
	m.min, m.max = min(m.min, x), max(m.max, x)
	d := x - m.mean
	if math.IsInf(d, 0) {
		n := float64(m.n)
		m.mean, m.m2 = m.mean*((n-1)/n)+x/n, math.Inf(1)
		return
	}
	m.mean += d / float64(m.n)
	m.m2 += d * (x - m.mean)
}

func (m *moment) merge(o *moment) {
	if o.n > 0 {
		if m.n == 0 {
			m.mean, m.m2, m.min, m.max = o.mean, o.m2, o.min, o.max
		} else {
			a, b := float64(m.n), float64(o.n)
			if d := o.mean - m.mean; math.IsInf(d, 0) {
				m.mean, m.m2 = m.mean*(a/(a+b))+o.mean*(b/(a+b)), math.Inf(1)
			} else {
				m.mean += d * (b / (a + b))
				m.m2 += o.m2 + d*d*(a*b/(a+b))
			}
			m.min, m.max = min(m.min, o.min), max(m.max, o.max)
		}
	}
	m.all, m.n, m.failed = m.all+o.all, m.n+o.n, m.failed+o.failed
}

// moments are those of the readings of one layout in one cell.
type moments struct {
	newest int64 // when the newest first judged run in it began, ms; noTime if there is none
	list   []moment
}

const noTime = math.MinInt64

func newMoments(n int) *moments { return &moments{newest: noTime, list: make([]moment, n)} }

// The sums are kept packed: whole numbers as varints, floats as 8 bytes, and at
// the end a check sum of all of it (CRC-32C, 4 bytes; nothing where nothing is
// packed), for databases that keep none of their pages.

var errPacked = errors.New("sums are not readable")

type packer struct{ b []byte }

func (p *packer) int(v int64)     { p.b = binary.AppendVarint(p.b, v) }
func (p *packer) uint(v uint64)   { p.b = binary.AppendUvarint(p.b, v) }
func (p *packer) float(f float64) { p.b = binary.LittleEndian.AppendUint64(p.b, math.Float64bits(f)) }

// sum ends what is packed in its check sum.
func (p *packer) sum() []byte {
	if len(p.b) == 0 {
		return p.b
	}
	return binary.LittleEndian.AppendUint32(p.b, crc32.Checksum(p.b, castagnoli()))
}

type unpacker struct {
	b   []byte
	bad bool
}

// unpack begins to read what was packed, if it is what was packed.
func unpack(b []byte) unpacker {
	n := len(b) - 4
	if n == -4 {
		return unpacker{}
	}
	if n <= 0 || crc32.Checksum(b[:n], castagnoli()) != binary.LittleEndian.Uint32(b[n:]) {
		return unpacker{bad: true}
	}
	return unpacker{b: b[:n]}
}

func (u *unpacker) int() int64 {
	v, n := binary.Varint(u.b)
	if n <= 0 {
		u.bad, u.b = true, nil
		return 0
	}
	u.b = u.b[n:]
	return v
}

func (u *unpacker) uint() uint64 {
	if len(u.b) > 0 && u.b[0] < 0x80 {
		v := u.b[0]
		u.b = u.b[1:]
		return uint64(v)
	}
	v, n := binary.Uvarint(u.b)
	if n <= 0 {
		u.bad, u.b = true, nil
		return 0
	}
	u.b = u.b[n:]
	return v
}

func (u *unpacker) float() float64 {
	if len(u.b) < 8 {
		u.bad, u.b = true, nil
		return 0
	}
	v := binary.LittleEndian.Uint64(u.b)
	u.b = u.b[8:]
	return math.Float64frombits(v)
}

func (u *unpacker) err() error {
	if u.bad || len(u.b) > 0 {
		return errPacked
	}
	return nil
}

func (c *cell) packCounts() []byte {
	var p packer
	for _, n := range slices.Sorted(maps.Keys(c.slots)) {
		s := c.slots[n]
		var mask uint64
		for i, v := range s {
			if v != 0 {
				mask |= 1 << i
			}
		}
		if mask == 0 {
			continue
		}
		p.uint(uint64(n))
		p.uint(mask)
		for _, v := range s {
			if v != 0 {
				p.int(v)
			}
		}
	}
	return p.sum()
}

// eachSlot hands out the half hours of packed counts.
func eachSlot(b []byte, f func(slot int, c *counts)) error {
	u := unpack(b)
	for len(u.b) > 0 {
		n := u.uint()
		mask := u.uint()
		if mask >= 1<<nCounts || n >= slotsPerDay {
			return errPacked
		}
		var c counts
		for m := mask; m != 0; m &= m - 1 {
			c[bits.TrailingZeros64(m)] = u.int()
		}
		if u.bad {
			return errPacked
		}
		f(int(n), &c)
	}
	return u.err()
}

func packPairs(m map[int64]pair) []byte {
	var p packer
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if v := m[k]; v != (pair{}) {
			p.int(k)
			p.int(v[0])
			p.int(v[1])
		}
	}
	return p.sum()
}

func unpackPairs(b []byte, to map[int64]pair) error {
	u := unpack(b)
	for len(u.b) > 0 {
		k, x, y := u.int(), u.int(), u.int()
		if u.bad {
			return errPacked
		}
		q := to[k]
		to[k] = pair{q[0] + x, q[1] + y}
	}
	return u.err()
}

func (c *cycle) pack() []byte {
	var p packer
	p.int(c.min)
	p.int(c.max)
	for _, s := range []stated{c.intended, c.takt} {
		p.float(s.value)
		p.int(s.at)
	}
	for _, k := range slices.Sorted(maps.Keys(c.bins)) {
		p.int(k)
		p.int(c.bins[k])
	}
	return p.sum()
}

func unpackCycle(b []byte) (cycle, error) {
	c := cycle{bins: map[int64]int64{}}
	u := unpack(b)
	c.min, c.max = u.int(), u.int()
	for _, s := range []*stated{&c.intended, &c.takt} {
		s.value, s.at = u.float(), u.int()
	}
	for len(u.b) > 0 {
		k, n := u.int(), u.int()
		if u.bad || k < 0 || k > longestBin {
			return c, errPacked
		}
		c.bins[k] += n
	}
	return c, u.err()
}

func (m *moments) pack() []byte {
	var p packer
	p.int(m.newest)
	for i := range m.list {
		x := &m.list[i]
		p.uint(uint64(x.all))
		p.uint(uint64(x.n))
		if x.n > 0 {
			p.uint(uint64(x.failed))
			p.float(x.mean)
			p.float(x.m2)
			p.float(x.min)
			p.float(x.max)
		}
	}
	return p.sum()
}

// eachMoment hands out packed moments by position, and says when the newest
// first judged run in them began. f may not keep what it is given.
func eachMoment(b []byte, f func(pos int, m *moment)) (newest int64, err error) {
	u := unpack(b)
	newest = u.int()
	var m moment // handed out again and again: a million of them are read for one answer
	for pos := 0; len(u.b) > 0; pos++ {
		m = moment{all: int64(u.uint()), n: int64(u.uint())}
		if m.n > 0 {
			m.failed = int64(u.uint())
			if len(u.b) < 32 {
				return newest, errPacked
			}
			m.mean = math.Float64frombits(binary.LittleEndian.Uint64(u.b))
			m.m2 = math.Float64frombits(binary.LittleEndian.Uint64(u.b[8:]))
			m.min = math.Float64frombits(binary.LittleEndian.Uint64(u.b[16:]))
			m.max = math.Float64frombits(binary.LittleEndian.Uint64(u.b[24:]))
			u.b = u.b[32:]
		}
		if u.bad {
			return newest, errPacked
		}
		f(pos, &m)
	}
	return newest, u.err()
}
