// Package sound is drivers.Recorder over a sound input of a Linux computer
// (ALSA, without a C library) or over a WAV file played as if it were captured.
//
// Samples are fractions of full scale, unit "1", channels interleaved; with a
// calibration they are in Pa (gain: pascals per full scale). One capture at a
// time; it begins when Record is called, not before.
//
// A capture is whole or an error: lost samples (an overrun), an input that goes
// silent, that delivers more slowly than its rate, or is unplugged, never give
// a shorter or patched capture; nor does an input whose channels all stand
// still at one value, which is dead or muted.
//
// Rate and width are asked of the hardware itself, which must be able to do
// them: nothing is resampled behind the measurement's back. Gain and source of
// the input are set with the system's mixer beforehand.
//
// Tried: recording logic on a source in memory; the layout of the kernel
// structures against sizes computed from its header (sound/asound.h, protocol
// 2.0.15) on 64-bit; and, in an emulated computer with Linux 7.3.4 and its
// loopback card (.ci/kernel): tones of 16, 24 and 32 bits at 44.1, 48 and
// 96 kHz come back in frequency (1 mHz) and to the last bit in level, overruns,
// an input held by another, unplugging under a capture. Not tried: sound
// hardware, 32-bit computers.
package sound

import (
	"context"
	"errors"
	"fmt"
	"math"
	"sync"
	"time"

	"fullthrow/drivers"
)

const (
	// silence is how long a source may deliver nothing.
	silence = time.Second
	// dead is the number of instants from which on a capture without any change
	// cannot come from a working converter, which has noise.
	dead = 1000
	// late is how much longer than asked a capture may take, besides 5 %.
	late = time.Second
)

// Options are how to capture.
type Options struct {
	Rate        float64 // samples/s, whole; 0: 48000
	Channels    int     // 0: 1, or 2 where the hardware cannot do one
	Calibration drivers.Calibration
}

// Source delivers samples: an ALSA input, a file, or a test's own. Only
// one call at a time, but Close may come during any.
type Source interface {
	// Identity proves that the source is there.
	Identity() (string, error)
	// Begin starts a capture; what came before it is dropped.
	Begin() (rate float64, channels int, err error)
	// Read waits for at least one sample and returns whole samples, at most max,
	// as fractions of full scale. Nothing within timeout is
	// os.ErrDeadlineExceeded or a NoReply error.
	Read(ctx context.Context, max int, timeout time.Duration) ([]float64, error)
	// End stops the capture.
	End() error
	Close() error
}

// Recorder is a sound input as a device.
type Recorder struct {
	name  string
	src   Source
	clock drivers.Clock
	cal   drivers.Calibration
	guard drivers.Guard

	mu     sync.Mutex // of closed, never held while waiting
	closed bool
}

var _ drivers.Recorder = (*Recorder)(nil)

// New makes a recorder of a source. A calibration whose gain is not zero makes
// pascals of fractions of full scale.
func New(name string, src Source, clock drivers.Clock, cal drivers.Calibration) *Recorder {
	return &Recorder{name: name, src: src, clock: clock, cal: cal, guard: drivers.NewGuard(clock)}
}

func (r *Recorder) String() string { return r.name }

