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

// Quantity is what an instrument indicates or a bench sets, in its SI unit.
type Quantity string

// The quantities.
const (
	Voltage     Quantity = "voltage"
	Current     Quantity = "current"
	Resistance  Quantity = "resistance"
	Frequency   Quantity = "frequency"
	Temperature Quantity = "temperature"
	ActivePower Quantity = "power"
)

// Unit is the symbol of the quantity's unit, as limits write it.
func (q Quantity) Unit() string {
	return map[Quantity]string{Voltage: "V", Current: "A", Resistance: "Ohm", Frequency: "Hz", Temperature: "Cel",
		ActivePower: "W"}[q]
}

// Indication is one thing that an [Indicator] can be asked for.
type Indication struct {
	Quantity Quantity
	Channel  int     // 1 first
	Max      float64 // largest magnitude, in the quantity's unit; 0: not known
}

// Indicator gives single values: a multimeter, a monitor of a rail, an analogue
// input.
type Indicator interface {
	Device
	// Indications lists what it can give.
	Indications() []Indication
	// Indicate returns one value of q at a channel. rng is the largest magnitude
	// expected, which selects the range (0: the widest, or the instrument's own
	// choice). A value beyond the range is an OutOfRange error, never a clipped
	// value.
	Indicate(ctx context.Context, q Quantity, channel int, rng float64) (float64, error)
}

// AnalogueOutput is a voltage that the bench applies: in place of a
// potentiometer, a cell, a sensor.
type AnalogueOutput interface {
	Device
	// SetLevel applies a voltage, at most [AnalogueOutput.MaxLevel]; more, less than
	// none and what is no number are an OutOfRange error, and nothing is sent.
	SetLevel(ctx context.Context, volts float64) error
	MaxLevel() float64
}

// Load is an electronic load: a sink for what the unit, or a charger, gives.
type Load interface {
	Device
	// Loads lists what it can be set to: current, resistance, power.
	Loads() []Quantity
	// SetLoad sets what it takes (A, W) or is (Ohm). What is beyond its range is an
	// OutOfRange error, and nothing is sent.
	SetLoad(ctx context.Context, q Quantity, value float64) error
	SetOutput(ctx context.Context, on bool) error
}

// SafeTimer is a device that may need longer than usual to be made safe, and says
// how long: who makes safe waits that long and no longer.
type SafeTimer interface {
	Device
	SafeTime() time.Duration
}

// Ran is what came of a run of a [Program].
type Ran struct {
	Exit   int    // its exit code; -1 where a signal ended it
	Signal string // that signal, as the system names it
	// Out and Err are what it wrote, as UTF-8 with what is none of it replaced;
	// Cut says that there was more than is kept.
	Out, Err string
	Cut      bool
	Took     time.Duration
	// Output is the file that it was to write, nil where the bench file names none.
	Output []byte
}

// Program is an external program of the bench file: a flasher, a tool of a
// camera.
type Program interface {
	Device
	// Values names the places in its arguments that a run fills.
	Values() []string
	// Run runs it once, its arguments filled with values, and waits for its end. An
	// exit code is a result; not started, not ended in time or without the output it
	// was to write are errors. Whatever it left running is ended.
	Run(ctx context.Context, values map[string]string) (Ran, error)
}

// Light is what a [ColourSensor] has read.
type Light struct {
	// Counts, NaN where Saturated: a clipped channel has no value.
	Clear, Red, Green, Blue float64
	Full                    float64 // counts at which a channel clips
	Over                    time.Duration
	Gain                    float64
	Saturated               bool
	// X and Y are CIE 1931 chromaticity, NaN without the matrix that calibrates it.
	X, Y float64
}

// ColourSensor reads the colour of light by filters of its own, which are no
// observer's: without a matrix from a calibration only ratios mean something.
type ColourSensor interface {
	Device
	// Light integrates once, over a time and with a gain that the part has.
	Light(ctx context.Context, over time.Duration, gain float64) (Light, error)
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

// Standstill is what making a [Mover] safe has shown of its motion.
type Standstill struct {
	Known bool          // it stands; else it may still move
	After time.Duration // from the call until that was known
	Cut   string        // role of the output that has taken its power; "": it stopped by itself
}

// Stands is a [Mover] that proves that it stands.
type Stands interface {
	// Standstill is what the last Safe has shown; ok is false where there was none.
	Standstill() (s Standstill, ok bool)
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
