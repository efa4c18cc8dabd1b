package modbus

import (
	"fmt"
	"time"

	"fullthrow/drivers"
)

// Model is a row of the table of boards.
type Model struct {
	Name   string         `toml:"name" help:"as bench files call it"`
	About  string         `toml:"about" help:"one line for people"`
	Drives drivers.Hazard `toml:"drives" help:"by outputs, where it has outputs; else nothing"`

	Coils     int    `toml:"coils" range:"0,1968" help:"outputs, numbered from 1"`
	CoilBase  uint16 `toml:"coil_base" range:"0,65535" help:"address of output 1, counted from 0 as on the wire"`
	Inputs    int    `toml:"inputs" range:"0,2000" help:"inputs, numbered from 1"`
	InputBase uint16 `toml:"input_base" range:"0,65535" help:"address of input 1, counted from 0 as on the wire"`
	// Write is how an output is written: FC 05, 15 or 06.
	Write string `toml:"write" oneof:"coil coils register" help:"function 05, 15 or 06; left out: coil"`
	// On and Off are an output's levels in a register.
	On       uint16 `toml:"on" range:"0,65535" help:"an output's register when it is on; left out with off: 1"`
	Off      uint16 `toml:"off" range:"0,65535" help:"and off"`
	ReadBack bool   `toml:"read_back" help:"the board can be asked for its outputs"`
	// OutputsAs and InputsAs are how outputs and inputs are read: FC 01, 03 and 02,
	// 01, 03, 04.
	OutputsAs string `toml:"outputs_as" oneof:"coils registers" help:"function 01 or 03; left out: as they are written"`
	InputsAs  string `toml:"inputs_as" oneof:"inputs coils registers input-registers" help:"function 02, 01, 03, 04; usually 02"`
	// Together: neighbouring coils are made safe by one message, FC 15.
	Together bool `toml:"together" help:"it takes function 15: all coils are made safe by one message"`

	Baud     int           `toml:"baud" range:"0,4000000" help:"symbols/s as the board comes"`
	Timeout  time.Duration `toml:"timeout" range:"0,30" help:"s, for a reply; left out: 1"`
	SafeTime time.Duration `toml:"safe_time" range:"0,10" help:"s, at most, to make all safe; left out: two timeouts"`
}

// Models lists the boards. The first is taken where none is named.
func Models() []Model {
	row := func(name, about string, coils, inputs int) Model {
		m := Model{Name: name, About: about, Drives: drivers.ByOutputs, Coils: coils, Inputs: inputs, ReadBack: true,
			Baud: 9600, Timeout: replyTime}
		if coils == 0 {
			m.Drives, m.ReadBack = drivers.Nothing, false
		}
		return m
	}
	return []Model{
		row("generic-relay-8", "8 relays, 8 inputs", 8, 8),
		row("generic-relay-4", "4 relays, 4 inputs", 4, 4),
		row("generic-relay-16", "16 relays, 16 inputs", 16, 16),
		row("generic-input-16", "16 inputs", 0, 16),
	}
}

// Fault is what is wrong with a row: the key, and why.
type Fault struct{ Key, Text, Hint string }

// Faults lists what makes a row unfit for use, beyond what its keys say alone.
func (m Model) Faults() (faults []Fault) {
	add := func(key, hint, format string, args ...any) {
		faults = append(faults, Fault{key, fmt.Sprintf(format, args...), hint})
	}
	if m.Coils+m.Inputs == 0 {
		add("", "write coils or inputs", "a board without lines")
	}
	if int(m.CoilBase)+m.Coils > 1<<16 || int(m.InputBase)+m.Inputs > 1<<16 {
		add("", "the last line is at base + number - 1", "addresses end at 65535")
	}
	drives := drivers.Nothing
	if m.Coils > 0 {
		drives = drivers.ByOutputs
	}
	if m.Drives != drives {
		add("drives", "", "it drives %q, not %q", drives, m.Drives)
	}
	if m.Together && m.Write == "register" {
		add("together", "", "function 15 writes coils, and its outputs are registers")
	}
	if m.Write != "register" && (m.On != 0 || m.Off != 0) && m.InputsAs != "registers" {
		add("on", `write = "register" where they are`, "on and off are levels of registers, and its outputs are coils")
	}
	if (m.On != 0 || m.Off != 0) && m.On == m.Off {
		add("on", "", "on and off are both %d", m.On)
	}
	return faults
}

// values are an output's levels in a register.
func (m *Model) values() (on, off uint16) {
	if m.On == 0 && m.Off == 0 {
		return 1, 0
	}
	return m.On, m.Off
}

func (m *Model) readsOutputs() byte {
	if m.OutputsAs == "registers" || m.OutputsAs == "" && m.Write == "register" {
		return readRegisters
	}
	return readCoils
}

func (m *Model) readsInputs() byte {
	return map[string]byte{"coils": readCoils, "registers": readRegisters, "input-registers": readInputRegisters,
		"inputs": readInputs, "": readInputs}[m.InputsAs]
}

// levels takes n levels out of registers: those of the row, and nothing else.
func (m *Model) levels(data []byte, n int) ([]bool, *fault) {
	list, bad := registers(data, n)
	if bad != nil {
		return nil, bad
	}
	on, off := m.values()
	levels := make([]bool, n)
	for i, v := range list {
		if v != on && v != off {
			return nil, &fault{drivers.Garbled, fmt.Sprintf("register %d is %d, want %d or %d", i, v, off, on)}
		}
		levels[i] = v == on
	}
	return levels, nil
}

// writing is the question that writes outputs from address a on: more than one only
// with function 15.
func (m *Model) writing(a uint16, levels []bool, together bool) []byte {
	switch {
	case together || m.Write == "coils":
		return coilsQuestion(a, levels)
	case m.Write == "register":
		on, off := m.values()
		if levels[0] {
			return question(writeRegister, a, on)
		}
		return question(writeRegister, a, off)
	case levels[0]:
		return question(writeSingleCoil, a, coilOn)
	}
	return question(writeSingleCoil, a, coilOff)
}
