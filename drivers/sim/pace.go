package sim

import (
	"context"
	"math"
	"time"
)

// pace holds a [Clock] to real time.
type pace struct {
	factor float64
	groups int // at work
	// anchor: at real time real the clock stood at virtual. While groups are at
	// work the clock keeps to it, so that what the program computes between two
	// waits does not add up.
	real    time.Time
	virtual int64
}

// NewPacedClock returns a clock that starts now and whose waits really take
// their time, divided by pace: at 1 a plan takes as long as on hardware, at 10
// a tenth. The order of tasks is the same as on a clock without pace. Between
// groups of tasks the clock follows the machine's and is never behind it; at a
// pace above 1 it may be ahead. It panics if pace is not a positive number.
func NewPacedClock(factor float64) *Clock {
	if !(factor > 0) || math.IsInf(factor, 0) {
		panic("sim: the pace of a clock must be a positive number")
	}
	return &Clock{start: time.Now(), pace: &pace{factor: factor}}
}

// idle moves the clock to the machine's time while no task is at work. c.mu is
// held.
func (p *pace) idle(c *Clock) {
	if p.groups == 0 {
		if wall := int64(time.Since(c.start)); wall > c.now.Load() {
			c.now.Store(wall)
		}
	}
}

// begin counts a group in. c.mu is held.
func (p *pace) begin(c *Clock) {
	p.idle(c)
	if p.groups++; p.groups == 1 {
		p.real, p.virtual = time.Now(), c.now.Load()
	}
}

// until is how long to wait in real time for virtual time at.
func (p *pace) until(at int64) time.Duration {
	return time.Duration(float64(at-p.virtual)/p.factor) - time.Since(p.real)
}

// reached is the virtual time that it is by now, at most at. c.mu is held.
func (p *pace) reached(c *Clock, at int64) int64 {
	return max(c.now.Load(), min(at, p.virtual+int64(float64(time.Since(p.real))*p.factor)))
}

// await is next with the wait done in real time. c.mu is held, and given up
// meanwhile; the caller holds the group's baton. The cancellation of a waiting
// task's context ends the wait.
func (c *Clock) await(g *group) *task {
	for {
		best, cancelled := g.waiting[0], false
		for _, w := range g.waiting {
			if w.at < best.at || w.at == best.at && w.seq < best.seq {
				best = w
			}
			cancelled = cancelled || w.ctx.Err() != nil
		}
		d := c.pace.until(best.at)
		if best.at <= c.now.Load() || d <= 0 || cancelled {
			if cancelled {
				c.now.Store(c.pace.reached(c, best.at))
			}
			return c.next(g)
		}
		if g.poke == nil {
			g.poke = make(chan struct{}, 1)
		}
		poke := func() {
			select {
			case g.poke <- struct{}{}:
			default:
			}
		}
		var stops []func() bool
		for _, w := range g.waiting {
			stops = append(stops, context.AfterFunc(w.ctx, poke))
		}
		c.mu.Unlock()
		timer := time.NewTimer(d)
		select {
		case <-timer.C:
		case <-g.poke:
			timer.Stop()
		}
		for _, stop := range stops {
			stop()
		}
		c.mu.Lock()
	}
}

// foreign is a Sleep outside the tasks: the clock has moved on by d when it
// returns, or as far as it had come when ctx ended.
func (c *Clock) foreign(ctx context.Context, d time.Duration) error {
	c.mu.Lock()
	c.pace.idle(c)
	from := c.now.Load()
	c.mu.Unlock()
	began := time.Now()
	timer := time.NewTimer(time.Duration(float64(d) / c.pace.factor))
	defer timer.Stop()
	var err error
	select {
	case <-timer.C:
	case <-ctx.Done():
		err = context.Cause(ctx)
		d = min(d, time.Duration(float64(time.Since(began))*c.pace.factor))
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if to := c.stalls.after(from + int64(d)); to > c.now.Load() {
		c.now.Store(to)
	}
	return err
}
