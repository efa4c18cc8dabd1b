package i2c

import (
	"fmt"
	"math"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"fullthrow/drivers"
)

// Function is what a part does for the bench.
type Function string

// The functions a row can have.
const (
	Converter Function = "converter" // indicates voltages, currents
	Expander  Function = "expander"  // inputs and outputs
	Servo     Function = "servo"     // moves sticks by pulses
	DAC       Function = "dac"       // an analogue output
	Colour    Function = "colour"    // reads red, green and blue light
)

// Model is a row of the table of parts.
type Model struct {
	Name     string
	About    string
	Function Function
	Drives   drivers.Hazard // what it can hurt people with

	Address, LastAddress uint16  // what its pins can select; the first is taken where none is named
	Known                []Known // bits that prove what it is, or at least that it is there

	// Converter:
	Config byte // register of 16 bits that starts a conversion
	Ready  Known
	Inputs []Input

	// Expander:
	Lines                       int    // numbered from 1
	Direction, Latch, Level     []byte // registers by eight lines; none: a part with one byte and weak ones
	Setup                       [][2]byte
	Mode, Prescale, First, Stop byte    // Servo: registers
	Oscillator                  float64 // Hz
	Pulses                      int     // outputs of a servo driver
	Bits                        int     // DAC: resolution
	Colour                      ColourPart
}

// Known is a register with bits of known value.
type Known struct {
	Register    byte
	Bytes       int
	Mask, Value uint16
}

// Input is a quantity that a converter can be asked for, at one of its pins.
type Input struct {
	Quantity drivers.Quantity
	Channel  int
	Start    uint16 // bits of Config that start its conversion, the range's excepted
	Result   byte
	Shift    int  // bits of the result that are no value
	Signed   bool // two's complement
	// Low and High are the codes, after shifting, from which on the value is
	// beyond the range.
	Low, High int
	Overflow  uint16 // bit of Result that says so
	Ranges    []Range
	// Continuous converts without end at Rates, for captures.
	Continuous uint16
	Rates      []Rate
	Takes      time.Duration // a conversion, at the longest
}

// Range is one range of an input: its size of a step, in the input's unit; of a
// current in volts across the shunt.
type Range struct {
	Full float64
	LSB  float64
	Bits uint16
}

// Rate is one speed of continuous conversion.
type Rate struct {
	Takes time.Duration
	Bits  uint16
}

