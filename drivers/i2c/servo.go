package i2c

import (
	"context"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"fullthrow/drivers"
)

// Axis is one servo: the output it is plugged into and the pulse that puts it
// at a position, in us: Offset at the centre, Scale more for a full throw.
type Axis struct {
	Output        int // 0..15, as the part's data sheet counts
	Scale, Offset float64
	Min, Max      float64 // throws
}

// servos moves sticks by servos. They say nothing: that one has arrived is
// believed after the time its movement takes and a pause. What needs proof
// measures the stick itself, in the receiver's output.
type servos struct {
	*part
	axes  map[string]Axis
	names []string

	at atomic.Pointer[map[string]float64] // throws; nil: not homed
}

var _ drivers.Mover = (*servos)(nil)

const (
	frame     = 20 * time.Millisecond // between pulses
	arrive    = 300 * time.Millisecond
	slowest   = 1500 * time.Millisecond // for any way to the centre
	counts    = 4096                    // in a frame
	fullOff   = 0x10
	running   = 0x20 // MODE1: registers count up; awake; no all-call
	asleep    = 0x30
	wakes     = 500 * time.Microsecond
	widest    = 2600.0 // us, what no servo takes more than
	narrowest = 400.0
)

func newServos(p *part, axes map[string]Axis) (drivers.Device, error) {
	bad := func(format string, args ...any) (drivers.Device, error) {
		return nil, drivers.Errorf(p.name, "open", drivers.OutOfRange, format, args...)
	}
	if len(axes) == 0 {
		return bad("no axis: say which servo moves what")
	}
	taken := map[int]string{}
	for _, n := range slices.Sorted(maps.Keys(axes)) {
		a := axes[n]
		if a.Output < 0 || a.Output >= p.model.Pulses {
			return bad("axis %s at output %d: a %s has 0..%d", n, a.Output, p.model.Name, p.model.Pulses-1)
		}
		if other, ok := taken[a.Output]; ok {
			return bad("axes %s and %s are both at output %d", other, n, a.Output)
		}
		taken[a.Output] = n
		if !(a.Min < a.Max) {
			return bad("axis %s from %v to %v", n, a.Min, a.Max)
		}
		for _, x := range []float64{a.Min, a.Max} {
			if us := a.Offset + a.Scale*x; a.Scale == 0 || !(us >= narrowest && us <= widest) {
				return bad("axis %s: %v throws is a pulse of %v us, want %v to %v", n, x, us, narrowest, widest)
			}
		}
	}
	return &servos{part: p, axes: maps.Clone(axes), names: slices.Sorted(maps.Keys(axes))}, nil
}

// ParseOutput reads the output of an axis from the key that other machines name
// their letter by.
func ParseOutput(letter string) (int, error) { return strconv.Atoi(strings.TrimSpace(letter)) }

// Axes names the axes, in alphabetical order.
func (s *servos) Axes() []string { return slices.Clone(s.names) }

// Ready proves that the part answers.
func (s *servos) Ready(ctx context.Context) (string, error) { return s.identify(ctx) }

