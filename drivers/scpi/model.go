package scpi

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
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
	// MultimeterFunction gives single values, see [Read].
	MultimeterFunction Function = "multimeter"
	LoadFunction       Function = "load"
)

// Words are what to say for each action. {value} stands for the number, {line} for
// a relay or input or a list of them, {channel} for the channel of an instrument
// with several. An empty word is an action that the instrument does not have or
// need.
type Words struct {
	Identity string `toml:"identity" help:"question for who it is; empty: it has none"`
	Error    string `toml:"error" help:"question for the oldest entry of the error queue; empty: it has none"`
	Safe     string `toml:"safe" help:"puts it into its safe state"`

	Voltage      string `toml:"voltage" help:"sets {value} V"`
	CurrentLimit string `toml:"current_limit" help:"sets {value} A"`
	OutputOn     string `toml:"output_on" help:"switches a supply or a load on"`
	OutputOff    string `toml:"output_off" help:"and off"`
	LoadCurrent  string `toml:"load_current" help:"a load takes {value} A"`
	// Resistance and Power of a load.
	Resistance string `toml:"resistance" help:"a load is {value} Ohm"`
	Power      string `toml:"power" help:"a load takes {value} W"`

	Setup        []string `toml:"setup" help:"before each capture: number format and the like"`
	Range        string   `toml:"range" help:"of a captured current, {value} A"`
	AutoRange    string   `toml:"auto_range" help:"the instrument chooses it"`
	Interval     string   `toml:"interval" help:"of a capture, {value} s for each sample"`
	Points       string   `toml:"points" help:"{value} samples"`
	Start        string   `toml:"start" help:"begins a capture"`
	Fetch        string   `toml:"fetch" help:"question for its samples, a block of REAL,32"`
	Close        string   `toml:"close" help:"closes relay {line}"`
	Open         string   `toml:"open" help:"opens relay {line}"`
	Level        string   `toml:"level" help:"question for input {line}"`
	TimeInterval string   `toml:"time_interval" help:"question for an interval, in s"`

	Attenuation string `toml:"attenuation" help:"sets {value} dB"`

	// Queries for what was set: whatever is set is asked back, and it is a
	// fault where the instrument says something else. Without the word the
	// instrument is believed. RelayState takes a channel list.
	VoltageState      string `toml:"voltage_state" help:"question for what was set"`
	CurrentLimitState string `toml:"current_limit_state" help:"the same"`
	OutputState       string `toml:"output_state" help:"the same: 1, 0, ON or OFF"`
	RelayState        string `toml:"relay_state" help:"the same of the relays {line}"`
	AttenuationState  string `toml:"attenuation_state" help:"the same"`
	LoadCurrentState  string `toml:"load_current_state" help:"the same"`
	ResistanceState   string `toml:"resistance_state" help:"the same"`
	PowerState        string `toml:"power_state" help:"the same"`
	// The same of a capture's range and interval, asked only over a wire that has
	// no check sum (see [drivers.Unchecked]).
	RangeState    string `toml:"range_state" help:"the same, over a wire without check sum"`
	IntervalState string `toml:"interval_state" help:"the same, over a wire without check sum"`
}

// Read is a single value that an instrument can be asked for.
type Read struct {
	Quantity string `toml:"quantity" oneof:"voltage current resistance frequency temperature power" help:"what"`
	Ask      string `toml:"ask" help:"question for one value; {channel} where there are several, {value} for the range"`
	Range    string `toml:"range" help:"chooses the range for {value}; empty: never"`
	Auto     string `toml:"auto_range" help:"the instrument chooses it"`
	// Max is in the quantity's unit.
	Max      float64 `toml:"max" range:"0,1e12" help:"largest magnitude, in V, A, Ohm, Hz, Cel, W"`
	Channels int     `toml:"channels" range:"0,1000" help:"numbered from 1; left out: one"`
}

// How questions of one message are answered: [Model.Compound].
const (
	Joined = "joined" // in one line, joined by ';' (IEEE 488.2)
	Apart  = "apart"  // a line for each
	Single = "single" // one command or question a line is understood, and no more
)