// Models lists every part.
func Models() []Model {
	// Texas Instruments ADS111x data sheet SBAS444 (from memory): 8.1.3 config
	// register 0x01, OS 15, MUX 14:12 (100 to 111: AIN0 to AIN3 against GND), PGA
	// 11:9, MODE 8 (single shot), DR 7:5 (100: 128 samples/s), COMP_QUE 1:0 (11:
	// off); conversion register 0x00. The oscillator is good to 10 %.
	ads := Model{Name: "ads1115", About: "four voltages against ground, 16 bit", Function: Converter,
		Drives: drivers.Nothing, Address: 0x48, LastAddress: 0x4B,
		Known: []Known{{Register: 0x01, Bytes: 2, Mask: 0x0003, Value: 0x0003},
			{Register: 0x03, Bytes: 2, Mask: 0xFFFF, Value: 0x7FFF}},
		Config: 0x01, Ready: Known{Register: 0x01, Bytes: 2, Mask: 0x8000, Value: 0x8000}}
	for ch := range 4 {
		ads.Inputs = append(ads.Inputs, Input{Quantity: drivers.Voltage, Channel: ch + 1,
			Start: 0x8000 | uint16(4+ch)<<12 | 0x0100 | 4<<5 | 3, Result: 0x00, Signed: true,
			Low: math.MinInt16, High: math.MaxInt16, Takes: 9 * time.Millisecond,
			Ranges: steps(1<<15, []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}, 9)})
	}

	// INA219 data sheet SBOS448 (from memory): configuration 0x00, BRNG 13 (1: 32
	// V), PG 12:11 (shunt 40, 80, 160, 320 mV), BADC 10:7, SADC 6:3 (0011: 12 bit,
	// 532 us; 1001 to 1111: 2 to 128 samples), MODE 2:0 (001 shunt, 010 bus, single;
	// 101 shunt, without end). Shunt voltage 0x01, 10 uV; bus voltage 0x02, 4 mV, bits
	// 15:3, CNVR 1, OVF 0. Conversion times at most 586 us a sample.
	ina219 := Model{Name: "ina219", About: "current through a shunt and voltage, 26 V, 12 bit", Function: Converter,
		Drives: drivers.Nothing, Address: 0x40, LastAddress: 0x4F,
		Known: []Known{{Register: 0x00, Bytes: 2, Mask: 0xC000, Value: 0x0000},
			{Register: 0x02, Bytes: 2, Mask: 0x0004, Value: 0}},
		Config: 0x00, Ready: Known{Register: 0x02, Bytes: 2, Mask: 0x0002, Value: 0x0002},
		Inputs: []Input{
			{Quantity: drivers.Current, Channel: 1, Start: 0x2000 | 0xF<<7 | 0xC<<3 | 1, Result: 0x01, Signed: true,
				Takes: 16 * 586 * time.Microsecond / 2 * 2, Continuous: 0x2000 | 3<<7 | 5,
				Ranges: []Range{{0.32, 10e-6, 3 << 11}, {0.16, 10e-6, 2 << 11}, {0.08, 10e-6, 1 << 11}, {0.04, 10e-6, 0}},
				Rates: []Rate{{586 * time.Microsecond, 0x3 << 3}, {1170 * time.Microsecond, 0x9 << 3},
					{2340 * time.Microsecond, 0xA << 3}, {4680 * time.Microsecond, 0xB << 3},
					{9370 * time.Microsecond, 0xC << 3}, {18740 * time.Microsecond, 0xD << 3},
					{37480 * time.Microsecond, 0xE << 3}, {74960 * time.Microsecond, 0xF << 3}}},
			{Quantity: drivers.Voltage, Channel: 1, Start: 0x2000 | 0xC<<7 | 2, Result: 0x02, Shift: 3, Low: -1, High: 8000,
				Overflow: 0x0001, Takes: 16 * 586 * time.Microsecond, Ranges: []Range{{26, 4e-3, 0}}},
		}}

	// INA226 data sheet SBOS547 (from memory): configuration 0x00, AVG 11:9, VBUSCT
	// 8:6, VSHCT 5:3 (100: 1.1 ms), MODE 2:0; bit 14 reads 1. Shunt voltage 0x01, 2.5
	// uV, full scale 81.92 mV; bus voltage 0x02, 1.25 mV, 36 V; mask/enable 0x06,
	// CVRF 3; manufacturer 0xFE "TI", die 0xFF 0x226_.
	ina226 := Model{Name: "ina226", About: "current through a shunt and voltage, 36 V, 16 bit", Function: Converter,
		Drives: drivers.Nothing, Address: 0x40, LastAddress: 0x4F,
		Known: []Known{{Register: 0xFE, Bytes: 2, Mask: 0xFFFF, Value: 0x5449},
			{Register: 0xFF, Bytes: 2, Mask: 0xFFF0, Value: 0x2260}},
		Config: 0x00, Ready: Known{Register: 0x06, Bytes: 2, Mask: 0x0008, Value: 0x0008},
		Inputs: []Input{
			{Quantity: drivers.Current, Channel: 1, Start: 0x4000 | 2<<9 | 4<<6 | 4<<3 | 1, Result: 0x01, Signed: true,
				Low: math.MinInt16, High: math.MaxInt16, Takes: 16 * 1210 * time.Microsecond,
				Ranges: []Range{{0.08192, 2.5e-6, 0}}, Continuous: 0x4000 | 4<<6 | 5,
				Rates: []Rate{{154 * time.Microsecond, 0}, {365 * time.Microsecond, 2 << 3}, {1210 * time.Microsecond, 4 << 3},
					{4840 * time.Microsecond, 1<<9 | 4<<3}, {19360 * time.Microsecond, 2<<9 | 4<<3},
					{77440 * time.Microsecond, 3<<9 | 4<<3}}},
			{Quantity: drivers.Voltage, Channel: 1, Start: 0x4000 | 2<<9 | 4<<6 | 4<<3 | 2, Result: 0x02,
				Low: -1, High: 28800, Takes: 16 * 1210 * time.Microsecond, Ranges: []Range{{36, 1.25e-3, 0}}},
		}}

	return []Model{ads, ina219, ina226,
		// Microchip MCP23017 data sheet DS20001952 (from memory), BANK 0: IODIRA 0x00,
		// IODIRB 0x01 (1: input), IOCON 0x0A, GPIOA 0x12, GPIOB 0x13 (the pins), OLATA
		// 0x14, OLATB 0x15. IOCON: bit 7 (BANK) and bit 0 are 0.
		{Name: "mcp23017", About: "16 inputs or outputs", Function: Expander, Drives: drivers.ByOutputs,
			Address: 0x20, LastAddress: 0x27, Lines: 16, Known: []Known{{Register: 0x0A, Bytes: 1, Mask: 0x81, Value: 0}},
			Direction: []byte{0x00, 0x01}, Latch: []byte{0x14, 0x15}, Level: []byte{0x12, 0x13}},
		// NXP PCF8574 data sheet (from memory): one byte, no registers; a one is a weak
		// pull-up and so an input, a zero pulls down.
		{Name: "pcf8574", About: "8 lines that pull down or are inputs", Function: Expander, Drives: drivers.ByOutputs,
			Address: 0x20, LastAddress: 0x27, Lines: 8},
		{Name: "pcf8574a", About: "8 lines that pull down or are inputs, other addresses", Function: Expander,
			Drives: drivers.ByOutputs, Address: 0x38, LastAddress: 0x3F, Lines: 8},
		// NXP PCA9685 data sheet (from memory): MODE1 0x00 (AI 5, SLEEP 4, ALLCALL 0),
		// LED0_ON_L 0x06, four registers an output, OFF_H bit 4: full off; ALL_LED_OFF_H
		// 0xFD; PRE_SCALE 0xFE, only while asleep.
		{Name: "pca9685", About: "16 servos", Function: Servo, Drives: drivers.Motion, Address: 0x40, LastAddress: 0x7F,
			Known: []Known{{Register: 0xFE, Bytes: 1, Mask: 0, Value: 0},
				{Register: 0x01, Bytes: 1, Mask: 0xE0, Value: 0}},
			Mode: 0x00, Prescale: 0xFE, First: 0x06, Stop: 0xFD, Oscillator: 25e6, Pulses: 16},
		// Microchip MCP4725 data sheet DS22039 (from memory): fast write of two bytes,
		// PD 13:12, value 11:0; read of five, the first three status and value.
		{Name: "mcp4725", About: "one voltage, 0 to its supply, 12 bit", Function: DAC, Drives: drivers.Power,
			Address: 0x60, LastAddress: 0x67, Bits: 12},
		// ams TCS3472 data sheet (all of it from memory, registers too): command byte with
		// bit 7 set, bits 6:5 01 to count up; ENABLE 0x00 (PON 0, AEN 1), ATIME 0x01 (256
		// less the steps of 2.4 ms), CONTROL 0x0F (AGAIN 1:0), ID 0x12 (0x44 or 0x4D),
		// STATUS 0x13 (AVALID 0), CDATA to BDATA 0x14 to 0x1B, low byte first. A step adds
		// 1024 counts at most; below 64 steps ripple can clip it from 75 % on.
		{Name: "tcs3472", About: "clear, red, green and blue light", Function: Colour, Drives: drivers.Nothing,
			Address: 0x29, LastAddress: 0x29,
			Known: []Known{{Register: 0x92, Bytes: 1, Mask: 0xF6, Value: 0x44}},
			Colour: ColourPart{Enable: 0x80, Time: 0x81, Control: 0x8F, Status: 0x93, Data: 0xB4, Power: 1, Measure: 2,
				Valid: 1, Step: 2400 * time.Microsecond, Steps: 256, StepCounts: 1024, WakeUp: 3 * time.Millisecond,
				Gains: []Gain{{1, 0}, {4, 1}, {16, 2}, {60, 3}}, RippleSteps: 63, RippleShare: 0.75}},
	}
}