// state says whether the recorder can be used.
func (r *Recorder) state(ctx context.Context, op string) error {
	if err := context.Cause(ctx); err != nil {
		return drivers.Wrap(r.name, op, err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return drivers.Errorf(r.name, op, drivers.Closed, "closed")
	}
	return nil
}

// fail gives an error of a source its name; closed by us explains any.
func (r *Recorder) fail(ctx context.Context, op string, err error) error {
	if stopped := r.state(ctx, op); stopped != nil {
		return stopped
	}
	return drivers.Wrap(r.name, op, err)
}

// Ready asks the source what it is.
func (r *Recorder) Ready(ctx context.Context) (string, error) {
	if err := r.state(ctx, "ready"); err != nil {
		return "", err
	}
	id, err := r.src.Identity()
	if err != nil {
		return "", r.fail(ctx, "ready", err)
	}
	return id, nil
}

// Safe does nothing: an input drives nothing.
func (r *Recorder) Safe(context.Context) error { return nil }

// Close gives the input back; a Record under way returns Closed.
func (r *Recorder) Close() error {
	r.mu.Lock()
	again := r.closed
	r.closed = true
	r.mu.Unlock()
	if again {
		return nil
	}
	return drivers.Wrap(r.name, "close", r.src.Close())
}

// Record captures for the duration over, rounded up to a whole sample.
func (r *Recorder) Record(ctx context.Context, over time.Duration) (s drivers.Samples, err error) {
	const op = "record"
	if err := r.state(ctx, op); err != nil {
		return drivers.Samples{}, err
	}
	if over <= 0 || over > time.Hour {
		return drivers.Samples{}, drivers.Errorf(r.name, op, drivers.OutOfRange, "%v: want more than 0, at most 1h",
			over)
	}
	if err := r.guard.Enter(ctx); err != nil {
		return drivers.Samples{}, drivers.Wrap(r.name, op, err)
	}
	defer r.guard.Leave()

	rate, channels, err := r.src.Begin()
	if err != nil {
		return drivers.Samples{}, r.fail(ctx, op, err)
	}
	defer func() {
		if e := r.src.End(); e != nil && err == nil {
			s, err = drivers.Samples{}, r.fail(ctx, op, e)
		}
	}()
	s = drivers.Samples{Start: r.clock.Now(), Rate: rate, Channels: channels, Unit: "1"}
	want := int(math.Ceil(over.Seconds()*rate - 1e-6)) // 1e-6: 0.25 s at 48 kHz is 12000 samples, not 12001
	end := s.Start.Add(over + over/20 + late)
	for s.Count() < want {
		now := r.clock.Now()
		left := end.Sub(now)
		if stood := drivers.Stalled(r.clock, s.Start, now); left <= 0 && stood > late/2 {
			return drivers.Samples{}, drivers.LateError(r.name, op, "only %d of %d samples: the computer stood still "+
				"for %v", s.Count(), want, stood.Round(time.Millisecond))
		}
		if left <= 0 {
			return drivers.Samples{}, drivers.Errorf(r.name, op, drivers.NoReply, "only %d of %d samples in %v",
				s.Count(), want, over+over/20+late).
				WithHint("The input delivers more slowly than the rate it was set to.")
		}
		got, err := r.src.Read(ctx, want-s.Count(), min(left, silence))
		if err != nil {
			return drivers.Samples{}, r.readError(ctx, op, s.Count(), want, err)
		}
		if len(got) == 0 || len(got)%channels != 0 || s.Count()+len(got)/channels > want {
			return drivers.Samples{}, drivers.Errorf(r.name, op, drivers.Garbled, "%d values in %d channels", len(got),
				channels)
		}
		s.Values = append(s.Values, got...)
	}
	if s.Count() >= dead && s.Constant() {
		return drivers.Samples{}, drivers.Errorf(r.name, op, drivers.Fault,
			"%d samples and every one is %v: no working converter says that", s.Count(), s.Values[0]).
			WithHint("A converter has noise even with nothing at its input. The input is muted or gated, the " +
				"microphone or its converter is dead, or the wrong input is chosen.")
	}
	if r.cal.Gain != 0 {
		s.Unit = "Pa"
		for i, v := range s.Values {
			s.Values[i] = r.cal.Apply(v)
		}
	}
	return s, nil
}

func (r *Recorder) readError(ctx context.Context, op string, got, want int, err error) error {
	err = r.fail(ctx, op, err)
	var e *drivers.Error
	if errors.As(err, &e) && e.Kind == drivers.NoReply {
		c := *e
		c.Err = fmt.Errorf("silent after %d of %d samples", got, want)
		return &c
	}
	return err
}