// How an entry of the error queue is written: [Model.ErrorText].
const (
	Quoted = "quoted" // 0,"No error" (SCPI)
	Bare   = "bare"   // 0,No error
	Number = "number" // 0
)

// Model is one kind of instrument.
type Model struct {
	Name     string         `toml:"name" help:"as bench files call it"`
	About    string         `toml:"about" help:"one line for people"`
	Function Function       `toml:"function" oneof:"supply meter board attenuator digitiser multimeter load" help:"its use"`
	Drives   drivers.Hazard `toml:"drives" help:"what it can hurt people with: power, radio, nothing, by outputs"`

	LineEnd  string `toml:"line_end" raw:"true" help:"after what is sent: \\n, \\r\\n or \\r"`
	ReplyEnd string `toml:"reply_end" raw:"true" help:"of a reply: \\n (also after \\r), or \\r; left out: \\n"`
	// Compound: where answers are joined, a question and SYST:ERR? go out together,
	// and so do a setting and the question for it: one round trip.
	Compound  string `toml:"compound" oneof:"joined apart single" help:"how questions of one message are answered"`
	ErrorText string `toml:"error_text" oneof:"quoted bare number" help:"an error: 0,\"No error\"; 0,No error; 0"`
	Nulls     bool   `toml:"nulls" help:"a NUL stands behind the end of a reply"`
	Echo      bool   `toml:"echo" help:"it sends back what it was sent before it answers"`
	Prompt    string `toml:"prompt" help:"it sends this when it is ready for more, like >"`
	// Greeting is how long to wait for it; then until the line is quiet.
	Greeting time.Duration `toml:"greeting" range:"0,10" help:"s, in which it greets whoever connects; 0: it does not"`
	Units    bool          `toml:"units" help:"a unit stands behind every value read: 5.000V"`
	Overload []string      `toml:"overload" help:"answers in place of a value beyond the range, like OL"`
	On       []string      `toml:"on" help:"further words for 1 in a state: 1 and ON are known"`
	Off      []string      `toml:"off" help:"further words for 0 in a state: 0 and OFF are known"`

	Timeout time.Duration `toml:"timeout" range:"0.01,30" help:"s, for a reply"`
	// Settle is how long the line must be quiet after trouble before it is
	// taken as quiet.
	Settle time.Duration `toml:"settle" range:"0.005,5" help:"s, that the line must be quiet after trouble"`
	// SafeTime is 0 for three time-outs, see [Model.safeTime].
	SafeTime    time.Duration `toml:"safe_time" range:"0,10" help:"s, at most, to be made safe; left out: three timeouts"`
	Pause       time.Duration `toml:"pause" range:"0,5" help:"s, between an answer and the next message"`
	AfterSwitch time.Duration `toml:"after_switch" range:"0,30" help:"s, until a switched relay or output has settled"`
	AfterRange  time.Duration `toml:"after_range" range:"0,30" help:"s, until a new range has settled"`

	MaxVoltage  float64 `toml:"max_voltage" range:"0,10000" help:"V, the largest that can be set"`
	VoltageStep float64 `toml:"voltage_step" range:"0,100" help:"V, of what is set"`
	MaxCurrent  float64 `toml:"max_current" range:"0,10000" help:"A, the largest that can be set or measured"`
	CurrentStep float64 `toml:"current_step" range:"0,100" help:"A, of what is set"`
	Channels    int     `toml:"channels" range:"0,64" help:"of a supply or load, numbered from 1; left out: one"`
	// Of a load.
	MaxResistance  float64 `toml:"max_resistance" range:"0,1e9" help:"Ohm, of a load"`
	ResistanceStep float64 `toml:"resistance_step" range:"0,1e6" help:"Ohm"`
	MaxPower       float64 `toml:"max_power" range:"0,1e6" help:"W, of a load"`
	PowerStep      float64 `toml:"power_step" range:"0,1000" help:"W"`
	// Rates of a capture, and its largest number of samples.
	UsualRate float64 `toml:"usual_rate" range:"0,1e7" help:"samples/s of a capture"`
	MinRate   float64 `toml:"min_rate" range:"0,1e7" help:"samples/s"`
	MaxRate   float64 `toml:"max_rate" range:"0,1e7" help:"samples/s"`
	MaxPoints int     `toml:"max_points" range:"0,1e7" help:"samples that it holds"`
	// Full is the end of a digitiser's scale, in what its blocks are in; a meter's
	// is that of its range, or MaxCurrent. Beyond is how far past it a sample can
	// lie, as a share of it: further, it is no value of this instrument.
	Full   float64 `toml:"full" range:"0,1e6" help:"end of a digitiser's scale"`
	Beyond float64 `toml:"beyond" range:"0,1" help:"how far past the end of the scale a value can lie, as a share of it"`
	// Unlike is how far, as a share of full scale, one sample must lie off both its
	// neighbours for its capture to be asked for again and compared, over a wire
	// that has no check sum; one that is off them as no others are is compared from
	// a hundredth of it on. 0: never, for an instrument that gives a capture once.
	Unlike       float64 `toml:"unlike" range:"0,1" help:"share of full scale; a sample so far off is asked for again"`
	LittleEndian bool    `toml:"little_endian" help:"byte order of REAL,32 in blocks"`
	// Dead is the number of samples from which on a capture of one and the same
	// value cannot come from a working converter, which has noise. 0: never, for
	// an instrument so coarse that it repeats its last digit.
	Dead   int `toml:"dead" range:"0,1e7" help:"samples all alike that no working converter gives; 0: any number"`
	Relays int `toml:"relays" range:"0,1000" help:"of a board, numbered from 1"`
	Inputs int `toml:"inputs" range:"0,1000" help:"of a board, numbered from 1"`
	// RelayNames are what the instrument calls its relays, from relay 1 on: the
	// crosspoints of a matrix.
	RelayNames []string `toml:"relay_names" help:"its own names of relay 1 and on, like 1101, 1102; left out: 1, 2"`
	// IntervalTimeout is how long a time interval may take to come, the
	// instrument's own time-out included: none can be longer.
	IntervalTimeout time.Duration `toml:"interval_timeout" range:"0,60" help:"s, the longest interval"`
	MaxAttenuation  float64       `toml:"max_attenuation" range:"0,200" help:"dB"`
	Step            float64       `toml:"step" range:"0,100" help:"dB"`

	Words Words  `toml:"words"`
	Reads []Read `toml:"read"`
}