// steps makes the ranges of a converter of n steps to full scale, whose bits
// count up from 0 at a position.
func steps(n float64, full []float64, at int) []Range {
	var list []Range
	for i, f := range full {
		list = append(list, Range{f, f / n, uint16(i) << at})
	}
	return list
}

// Options are what a bench file says of a part.
type Options struct {
	Model     string
	Address   int     // 0: the model's first
	Shunt     float64 // ohm, of a current's converter
	Reference float64 // V, of a DAC: its supply
	Axes      map[string]Axis
	Matrix    []float64 // of a colour sensor: X, Y, Z from red, green, blue; nine, or none
	// Calibration is of what a converter indicates, current first.
	Calibration drivers.Calibration
}

// Open makes a device of a part on a bus. Nothing is sent.
func Open(name string, bus i2c.BusCloser, clock drivers.Clock, o Options) (drivers.Device, error) {
	bad := func(format string, args ...any) (drivers.Device, error) {
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, format, args...)
	}
	models := Models()
	i := slices.IndexFunc(models, func(m Model) bool { return m.Name == o.Model })
	if i < 0 {
		var names []string
		for _, m := range models {
			names = append(names, m.Name)
		}
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, "no model %q", o.Model).
			WithHint(fmt.Sprintf("There are %q.", names))
	}
	m := models[i]
	addr := m.Address
	if o.Address != 0 {
		if o.Address < int(m.Address) || o.Address > int(m.LastAddress) {
			return bad("address 0x%02X: a %s has 0x%02X to 0x%02X", o.Address, m.Name, m.Address, m.LastAddress)
		}
		addr = uint16(o.Address)
	}
	p := part{name: name, bus: bus, addr: addr, clock: clock, guard: drivers.NewGuard(clock), model: m}
	switch m.Function {
	case Converter:
		return newConverter(&p, o)
	case Expander:
		return newExpander(&p), nil
	case Servo:
		return newServos(&p, o.Axes)
	case Colour:
		return newColourSensor(&p, o)
	}
	if !(o.Reference > 0) || o.Reference > 5.5 {
		return bad("reference of %v V: say the voltage of the part's supply, at most 5.5 V", o.Reference)
	}
	return &analogue{part: &p, reference: o.Reference}, nil
}
