package drivers

import (
	"context"
	"time"
)

// Device is one piece of fixture hardware. What more it can do it shows by
// implementing one or more of the interfaces below; the script host finds them
// by type assertion.
type Device interface {
	// String is the role in the bench file: "meter".
	String() string
	// Ready proves that the device answers, and returns what it says it is
	// ("" where the protocol has no such question). It changes nothing.
	Ready(ctx context.Context) (identity string, err error)
	// Safe puts the device into its safe state (outputs off, motion stopped) by
	// the shortest way, whatever was under way. It is called on every way out,
	// possibly while another call is still being cancelled, and more than once.
	Safe(ctx context.Context) error
	// Close gives the hardware back. It does not make safe.
	Close() error
}

// Supply is a laboratory power supply.
type Supply interface {
	Device
	SetVoltage(ctx context.Context, volts float64) error
	SetCurrentLimit(ctx context.Context, amperes float64) error
	SetOutput(ctx context.Context, on bool) error
}

// Meter measures current through the unit.
type Meter interface {
	Device
	// Current samples the current for the duration `over` at about rate
	// samples/s (0: the model's usual rate). rng is the largest current
	// expected, in A, which selects the range (0: automatic). Samples are in A;
	// a sample beyond the range is an OutOfRange error, never a clipped value.
	Current(ctx context.Context, rng, rate float64, over time.Duration) (Samples, error)
}

// Attenuator is a programmable step attenuator in the radio path.
type Attenuator interface {
	Device
	SetAttenuation(ctx context.Context, dB float64) error
}

// Recorder captures sound: a sound card, or a digitiser behind a microphone.
type Recorder interface {
	Device
	// Record captures for the duration over. Samples are fractions of full
	// scale (-1..+1), or Pa where the microphone's calibration is known.
	Record(ctx context.Context, over time.Duration) (Samples, error)
}

// Mover is a machine that moves sticks, with named axes ("left_x").
type Mover interface {
	Device
	Axes() []string
	// Home finds the reference position of every axis.
	Home(ctx context.Context) error
	// Move goes in a straight line to the positions named, at rate full
	// throws per second (1 = from centre to one end in 1 s), and returns when
	// the machine says it has arrived: the segment travelled.
	Move(ctx context.Context, to map[string]float64, rate float64) (Segment, error)
}

// Receiver hears the handset's radio link through a bound receiver's serial
// output or its pulse output.
type Receiver interface {
	Device
	// Record takes every frame that arrives in the duration over. Silence is a
	// capture without frames and no error: an unbound or dead handset is the
	// unit's failure. A receiver that is unplugged is a Gone error. A receiver
	// that is itself present is expected to prove it in Ready.
	Record(ctx context.Context, over time.Duration) (Frames, error)
}

// Timer measures intervals in the fixture's own hardware.
type Timer interface {
	Device
	// Interval returns the time from stimulus (the fixture steps an input of
	// the handset) to the answer at the receiver's output, in s. No answer
	// within the timer's own time-out is NaN and no error: a dead link is the
	// unit's failure, a silent timer the bench's.
	Interval(ctx context.Context) (float64, error)
}

// Lines is a device with numbered outputs (relays, GPIO lines) and inputs.
type Lines interface {
	Device
	// Output and Input open line n (as the device numbers it). activeLow
	// inverts between the logical and the electrical level. safe is the logical
	// level on every way out.
	Output(name string, n int, activeLow, safe bool) (Output, error)
	Input(name string, n int, activeLow bool) (Input, error)
}

// Output is one relay or line that the bench drives.
type Output interface {
	Device
	Set(ctx context.Context, on bool) error
}

// Input is one line that the bench reads. A failed read is an error and never
// a level.
type Input interface {
	Device
	Level(ctx context.Context) (bool, error)
}

// EdgeInput is an Input that can wait for a change.
type EdgeInput interface {
	Input
	// Edge waits until the logical level changes, at most timeout. No edge is
	// a NoReply error. at is the kernel's time stamp where it gives one, else
	// the time after the call; uncertainty says how far it may be off.
	Edge(ctx context.Context, timeout time.Duration) (e Edge, err error)
}

// EdgeRecorder is an EdgeInput that notes edges while nobody waits, so that a
// program that is held up between two of them loses none.
type EdgeRecorder interface {
	EdgeInput
	// Edges returns every edge in the duration over, in order, with the
	// kernel's time stamps; their distances are as exact as those, whatever
	// their Uncertainty. Edges from before the call are dropped. No edge is an
	// empty capture and no error. Where edges are known to be missing it is an
	// error that says how many, never a capture with holes: Late where the
	// computer was held up for longer than it can note them, Garbled where two
	// edges of one direction follow each other.
	Edges(ctx context.Context, over time.Duration) ([]Edge, error)
}

// Calibration corrects an indication: Apply(x) = Gain*x + Offset. The zero
// value corrects nothing.
type Calibration struct {
	Gain        float64 // 0 means 1
	Offset      float64 // in the unit of the indication
	Due         time.Time
	Certificate string
}

// Apply returns the corrected value of x.
func (c Calibration) Apply(x float64) float64 {
	if c.Gain == 0 {
		return x + c.Offset
	}
	return c.Gain*x + c.Offset
}