func (m *Model) joined() bool { return m.Compound == Joined }

// safeTime bounds making safe: the questions for errors and for the state and, where
// answers may be owed, the one for who it is.
func (m *Model) safeTime() time.Duration {
	if m.SafeTime > 0 {
		return m.SafeTime
	}
	return min(3*m.Timeout, mostSafe)
}

// mostSafe is how long making safe may take, whatever a row says.
const mostSafe = 10 * time.Second

// fill puts a value into a word: fill("VOLT {value}", "value", "3.7").
func fill(word string, pairs ...string) string {
	for i := 0; i+1 < len(pairs); i += 2 {
		word = strings.ReplaceAll(word, "{"+pairs[i]+"}", pairs[i+1])
	}
	return word
}

// relayName is what the instrument calls relay n.
func (m *Model) relayName(n int) string {
	if n <= len(m.RelayNames) {
		return m.RelayNames[n-1]
	}
	return strconv.Itoa(n)
}

// allRelays is the list of all.
func (m *Model) allRelays() string {
	if len(m.RelayNames) == 0 {
		return "1:" + strconv.Itoa(m.Relays)
	}
	return strings.Join(m.RelayNames, ",")
}

// Fault is what is wrong with a row: the key, and why.
type Fault struct{ Key, Text, Hint string }

