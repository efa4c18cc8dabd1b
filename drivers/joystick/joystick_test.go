package joystick

import (
	"context"
	"errors"
	"os"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// script is a controller whose events happen at times after its opening.
type script struct {
	began  time.Time
	axes   []Axis
	events []Event       // At: the zero time plus the distance
	ends   time.Duration // 0: never; then it is unplugged
	err    error
}

func (s *script) Axes() ([]Axis, error) { return s.axes, nil }
func (s *script) Close() error          { return nil }
func (s *script) Read(until time.Time) ([]Event, error) {
	if s.err != nil {
		return nil, s.err
	}
	var list []Event
	if len(s.events) > 0 {
		next := s.began.Add(s.events[0].At.Sub(time.Time{}))
		if !next.After(until) {
			time.Sleep(time.Until(next))
			e := s.events[0]
			e.At = next
			s.events = s.events[1:]
			list = append(list, e)
		}
	}
	if list == nil {
		time.Sleep(time.Until(until))
		if s.ends > 0 && time.Since(s.began) >= s.ends {
			return nil, syscall.ENODEV
		}
		return nil, os.ErrDeadlineExceeded
	}
	return list, nil
}

func at(ms int, typ, code uint16, v int32) Event {
	return Event{time.Time{}.Add(time.Duration(ms) * time.Millisecond), typ, code, v}
}

func eight() []Axis {
	return []Axis{{evKey, 0x120, 0, 1, 0}, {evAbs, 1, 0, 2047, 1024}, {evAbs, 0, -127, 127, 0}}
}

func TestRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &script{began: time.Now(), axes: eight(), events: []Event{
			at(102, evAbs, 0, 127), at(102, evAbs, 1, 0), at(102, evSyn, synReport, 0),
			at(110, evAbs, 0, -127), // its report comes later, in another read
			at(150, evSyn, synReport, 0),
			at(151, evKey, 0x120, 1), at(151, evSyn, synReport, 0),
			at(400, evAbs, 0, 0), at(400, evSyn, synReport, 0), // after the capture
		}}
		c := New("handset", drivers.System, func() (Source, error) { return s, nil })
		f, err := c.Record(t.Context(), 300*time.Millisecond)
		require.NoError(t, err)
		require.Equal(t, "USB", f.Format)
		require.Zero(t, f.Period, "it speaks when something changes")
		require.Equal(t, 300*time.Millisecond, f.Length)
		when := func(d int) (us []float64) {
			for i, x := range f.Frames {
				if x.At <= time.Duration(d)*time.Millisecond {
					us = []float64{f.Microseconds(i, 1), f.Microseconds(i, 2), f.Microseconds(i, 3)}
				}
			}
			return us
		}
		require.InDeltaSlice(t, []float64{1500, 1500.24, 1000}, when(101), 0.02)
		require.InDeltaSlice(t, []float64{2000, 1000, 1000}, when(102), 0.02)
		require.InDeltaSlice(t, []float64{2000, 1000, 1000}, when(149), 0.02)
		require.InDeltaSlice(t, []float64{1000, 1000, 1000}, when(150), 0.02)
		require.InDeltaSlice(t, []float64{1000, 1000, 2000}, when(300), 0.02)
		for i := 1; i < len(f.Frames); i++ {
			d := f.Frames[i].At - f.Frames[i-1].At
			require.True(t, d > 0 && d <= fill, "frame %d comes %v after the one before", i, d)
		}
	})
}

func TestNotThereAndGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		none := New("handset", drivers.System, func() (Source, error) { return nil, nil })
		f, err := none.Record(t.Context(), time.Second)
		require.NoError(t, err, "a unit that does not show up has failed, and not the bench")
		require.Empty(t, f.Frames)
		require.Equal(t, time.Second, time.Since(began))
		_, err = none.Ready(t.Context())
		require.NoError(t, err)

		for _, c := range []struct {
			s    *script
			kind drivers.Kind
		}{
			{&script{began: time.Now(), axes: eight(), ends: 100 * time.Millisecond}, drivers.Gone},
			{&script{began: time.Now(), axes: eight(), err: errors.New("odd")}, drivers.Fault},
			{&script{began: time.Now(), axes: eight(), events: []Event{at(50, evSyn, synDropped, 0)}}, drivers.Late},
		} {
			d := New("handset", drivers.System, func() (Source, error) { c.s.began = time.Now(); return c.s, nil })
			_, err := d.Record(t.Context(), time.Second)
			require.Equal(t, c.kind, drivers.KindOf(err), "%v", err)
			require.ErrorContains(t, err, "handset: record: ")
		}

		ctx, cancel := context.WithCancelCause(t.Context())
		why := errors.New("stopped")
		time.AfterFunc(100*time.Millisecond, func() { cancel(why) })
		s := &script{began: time.Now(), axes: eight()}
		began = time.Now()
		_, err = New("handset", drivers.System, func() (Source, error) { return s, nil }).Record(ctx, time.Hour)
		require.ErrorIs(t, err, why)
		require.Less(t, time.Since(began), 200*time.Millisecond)
	})
}

func TestDevice(t *testing.T) {
	drivertest.TestDevice(t, func(*testing.T) drivers.Device {
		return New("handset", drivers.System, func() (Source, error) { return &script{axes: eight()}, nil })
	})
}

func TestIdentity(t *testing.T) {
	for s, want := range map[string]Identity{"1209:4f54": {Vendor: 0x1209, Product: 0x4f54},
		"1209:4F54:LQ:7":    {Vendor: 0x1209, Product: 0x4f54, Serial: "LQ:7"},
		"/dev/input/event3": {Path: "/dev/input/event3"}} {
		got, err := ParseIdentity(s)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	for _, s := range []string{"", "1209", "1209:", "12:4f54", "1209:xyzw", "event3"} {
		_, err := ParseIdentity(s)
		require.Error(t, err, s)
	}
}
