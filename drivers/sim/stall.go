package sim

import (
	"slices"
	"time"
)

// stretches are times in which something stands still, in ns, each [from, to),
// in order and apart.
type stretches [][2]int64

// with adds one; those that touch become one.
func (s stretches) with(from, to int64) stretches {
	if to <= from {
		return s
	}
	all := slices.Clone(s)
	all = append(all, [2]int64{from, to})
	slices.SortFunc(all, func(a, b [2]int64) int { return int(min(max(a[0]-b[0], -1), 1)) })
	joined := all[:1]
	for _, x := range all[1:] {
		if last := &joined[len(joined)-1]; x[0] <= last[1] {
			last[1] = max(last[1], x[1])
			continue
		}
		joined = append(joined, x)
	}
	return joined
}

// at is the stretch in which t lies.
func (s stretches) at(t int64) (x [2]int64, ok bool) {
	for _, x := range s {
		if x[0] <= t && t < x[1] {
			return x, true
		}
	}
	return x, false
}

// after is t, or the end of the stretch in which it lies.
func (s stretches) after(t int64) int64 {
	if x, ok := s.at(t); ok {
		return x[1]
	}
	return t
}

func (s stretches) later(t time.Duration) time.Duration { return time.Duration(s.after(int64(t))) }

// longest is the longest stretch between from and to.
func (s stretches) longest(from, to int64) (longest int64) {
	for _, x := range s {
		longest = max(longest, min(x[1], to)-max(x[0], from))
	}
	return longest
}

// Stall lets the program stand still from the moment at on for the duration d,
// as if the computer had something else to do: whoever would go on in that time
// goes on at its end. The bench goes on meanwhile, as hardware does. Call it
// before that moment has come.
func (c *Clock) Stall(at time.Time, d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	from := int64(at.Sub(c.start))
	c.stalls = c.stalls.with(from, from+int64(d))
}

// Stalled implements [drivers.Staller].
func (c *Clock) Stalled(from, to time.Time) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Duration(c.stalls.longest(int64(from.Sub(c.start)), int64(to.Sub(c.start))))
}

// HoldUp lets all wires of the bench stand still from the moment at on for the
// duration d, as an adapter or a hub does that is busy: what either side says in
// that time comes through at its end. Call it before that moment has come.
func (b *Bench) HoldUp(at time.Time, d time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	from := int64(at.Sub(b.epoch))
	b.holds = b.holds.with(from, from+int64(d))
}