// Faults lists what makes a row unfit for use, beyond what its keys say alone.
func (m Model) Faults() (faults []Fault) {
	add := func(key, hint, format string, args ...any) {
		faults = append(faults, Fault{key, fmt.Sprintf(format, args...), hint})
	}
	w := &m.Words
	need := func(key, word, hole string) {
		switch {
		case word == "":
			add("words", "", "a %s needs the word %s", m.Function, key)
		case hole != "" && !strings.Contains(word, hole):
			add("words."+key, "write "+hole+" where it stands", "%q has no place for %s", word, hole)
		}
	}
	positive := func(key string, v float64) {
		if !(v > 0) {
			add(key, "", "a %s needs %s above 0", m.Function, key)
		}
	}
	if m.Timeout <= 0 {
		add("timeout", `write timeout = 1.0, or based_on = "NAME"`, "it has no time-out")
	}
	if m.Settle <= 0 {
		add("settle", "write settle = 0.05", "it does not say how long the line must be quiet after trouble")
	}
	if !slices.Contains([]string{"\n", "\r\n", "\r"}, m.LineEnd) {
		add("line_end", `one of "\n", "\r\n", "\r"`, "line_end is %q", m.LineEnd)
	}
	if !slices.Contains([]string{"", "\n", "\r"}, m.ReplyEnd) {
		add("reply_end", `one of "\n", "\r"`, "reply_end is %q", m.ReplyEnd)
	}
	if m.Compound == "" {
		add("compound", "one of joined, apart, single", "it does not say how questions of one message are answered")
	}
	if len(m.RelayNames) > 0 && len(m.RelayNames) != m.Relays {
		add("relay_names", "", "%d names for %d relays", len(m.RelayNames), m.Relays)
	}
	state := ""
	switch m.Function {
	case SupplyFunction, LoadFunction:
		need("output_on", w.OutputOn, "")
		need("output_off", w.OutputOff, "")
		need("safe", w.Safe, "")
		state = w.OutputState
		if m.Function == SupplyFunction {
			need("voltage", w.Voltage, "{value}")
			need("current_limit", w.CurrentLimit, "{value}")
			positive("max_voltage", m.MaxVoltage)
			positive("max_current", m.MaxCurrent)
			break
		}
		if w.LoadCurrent+w.Resistance+w.Power == "" {
			add("words", "load_current, resistance or power", "a load needs a word for what it can be set to")
		}
		for _, s := range []struct {
			word, key, max string
			most           float64
		}{{w.LoadCurrent, "load_current", "max_current", m.MaxCurrent},
			{w.Resistance, "resistance", "max_resistance", m.MaxResistance}, {w.Power, "power", "max_power", m.MaxPower}} {
			if s.word != "" {
				need(s.key, s.word, "{value}")
				positive(s.max, s.most)
			}
		}
	case MeterFunction, DigitiserFunction:
		need("interval", w.Interval, "{value}")
		need("points", w.Points, "{value}")
		need("start", w.Start, "")
		need("fetch", w.Fetch, "")
		positive("usual_rate", m.UsualRate)
		positive("beyond", m.Beyond)
		positive("max_points", float64(m.MaxPoints))
		if m.Function == MeterFunction {
			positive("max_current", m.MaxCurrent)
		} else {
			positive("full", m.Full)
		}
	case BoardFunction:
		if m.Relays > 0 {
			need("close", w.Close, "{line}")
			need("open", w.Open, "{line}")
			need("safe", w.Safe, "")
			state = w.RelayState
		}
		if m.Inputs > 0 {
			need("level", w.Level, "{line}")
		}
		if m.Relays+m.Inputs == 0 && w.TimeInterval == "" {
			add("", "", "a board without relays, inputs and timer")
		}
		if w.TimeInterval != "" {
			positive("interval_timeout", m.IntervalTimeout.Seconds())
		}
	case AttenuatorFunction:
		need("attenuation", w.Attenuation, "{value}")
		positive("max_attenuation", m.MaxAttenuation)
	case MultimeterFunction:
		if len(m.Reads) == 0 {
			add("", `begin one with [[scpi.read]]`, "a multimeter that reads nothing")
		}
	default:
		add("", "write function", "it does not say what its function is")
	}
	// What can hurt is confirmed when it is made safe, and counts as able to hurt.
	drives := map[Function]drivers.Hazard{SupplyFunction: drivers.Power, LoadFunction: drivers.Power,
		BoardFunction: drivers.ByOutputs}[m.Function]
	if drives == "" {
		drives = drivers.Nothing
	}
	if m.Function != "" && m.Drives != drives {
		add("drives", "", "a %s drives %q, not %q", m.Function, drives, m.Drives)
	}
	if drives != drivers.Nothing && (m.Relays > 0 || m.Function != BoardFunction) && state == "" && w.Error == "" {
		add("words", "give output_state, relay_state or error", "nothing would confirm that it has been made safe")
	}
	if w.Safe != "" && (w.Safe == w.OutputOn || w.Safe == w.Close) {
		add("words.safe", "", "%q switches on", w.Safe)
	}
	if w.Identity == "" && w.Error == "" && state == "" && len(m.Reads) == 0 && w.Level == "" {
		add("words", "give identity, a state or a read", "nothing would show that it answers")
	}
	for i, r := range m.Reads {
		key := "read." + strconv.Itoa(i)
		if r.Quantity == "" {
			add(key, "", "a read without quantity")
		}
		if r.Ask == "" {
			add(key, "", "a read without the question to ask")
		}
		if !(r.Max > 0) {
			add(key, "in the unit of the quantity: max = 1000", "%s does not say what its largest value is", r.Quantity)
		}
		if r.Range != "" && !strings.Contains(r.Range, "{value}") {
			add(key+".range", "write {value} where it stands", "%q has no place for the range", r.Range)
		}
		if r.Channels > 1 && !strings.Contains(r.Ask, "{channel}") {
			add(key+".ask", "write {channel} where it stands", "%q has no place for the channel", r.Ask)
		}
	}
	if m.Channels > 1 && !(strings.Contains(w.OutputOn, "{channel}") && strings.Contains(w.OutputOff, "{channel}") &&
		strings.Contains(w.Safe, "{channel}") && (w.OutputState == "" || strings.Contains(w.OutputState, "{channel}"))) {
		add("channels", "write {channel} in output_on, output_off, output_state and safe",
			"it has %d channels, and its words do not say which", m.Channels)
	}
	return faults
}

