package gpio

import (
	"context"
	"time"

	"fullthrow/drivers"
)

// edgeQueue is how many edges are kept for a program that is held up: the most
// that the kernel keeps for one line. The pulse output of a receiver fills it in
// 1.3 s.
const edgeQueue = 1024

// event is an edge as a chip notes it.
type event struct {
	// number counts the line's edges from 1 on, lost ones too, and begins again
	// after 2^32.
	number uint32
	stamp  int64 // in ns, of the chip's clock
	rising bool
}

// capture collects the edges whose stamps lie in [from, to], and finds out
// which are missing.
type capture struct {
	from, to int64
	last     uint32 // number of the event before
	events   []event
	lost     int // in the queue: gaps in the numbers
	unseen   int // by the interrupt: the direction did not change
}

// add takes the next event, and says whether a later one may still belong to
// the capture. Where an event of the capture follows on a gap that began before
// it, all of the gap counts: a queue that has overflowed since the beginning
// does not say when it did first.
func (c *capture) add(e event) bool {
	gap := int(e.number - c.last - 1)
	c.last = e.number
	if e.stamp < c.from {
		return true
	}
	// Lost before an event that is too late itself, they may have been in time.
	c.lost += gap
	if e.stamp > c.to {
		return false
	}
	if n := len(c.events); n > 0 && gap == 0 && c.events[n-1].rising == e.rising {
		c.unseen++
	}
	c.events = append(c.events, e)
	return true
}

// end is that edges are missing, or nil.
func (c *capture) end() error {
	const op = "record edges"
	switch {
	case c.lost > 0:
		return drivers.Errorf("line", op, drivers.Late, "%d edges were lost: the computer was held up and the "+
			"queue of %d overflowed", c.lost, edgeQueue).
			WithHint("Something keeps this computer from its work, or the line changes far too often: is it connected?")
	case c.unseen > 0:
		return drivers.Errorf("line", op, drivers.Garbled, "at least %d edges were lost: two of one direction "+
			"follow each other", c.unseen).
			WithHint("The pulses are too short for this computer's interrupts, or it is too busy; a line that is " +
				"not connected does so too.")
	}
	return nil
}

// Edges records every change in the duration over. One caller at a time.
func (i *input) Edges(ctx context.Context, over time.Duration) (list []drivers.Edge, err error) {
	const op = "record edges"
	if over <= 0 {
		return nil, drivers.Errorf(i.name, op, drivers.OutOfRange, "duration of %v", over)
	}
	err = i.listen(ctx, op, func(line Line) (err error) { list, err = line.Edges(ctx, over); return err })
	if err != nil {
		return nil, err
	}
	for n := range list {
		list[n].Rising = list[n].Rising != i.activeLow
	}
	return list, nil
}
