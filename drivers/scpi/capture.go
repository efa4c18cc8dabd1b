package scpi

import (
	"context"
	"errors"
	"math"
	"slices"
	"strconv"
	"time"

	"fullthrow/drivers"
)

// Meter is a sampling ammeter. Safe ends a capture under way.
type Meter struct{ *unit }

var _ drivers.Meter = (*Meter)(nil)

// Current samples the current; see drivers.Meter. A rate or a range beyond the
// model's, or more samples than it holds, is an OutOfRange error and nothing is
// sent.
func (m *Meter) Current(ctx context.Context, rng, rate float64, over time.Duration) (drivers.Samples, error) {
	const op = "read current"
	if err := within(m.name, op, "range", "A", rng, 0, m.model.MaxCurrent); err != nil {
		return drivers.Samples{}, err
	}
	which := "any range of this meter"
	if rng > 0 {
		which = "the range of " + formatNumber(rng) + " A"
	}
	s, err := m.sweep(ctx, op, rate, over, rng)
	if err != nil {
		return drivers.Samples{}, err
	}
	for i, v := range s.Values {
		switch {
		case math.IsInf(v, 0):
			return drivers.Samples{}, drivers.Errorf(m.name, op, drivers.OutOfRange,
				"overload at sample %d (%.6g s): beyond %s",
				i+1, float64(i)/s.Rate, which).WithHint("choose a larger range, or look for a short circuit")
		case math.IsNaN(v):
			return drivers.Samples{}, drivers.Errorf(m.name, op, drivers.Garbled, "sample %d of %d is not a number",
				i+1, len(s.Values))
		}
		s.Values[i] = m.cal.Apply(v)
	}
	s.Unit = "A"
	return s, nil
}

// Digitiser is a one-channel digitiser behind a microphone. Safe ends a capture
// under way.
type Digitiser struct{ *unit }

var _ drivers.Recorder = (*Digitiser)(nil)

// Record captures sound at the model's usual rate: in Pa if the calibration has
// a gain, else in fractions of full scale. A sample beyond full scale is
// an OutOfRange error only where the instrument marks it as overload.
func (d *Digitiser) Record(ctx context.Context, over time.Duration) (drivers.Samples, error) {
	const op = "record"
	s, err := d.sweep(ctx, op, 0, over, 0)
	if err != nil {
		return drivers.Samples{}, err
	}
	for i, v := range s.Values {
		switch {
		case math.IsInf(v, 0):
			return drivers.Samples{}, drivers.Errorf(d.name, op, drivers.OutOfRange, "overload at sample %d (%.6g s)",
				i+1, float64(i)/s.Rate)
		case math.IsNaN(v):
			return drivers.Samples{}, drivers.Errorf(d.name, op, drivers.Garbled, "sample %d of %d is not a number",
				i+1, len(s.Values))
		}
		s.Values[i] = d.cal.Apply(v)
	}
	s.Unit = "1"
	if d.cal.Gain != 0 {
		s.Unit = "Pa"
	}
	return s, nil
}

