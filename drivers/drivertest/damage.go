package drivertest

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"fullthrow/drivers"
)

// Harm is what a bad wire does to a byte.
type Harm string

// The harms.
const (
	Corrupted Harm = "corrupted" // other bits: half the time one bit, else any
	Dropped   Harm = "dropped"   // it never comes
	Doubled   Harm = "doubled"   // it comes twice
	Delayed   Harm = "delayed"   // it and what follows come up to two seconds late
)

// Harms lists every harm.
func Harms() []Harm { return []Harm{Corrupted, Dropped, Doubled, Delayed} }

// Damage is what a bad wire does.
type Damage struct {
	Harm Harm
	// Rate is the share of bytes that it hits, both ways; Once hits the byte of
	// that number, both ways counted together from 1, instead.
	Rate float64
	Once int
}

func (d Damage) String() string {
	if d.Once > 0 {
		return fmt.Sprintf("byte %d %s", d.Once, d.Harm)
	}
	return fmt.Sprintf("%.1e of bytes %s", d.Rate, d.Harm)
}

// longestDelay of a delayed byte.
const longestDelay = 2 * time.Second

// Damaged is a port behind a bad wire. It has no check sum that would find the
// damage out (see [drivers.Unchecked]).
type Damaged struct {
	port   drivers.Port
	clock  drivers.Clock
	damage Damage

	mu    sync.Mutex
	rng   *rand.Rand
	bytes int // so far, both ways
	hits  int
	held  []arrival // on their way to the reader
}

// arrival is bytes that arrive at one moment.
type arrival struct {
	at   time.Time
	data []byte
}

var _ drivers.Port = (*Damaged)(nil)

// NewDamaged puts a bad wire before port.
func NewDamaged(port drivers.Port, clock drivers.Clock, rng *rand.Rand, d Damage) *Damaged {
	return &Damaged{port: port, clock: clock, rng: rng, damage: d}
}

// Bytes is how many went over the wire so far, both ways; Hits how many of them
// were damaged.
func (d *Damaged) Bytes() int { d.mu.Lock(); defer d.mu.Unlock(); return d.bytes }

// Hits is how many bytes were damaged.
func (d *Damaged) Hits() int { d.mu.Lock(); defer d.mu.Unlock(); return d.hits }

// pass is what becomes of p: pieces, and how long after the one before each
// comes.
func (d *Damaged) pass(p []byte) (pieces [][]byte, after []time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := make([]byte, 0, len(p)+8)
	wait := time.Duration(0)
	for _, c := range p {
		d.bytes++
		if hit := d.damage.Once == d.bytes || d.damage.Rate > 0 && d.rng.Float64() < d.damage.Rate; !hit {
			out = append(out, c)
			continue
		}
		d.hits++
		switch d.damage.Harm {
		case Corrupted:
			if d.rng.IntN(2) == 0 {
				out = append(out, c^1<<d.rng.IntN(8))
			} else {
				out = append(out, c^byte(1+d.rng.IntN(255)))
			}
		case Dropped:
		case Doubled:
			out = append(out, c, c)
		case Delayed:
			if len(out) > 0 {
				pieces, after = append(pieces, out), append(after, wait)
			}
			wait = time.Millisecond + time.Duration(d.rng.Int64N(int64(longestDelay)))
			out = append(make([]byte, 0, len(p)), c)
		}
	}
	if len(out) > 0 {
		pieces, after = append(pieces, out), append(after, wait)
	}
	return pieces, after
}

func (d *Damaged) String() string { return d.port.String() }

// Write sends p; what is delayed on its way holds up the caller.
func (d *Damaged) Write(ctx context.Context, p []byte) error {
	pieces, after := d.pass(p)
	for i, piece := range pieces {
		if after[i] > 0 {
			if err := d.clock.Sleep(ctx, after[i]); err != nil {
				return err
			}
		}
		if err := d.port.Write(ctx, piece); err != nil {
			return err
		}
	}
	return nil
}

// take gives what has arrived, and when there will be more.
func (d *Damaged) take(p []byte, now time.Time) (n int, next time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for len(d.held) > 0 && n < len(p) && !d.held[0].at.After(now) {
		c := copy(p[n:], d.held[0].data)
		n += c
		if d.held[0].data = d.held[0].data[c:]; len(d.held[0].data) == 0 {
			d.held = d.held[1:]
		}
	}
	if len(d.held) > 0 {
		next = d.held[0].at
	}
	return n, next
}

// Read gives what the wire left of what came.
func (d *Damaged) Read(ctx context.Context, p []byte, timeout time.Duration) (int, error) {
	end := d.clock.Now().Add(max(0, timeout))
	var buf [4096]byte
	for {
		now := d.clock.Now()
		n, next := d.take(p, now)
		if n > 0 {
			return n, nil
		}
		until := end
		if !next.IsZero() && next.Before(end) {
			until = next
		}
		got, err := d.port.Read(ctx, buf[:], until.Sub(now))
		if got > 0 {
			pieces, after := d.pass(buf[:got])
			d.mu.Lock()
			at := d.clock.Now()
			if k := len(d.held); k > 0 && d.held[k-1].at.After(at) {
				at = d.held[k-1].at
			}
			for i := range pieces {
				at = at.Add(after[i])
				d.held = append(d.held, arrival{at, pieces[i]})
			}
			d.mu.Unlock()
		}
		if err == nil {
			if len(buf[:got]) > 0 && !d.clock.Now().Before(end) {
				if n, _ := d.take(p, d.clock.Now()); n > 0 {
					return n, nil
				}
			} else {
				continue
			}
			err = drivers.Errorf(d.String(), "read", drivers.NoReply, "no reply in %v", max(0, timeout))
		}
		// What cancelled ctx may itself be a time-out, of another device.
		if ctx.Err() != nil || drivers.KindOf(err) != drivers.NoReply || !d.clock.Now().Before(end) {
			if n, _ := d.take(p, d.clock.Now()); n > 0 {
				return n, nil
			}
			return 0, err
		}
	}
}

// Discard drops what has arrived; what is still on its way comes later.
func (d *Damaged) Discard() error {
	d.mu.Lock()
	for now := d.clock.Now(); len(d.held) > 0 && !d.held[0].at.After(now); {
		d.held = d.held[1:]
	}
	d.mu.Unlock()
	return d.port.Discard()
}

// Close closes the port behind the wire.
func (d *Damaged) Close() error { return d.port.Close() }