// Safe ends all pulses: the servos hold nothing any more.
func (s *servos) Safe(ctx context.Context) error {
	return s.makeSafe(ctx, func(ctx context.Context) error {
		s.at.Store(nil)
		if err := s.tx(ctx, []byte{s.model.Stop, fullOff}, nil); err != nil {
			return err
		}
		for _, a := range s.axes {
			reg := s.model.First + 4*byte(a.Output) + 3
			b, err := s.get(ctx, reg, 1)
			if err == nil && b[0]&fullOff == 0 {
				err = s.unlike(reg, uint16(b[0]), fullOff)
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// Home sets the pulses' rate and moves all axes to the centre.
func (s *servos) Home(ctx context.Context) error {
	return s.hold(ctx, "home", func(ctx context.Context) error {
		s.at.Store(nil)
		scale := byte(math.Round(s.model.Oscillator*frame.Seconds()/counts) - 1)
		if err := s.put(ctx, s.model.Mode, asleep); err != nil {
			return err
		}
		if err := s.put(ctx, s.model.Prescale, scale); err != nil {
			return err
		}
		if err := s.put(ctx, s.model.Mode, running); err != nil {
			return err
		}
		if err := s.settle(ctx, wakes); err != nil {
			return err
		}
		at := map[string]float64{}
		for _, n := range s.names {
			at[n] = min(max(0, s.axes[n].Min), s.axes[n].Max)
			if err := s.pulse(ctx, n, at[n]); err != nil {
				return err
			}
		}
		if err := s.settle(ctx, slowest); err != nil {
			return err
		}
		if err := context.Cause(ctx); err != nil {
			return err // made safe meanwhile
		}
		s.at.Store(&at)
		return nil
	})
}

// pulse sets the pulse of an axis, and reads it back.
func (s *servos) pulse(ctx context.Context, axis string, throws float64) error {
	a := s.axes[axis]
	off := uint16(math.Round((a.Offset + a.Scale*throws) / (frame.Seconds() * 1e6) * counts))
	reg := s.model.First + 4*byte(a.Output)
	if err := s.tx(ctx, []byte{reg, 0, 0, byte(off), byte(off >> 8)}, nil); err != nil {
		return err
	}
	b, err := s.get(ctx, reg, 4)
	if err == nil && (b[0] != 0 || b[1] != 0 || uint16(b[3])<<8|uint16(b[2]) != off) {
		err = s.unlike(reg+2, uint16(b[3])<<8|uint16(b[2]), off)
	}
	return err
}

// Move goes in a straight line, one step a frame, and waits until the servos
// will have arrived. See [drivers.Mover].
func (s *servos) Move(ctx context.Context, to map[string]float64, rate float64) (seg drivers.Segment, err error) {
	const op = "move"
	bad := func(format string, args ...any) (drivers.Segment, error) {
		return drivers.Segment{}, drivers.Errorf(s.name, op, drivers.OutOfRange, format, args...)
	}
	if !(rate > 0) || math.IsInf(rate, 0) {
		return bad("rate of %v throws/s", rate)
	}
	for _, n := range slices.Sorted(maps.Keys(to)) {
		a, ok := s.axes[n]
		if !ok {
			return bad("no axis %q, there are %s", n, strings.Join(s.names, ", "))
		}
		if v := to[n]; !(v >= a.Min && v <= a.Max) {
			return bad("%s to %v throws, range is %v to %v", n, v, a.Min, a.Max)
		}
	}
	err = s.hold(ctx, op, func(ctx context.Context) error {
		at := s.at.Load()
		if at == nil {
			return s.errorf(drivers.Refused, "the servos are not at a known place").WithHint("home it first")
		}
		seg = drivers.Segment{Start: s.clock.Now(), From: maps.Clone(*at), To: maps.Clone(*at)}
		maps.Copy(seg.To, to)
		furthest := 0.0
		for n := range to {
			furthest = max(furthest, math.Abs(seg.To[n]-seg.From[n]))
		}
		from := seg.From
		s.at.Store(nil) // until it is there
		steps := int(math.Ceil(furthest / rate / frame.Seconds()))
		for i := 1; i <= steps; i++ {
			due := seg.Start.Add(time.Duration(i) * frame)
			for n := range to {
				x := from[n] + (seg.To[n]-from[n])*float64(i)/float64(steps)
				if err := s.pulse(ctx, n, x); err != nil {
					return err
				}
			}
			if late := s.clock.Now().Sub(due); late > 2*frame {
				return s.errorf(drivers.Late, "step %d of %d was sent %v late", i, steps, late.Round(time.Millisecond)).
					WithHint("The computer or the bus was held up: the stick moved unevenly.")
			}
			if err := s.settle(ctx, due.Sub(s.clock.Now())); err != nil {
				return err
			}
		}
		if steps > 0 {
			if err := s.settle(ctx, arrive); err != nil {
				return err
			}
		}
		seg.End = s.clock.Now()
		if err := context.Cause(ctx); err != nil {
			return err // made safe meanwhile
		}
		there := maps.Clone(seg.To)
		s.at.Store(&there)
		return nil
	})
	if err != nil {
		return drivers.Segment{}, err
	}
	return seg, nil
}