// sweep captures over at rate (0: the usual one) in a range (0: the automatic
// one) into plain, uncorrected values, none of which is finite and beyond what
// the instrument can give.
func (l *unit) sweep(ctx context.Context, op string, rate float64, over time.Duration,
	rng float64) (drivers.Samples, error) {
	m, w := &l.model, &l.model.Words
	if rate == 0 {
		rate = m.UsualRate
	}
	if err := within(l.name, op, "rate", "samples/s", rate, m.MinRate, m.MaxRate); err != nil {
		return drivers.Samples{}, err
	}
	points := math.Max(1, math.Round(over.Seconds()*rate))
	if over <= 0 || points > float64(m.MaxPoints) {
		return drivers.Samples{}, drivers.Errorf(l.name, op, drivers.OutOfRange,
			"%v at %v samples/s, the instrument holds %d samples", over, rate, m.MaxPoints)
	}
	n := int(points)
	interval := m.quantity(fill(w.Interval, "value", formatNumber(1/rate)), w.IntervalState, "s", 1/rate, 0, 0)
	interval.tolerance = 1e-3 / rate // an instrument rounds to its own clock
	if !l.unchecked {
		interval.ask = ""
	}
	out := drivers.Samples{Rate: rate, Channels: 1}
	err := l.do(ctx, l.name, op, func(ctx context.Context) error {
		if err := l.commands(ctx, w.Setup...); err != nil {
			return err
		}
		full, err := l.setRange(ctx, rng)
		if err != nil {
			return err
		}
		if err := l.set(ctx, interval); err != nil {
			return err
		}
		if err := l.command(ctx, fill(w.Points, "value", strconv.Itoa(n))); err != nil {
			return err
		}
		before := l.clock.Now()
		if err := l.command(ctx, w.Start); err != nil {
			return err
		}
		took := l.clock.Now().Sub(before)
		if err := l.begun(took); err != nil {
			return err
		}
		out.Start = before.Add(took / 2)
		// Asked only when the capture is over: a call that is cancelled before
		// leaves no answer owed.
		capture := time.Duration(points / rate * float64(time.Second))
		if err := l.clock.Sleep(ctx, out.Start.Add(capture).Sub(l.clock.Now())); err != nil {
			return err
		}
		if out.Values, err = l.fetch(ctx, n, capture); err != nil {
			return err
		}
		if err := plausible(out.Values, full, m.Beyond); err != nil || !l.unchecked || m.Unlike == 0 ||
			!unlike(out.Values, m.Unlike*full, m.Unlike*full/alone) {
			return err
		}
		again, err := l.fetch(ctx, n, capture)
		if err != nil {
			return err
		}
		for i, v := range again {
			if v != out.Values[i] && !(math.IsNaN(v) && math.IsNaN(out.Values[i])) {
				return errorf(drivers.Garbled, "sample %d of one capture is %.6g, and asked for again %.6g", i+1,
					out.Values[i], v).WithHint(wireHint)
			}
		}
		return nil
	})
	if err != nil {
		return drivers.Samples{}, err
	}
	if m.Dead > 0 && n >= m.Dead && !math.IsInf(out.Values[0], 0) && out.Constant() {
		return drivers.Samples{}, drivers.Errorf(l.name, op, drivers.Fault,
			"%d samples and every one is %v: no working converter says that", n, out.Values[0]).
			WithHint(deadHint)
	}
	return out, nil
}

// lateStart is how much longer than the quickest so far an instrument may take to
// say that a capture has begun, and firstStart how long the first may take: a unit
// is switched on some 50 ms after the capture of its inrush began.
const (
	lateStart  = 20 * time.Millisecond
	firstStart = 250 * time.Millisecond
)

// begun is the error of a capture of which it is not known well enough when it
// began: it took so long to say so.
func (l *link) begun(took time.Duration) error {
	quickest, most := l.start, l.start+lateStart
	if l.start == 0 {
		quickest, most = took, firstStart
	}
	l.start = min(quickest, max(took, 1))
	if took > most {
		return drivers.LateError("", "", "it took %v to begin, at most %v are usual", took.Round(time.Millisecond),
			most.Round(time.Millisecond))
	}
	return nil
}

// setRange sets the range of a meter (0: the automatic one) and returns the end
// of the scale of what comes then.
func (l *link) setRange(ctx context.Context, rng float64) (full float64, err error) {
	m, w := &l.model, &l.model.Words
	full = max(m.Full, m.MaxCurrent)
	switch {
	case w.Range == "":
		return full, nil
	case rng == 0:
		return full, l.command(ctx, w.AutoRange)
	}
	say := fill(w.Range, "value", formatNumber(rng))
	if !l.unchecked || w.RangeState == "" {
		return full, l.command(ctx, say)
	}
	answer, err := l.ask(ctx, say, w.RangeState, m.Timeout)
	if err != nil {
		return 0, err
	}
	// It takes the next range of its own.
	got, err := ParseNumber(answer)
	if err != nil {
		return 0, errorf(drivers.Garbled, "%w", err)
	}
	if !(got >= rng*(1-1e-6) && got <= full*(1+1e-6)) {
		return 0, errorf(drivers.Fault, "asked for the range of %v A, it says %v A", rng, got).WithHint(deafHint)
	}
	return got, nil
}

// fetch asks for the samples of a capture that is over.
func (l *link) fetch(ctx context.Context, n int, capture time.Duration) ([]float64, error) {
	if err := l.send(ctx, l.model.Words.Fetch); err != nil {
		return nil, err
	}
	values, err := l.floats(ctx, n, l.model.Timeout+capture/10)
	if err != nil {
		return nil, l.why(ctx, err)
	}
	return values, l.empty(ctx)
}

