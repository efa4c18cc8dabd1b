package scpi

import (
	"time"

	"fullthrow/drivers"
)

// Function is what an instrument does for the bench.
type Function string

// The functions a row can have.
const (
	SupplyFunction     Function = "supply"
	MeterFunction      Function = "meter"
	BoardFunction      Function = "board"
	AttenuatorFunction Function = "attenuator"
	DigitiserFunction  Function = "digitiser"
)

// Words are what to say for each action. %s stands for the number. An empty
// word is an action that the instrument does not have or need.
type Words struct {
	Identity string // query
	Error    string // query for the oldest entry of the error queue
	Safe     string // puts the instrument into its safe state

	Voltage, CurrentLimit string
	OutputOn, OutputOff   string

	Setup              []string // before each capture: number format and the like
	Range, AutoRange   string   // of the measured current
	Interval, Points   string   // of a capture: s per sample, samples
	Start, Fetch       string   // Fetch is a query for a block
	Close, Open, Level string   // relay and input; Level is a query, 0 or 1
	TimeInterval       string   // query, s

	Attenuation string

	// Queries for what was set: whatever is set is asked back, and it is a
	// fault where the instrument says something else. Without the word the
	// instrument is believed. RelayState takes a channel list.
	VoltageState, CurrentLimitState, OutputState, RelayState, AttenuationState string
	// The same of a capture's range and interval, asked only over a wire that has
	// no check sum (see [drivers.Unchecked]).
	RangeState, IntervalState string
}

// Model is one kind of instrument.
type Model struct {
	Name     string
	About    string
	Function Function
	Drives   drivers.Hazard // what it can hurt people with
	Words    Words

	LineEnd string // of what is sent; replies may end in "\n" or "\r\n"
	// Joined: the answers to the questions of one message come as one line,
	// joined by ';' (IEEE 488.2). Then a question and SYST:ERR? go out together,
	// and so do a setting and the question for it: one round trip. Instruments
	// that answer each question by a line of its own need false.
	Joined  bool
	Timeout time.Duration // for a reply
	// Settle is how long the line must be quiet after trouble before it is
	// taken as quiet.
	Settle time.Duration

	MaxVoltage, VoltageStep float64 // V
	MaxCurrent, CurrentStep float64 // A
	// Rates of a capture, samples/s, and its largest number of samples.
	UsualRate, MinRate, MaxRate float64
	MaxPoints                   int
	// Full is the end of a digitiser's scale, in what its blocks are in; a meter's
	// is that of its range, or MaxCurrent. Beyond is how far past it a sample can
	// lie, as a share of it: further, it is no value of this instrument.
	Full, Beyond float64
	// Unlike is how far, as a share of full scale, one sample must lie off both its
	// neighbours for its capture to be asked for again and compared, over a wire
	// that has no check sum. 0: never, for an instrument that gives a capture once.
	Unlike       float64
	LittleEndian bool // byte order of REAL,32 in blocks
	// Dead is the number of samples from which on a capture of one and the same
	// value cannot come from a working converter, which has noise. 0: never, for
	// an instrument so coarse that it repeats its last digit.
	Dead           int
	Relays, Inputs int // numbered from 1
	// IntervalTimeout is how long a time interval may take to come, the
	// instrument's own time-out included: none can be longer.
	IntervalTimeout      time.Duration
	MaxAttenuation, Step float64 // dB
}

// Models lists every model, by function.
func Models() []Model {
	words := Words{Identity: "*IDN?", Error: "SYST:ERR?"}
	row := func(name, about string, f Function, drives drivers.Hazard, w Words) Model {
		w.Identity, w.Error = words.Identity, words.Error
		return Model{Name: name, About: about, Function: f, Drives: drives, Words: w,
			LineEnd: "\n", Joined: true, Timeout: time.Second, Settle: 50 * time.Millisecond}
	}

	// A capture that was cancelled may still be running: ABOR first.
	realBlocks := []string{"ABOR", "FORM REAL,32", "FORM:BORD NORM"}

	supply := row("generic-supply", "one output, 20 V, 5 A", SupplyFunction, drivers.Power, Words{
		Voltage: "VOLT %s", CurrentLimit: "CURR %s", OutputOn: "OUTP ON", OutputOff: "OUTP OFF", Safe: "OUTP OFF",
		VoltageState: "VOLT?", CurrentLimitState: "CURR?", OutputState: "OUTP?",
	})
	supply.MaxVoltage, supply.MaxCurrent = 20, 5
	supply.VoltageStep, supply.CurrentStep = 10e-3, 10e-3

	meter := row("generic-meter", "sampling ammeter, 3 A, 100 kS/s", MeterFunction, drivers.Nothing, Words{
		Setup: realBlocks, Safe: "ABOR",
		Range: "SENS:CURR:RANG %s", AutoRange: "SENS:CURR:RANG:AUTO ON",
		Interval: "SENS:SWE:TINT %s", Points: "SENS:SWE:POIN %s", Start: "INIT", Fetch: "FETC:ARR:CURR?",
		RangeState: "SENS:CURR:RANG?", IntervalState: "SENS:SWE:TINT?",
	})
	meter.MaxCurrent = 3
	meter.Beyond, meter.Unlike = 0.2, 0.05
	meter.UsualRate, meter.MinRate, meter.MaxRate, meter.MaxPoints = 10e3, 1, 100e3, 4e6
	meter.Dead = 100

	board := row("fixture-board", "relays, digital inputs and interval timer of a fixture",
		BoardFunction, drivers.ByOutputs, Words{
			Close: "ROUT:CLOS (@%s)", Open: "ROUT:OPEN (@%s)", RelayState: "ROUT:CLOS? (@%s)", Safe: "ROUT:OPEN:ALL",
			Level: "SENS:DIG? (@%s)", TimeInterval: "MEAS:TINT?",
		})
	board.Relays, board.Inputs, board.IntervalTimeout = 8, 8, 5*time.Second

	attenuator := row("generic-attenuator", "0 to 110 dB in steps of 0.5 dB", AttenuatorFunction, drivers.Nothing,
		Words{
			// There is no danger in an attenuator: its safe state lets through the
			// most, so it cannot do worse in any other. A known state on every way
			// out keeps one unit's attenuation from the next.
			Attenuation: "INP:ATT %s", Safe: "INP:ATT 0", AttenuationState: "INP:ATT?",
		})
	attenuator.MaxAttenuation, attenuator.Step = 110, 0.5

	digitiser := row("generic-digitiser", "one channel, 48 kS/s, behind a microphone",
		DigitiserFunction, drivers.Nothing, Words{
			Setup: realBlocks, Safe: "ABOR",
			Interval: "SENS:SWE:TINT %s", Points: "SENS:SWE:POIN %s", Start: "INIT", Fetch: "FETC:ARR:VOLT?",
			IntervalState: "SENS:SWE:TINT?",
		})
	digitiser.Full, digitiser.Beyond, digitiser.Unlike = 1, 0.2, 0.05
	digitiser.UsualRate, digitiser.MinRate, digitiser.MaxRate, digitiser.MaxPoints = 48e3, 48e3, 48e3, 4e6
	digitiser.Dead = 1000

	return []Model{supply, meter, board, attenuator, digitiser}
}