// Models lists every model, by function.
func Models() []Model {
	words := Words{Identity: "*IDN?", Error: "SYST:ERR?"}
	row := func(name, about string, f Function, drives drivers.Hazard, w Words) Model {
		w.Identity, w.Error = words.Identity, words.Error
		return Model{Name: name, About: about, Function: f, Drives: drives, Words: w,
			LineEnd: "\n", Compound: Joined, ErrorText: Quoted, Timeout: time.Second, Settle: 50 * time.Millisecond}
	}

	// A capture that was cancelled may still be running: ABOR first.
	realBlocks := []string{"ABOR", "FORM REAL,32", "FORM:BORD NORM"}

	supply := row("generic-supply", "one output, 20 V, 5 A", SupplyFunction, drivers.Power, Words{
		Voltage: "VOLT {value}", CurrentLimit: "CURR {value}", OutputOn: "OUTP ON", OutputOff: "OUTP OFF", Safe: "OUTP OFF",
		VoltageState: "VOLT?", CurrentLimitState: "CURR?", OutputState: "OUTP?",
	})
	supply.MaxVoltage, supply.MaxCurrent = 20, 5
	supply.VoltageStep, supply.CurrentStep = 10e-3, 10e-3

	meter := row("generic-meter", "sampling ammeter, 3 A, 100 kS/s", MeterFunction, drivers.Nothing, Words{
		Setup: realBlocks, Safe: "ABOR",
		Range: "SENS:CURR:RANG {value}", AutoRange: "SENS:CURR:RANG:AUTO ON",
		Interval: "SENS:SWE:TINT {value}", Points: "SENS:SWE:POIN {value}", Start: "INIT", Fetch: "FETC:ARR:CURR?",
		RangeState: "SENS:CURR:RANG?", IntervalState: "SENS:SWE:TINT?",
	})
	meter.MaxCurrent = 3
	meter.Beyond, meter.Unlike = 0.2, 0.05
	meter.UsualRate, meter.MinRate, meter.MaxRate, meter.MaxPoints = 10e3, 1, 100e3, 4e6
	meter.Dead = 100

	board := row("fixture-board", "relays, digital inputs and interval timer of a fixture",
		BoardFunction, drivers.ByOutputs, Words{
			Close: "ROUT:CLOS (@{line})", Open: "ROUT:OPEN (@{line})", RelayState: "ROUT:CLOS? (@{line})", Safe: "ROUT:OPEN:ALL",
			Level: "SENS:DIG? (@{line})", TimeInterval: "MEAS:TINT?",
		})
	board.Relays, board.Inputs, board.IntervalTimeout = 8, 8, 5*time.Second

	attenuator := row("generic-attenuator", "0 to 110 dB in steps of 0.5 dB", AttenuatorFunction, drivers.Nothing,
		Words{
			// There is no danger in an attenuator: its safe state lets through the
			// most, so it cannot do worse in any other. A known state on every way
			// out keeps one unit's attenuation from the next.
			Attenuation: "INP:ATT {value}", Safe: "INP:ATT 0", AttenuationState: "INP:ATT?",
		})
	attenuator.MaxAttenuation, attenuator.Step = 110, 0.5

	digitiser := row("generic-digitiser", "one channel, 48 kS/s, behind a microphone",
		DigitiserFunction, drivers.Nothing, Words{
			Setup: realBlocks, Safe: "ABOR",
			Interval: "SENS:SWE:TINT {value}", Points: "SENS:SWE:POIN {value}", Start: "INIT", Fetch: "FETC:ARR:VOLT?",
			IntervalState: "SENS:SWE:TINT?",
		})
	digitiser.Full, digitiser.Beyond, digitiser.Unlike = 1, 0.2, 0.05
	digitiser.UsualRate, digitiser.MinRate, digitiser.MaxRate, digitiser.MaxPoints = 48e3, 48e3, 48e3, 4e6
	digitiser.Dead = 1000

	multimeter := row("generic-multimeter", "single values: V, A, Ohm, Hz, temperature", MultimeterFunction,
		drivers.Nothing, Words{})
	multimeter.Timeout = 3 * time.Second // a new range and its zero first
	multimeter.Beyond = 0.2
	multimeter.Reads = []Read{
		{Quantity: "voltage", Ask: "MEAS:VOLT:DC?", Max: 1000},
		{Quantity: "current", Ask: "MEAS:CURR:DC?", Max: 3},
		{Quantity: "resistance", Ask: "MEAS:RES?", Max: 100e6},
		{Quantity: "frequency", Ask: "MEAS:FREQ?", Max: 300e3},
		{Quantity: "temperature", Ask: "MEAS:TEMP?", Max: 1000},
	}

	reading := supply
	reading.Name, reading.About = "generic-supply-reading", "the same, and reads back voltage and current"
	reading.Beyond = 0.2
	reading.Reads = []Read{{Quantity: "voltage", Ask: "MEAS:VOLT?", Max: 20},
		{Quantity: "current", Ask: "MEAS:CURR?", Max: 5}}

	load := row("generic-load", "takes current, resistance or power, 60 V, 10 A", LoadFunction, drivers.Power, Words{
		LoadCurrent: "FUNC CURR;:CURR {value}", LoadCurrentState: "CURR?",
		Resistance: "FUNC RES;:RES {value}", ResistanceState: "RES?", Power: "FUNC POW;:POW {value}", PowerState: "POW?",
		OutputOn: "INP ON", OutputOff: "INP OFF", OutputState: "INP?", Safe: "INP OFF",
	})
	load.MaxCurrent, load.CurrentStep = 10, 10e-3
	load.MaxResistance, load.ResistanceStep = 10e3, 0.1
	load.MaxPower, load.PowerStep = 100, 0.1
	load.Beyond = 0.2
	load.Reads = []Read{{Quantity: "voltage", Ask: "MEAS:VOLT?", Max: 60},
		{Quantity: "current", Ask: "MEAS:CURR?", Max: 10}}

	return []Model{supply, meter, board, attenuator, digitiser, multimeter, reading, load}
}