const wireHint = "bytes are damaged between the instrument and this computer: check the cable, its shield and ground, " +
	"the baud rate and the adapter"

// plausible is the error of the first finite sample that lies beyond full scale
// by more than a share of it.
func plausible(values []float64, full, beyond float64) error {
	if full <= 0 {
		return nil
	}
	for i, v := range values {
		if a := math.Abs(v); a > full*(1+beyond) && !math.IsInf(v, 0) {
			return errorf(drivers.Garbled, "sample %d of %d is %.6g, and the end of the scale %.6g", i+1, len(values), v,
				full).WithHint(wireHint)
		}
	}
	return nil
}

const (
	// alone is the share of Unlike from which on a sample is looked at for being
	// off its neighbours as no others are: timesOthers as far.
	alone, timesOthers = 100, 3
	// leastAlone is of how many samples one can be told from the others.
	leastAlone = 64
)

// unlike says whether a sample lies further than d off both its neighbours, or is
// alone in being off them: further than least, and several times further than
// nearly all samples lie off the one before.
func unlike(values []float64, d, least float64) bool {
	n := len(values)
	if n < 2 {
		return false
	}
	most := max(math.Abs(values[0]-values[1]), math.Abs(values[n-1]-values[n-2]))
	if most > d {
		return true
	}
	steps := make([]float64, n-1)
	most = 0
	for i := 1; i < n; i++ {
		x := values[i] - values[i-1]
		steps[i-1] = math.Abs(x)
		if i < n-1 && x*(values[i]-values[i+1]) > 0 {
			most = max(most, min(math.Abs(x), math.Abs(values[i]-values[i+1])))
		}
	}
	slices.Sort(steps)
	return most > d || n >= leastAlone && most > max(least, timesOthers*steps[n-2-n/32])
}

const deadHint = "a converter has noise even with nothing at its input: the instrument is stuck, or the cable to " +
	"its converter or microphone is off; switch it off and on, check the cable"

// slowest is the rate, in bytes/s, below which a block counts as stuck.
const slowest = 150

// floats reads a block of n REAL,32 and the end of its line. The first byte may
// take as long as toFirst; then every byte the model's time-out, and the whole
// what the slowest line would need.
func (l *link) floats(ctx context.Context, n int, toFirst time.Duration) ([]float64, error) {
	got := 0
	more := func(end drivers.TimeOut) error {
		_, err := l.fill(ctx, end)
		if err == nil {
			return nil
		}
		if drivers.KindOf(err) == drivers.NoReply {
			if got == 0 && l.w == l.r {
				return errorf(drivers.NoReply, "no reply in %v", end).WithHint(offHint)
			}
			return errorf(drivers.Garbled, "only part of a block: %d of %d samples", got/4, n)
		}
		return err
	}
	end := drivers.Within(l.clock, toFirst)
	var size, used int
	for {
		var err error
		if size, used, err = blockHeader(l.buf[l.r:l.w]); err == nil {
			break
		} else if !errors.Is(err, errShort) {
			return nil, errorf(drivers.Garbled, "%w", err)
		}
		if err := more(end); err != nil {
			return nil, err
		}
		end = drivers.Within(l.clock, l.model.Timeout)
	}
	l.r += used
	// An indefinite block has no END on a serial line or a socket, and NL may be
	// a byte of a number: its length is what was asked for.
	if size >= 0 && size != 4*n {
		return nil, errorf(drivers.Garbled, "a block of %d bytes, %d samples have %d", size, n, 4*n)
	}
	values := make([]float64, 0, n)
	last := drivers.Within(l.clock, toFirst+time.Duration(n)*4*time.Second/slowest)
	for got < 4*n {
		if whole := min(l.w-l.r, 4*n-got) &^ 3; whole > 0 {
			values = AppendReal32(values, l.buf[l.r:l.r+whole], l.model.LittleEndian)
			l.r += whole
			got += whole
			continue
		}
		if err := more(drivers.Within(l.clock, l.model.Timeout).Sooner(last)); err != nil {
			return nil, err
		}
	}
	rest, err := l.line(ctx, drivers.Within(l.clock, l.model.Timeout))
	if drivers.KindOf(err) == drivers.NoReply {
		return nil, errorf(drivers.Garbled, "a block without an end of line")
	}
	if err == nil && rest != "" {
		err = errorf(drivers.Garbled, "%.60q after a block", rest)
	}
	return values, err
}
