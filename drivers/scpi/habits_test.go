package scpi_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/scpi"
)

// checked is a wire with a check sum, as TCP is.
type checked struct{ drivers.Port }

func (checked) Checked() bool { return true }

// desk is a supply of two channels that reads back, a multimeter, a load and a
// relay board in one housing, whose state the test can see.
type desk struct {
	volts, limit  [3]float64
	on            [3]bool
	relays        map[int]bool
	voltage       float64 // at the multimeter's terminals
	current       float64
	rng           float64
	load          float64
	answer        string // of the multimeter in place of a number
	inputs        map[int]bool
	inputOfLoadOn bool
}

func (d *desk) headers(i *drivertest.Instrument) map[string]func([]string) (string, error) {
	ask := func(f func() string) func([]string) (string, error) {
		return func([]string) (string, error) { return f(), nil }
	}
	m := map[string]func([]string) (string, error){
		"*IDN?": ask(func() string { return "Lantern Quay,Desk 3,0017,2.1" }),
		"MEASure:VOLTage[:DC]?": ask(func() string {
			if d.answer != "" {
				return d.answer
			}
			return i.Number(d.voltage, "V")
		}),
		"MEASure:CURRent[:DC]?": ask(func() string { return i.Number(d.current, "A") }),
		"SENSe:VOLTage:RANGe": func(a []string) (_ string, err error) {
			d.rng, err = drivertest.ParseValue(a, 0, 1000)
			return "", err
		},
		"INPut[:STATe]": func(a []string) (_ string, err error) {
			d.inputOfLoadOn, err = drivertest.ParseBool(a)
			return "", err
		},
		"INPut[:STATe]?": ask(func() string { return i.Bool(d.inputOfLoadOn) }),
		"LOAD:CURRent": func(a []string) (_ string, err error) {
			d.load, err = drivertest.ParseValue(a, 0, 10)
			return "", err
		},
		"LOAD:CURRent?":  ask(func() string { return i.Number(d.load, "A") }),
		"ROUTe:OPEN:ALL": ask(func() string { clear(d.relays); return "" }),
		"ROUTe:CLOSe?": func(a []string) (string, error) {
			list, err := drivertest.ParseList(a)
			var out []string
			for _, n := range list {
				out = append(out, i.Bool(d.relays[n]))
			}
			return strings.Join(out, ","), err
		},
		"SENSe:DIGital?": func(a []string) (string, error) {
			list, err := drivertest.ParseList(a)
			if err != nil || len(list) != 1 {
				return "", drivertest.ErrParam
			}
			return i.Bool(d.inputs[list[0]]), nil
		},
	}
	for _, closed := range []bool{true, false} {
		m[map[bool]string{true: "ROUTe:CLOSe", false: "ROUTe:OPEN"}[closed]] = func(a []string) (string, error) {
			list, err := drivertest.ParseList(a)
			for _, n := range list {
				d.relays[n] = closed
			}
			return "", err
		}
	}
	for n := 1; n <= 2; n++ {
		at := fmt.Sprintf("SOURce%d:", n)
		m[at+"VOLTage"] = func(a []string) (_ string, err error) { d.volts[n], err = drivertest.ParseValue(a, 0, 32); return }
		m[at+"VOLTage?"] = ask(func() string { return i.Number(d.volts[n], "V") })
		m[at+"CURRent"] = func(a []string) (_ string, err error) { d.limit[n], err = drivertest.ParseValue(a, 0, 5); return }
		m[at+"CURRent?"] = ask(func() string { return i.Number(d.limit[n], "A") })
		m[fmt.Sprintf("OUTPut%d[:STATe]", n)] = func(a []string) (_ string, err error) { d.on[n], err = drivertest.ParseBool(a); return }
		m[fmt.Sprintf("OUTPut%d[:STATe]?", n)] = ask(func() string { return i.Bool(d.on[n]) })
	}
	return m
}

// rowsOfDesk are the rows of the desk's parts, by function.
func rowsOfDesk() map[scpi.Function]scpi.Model {
	base := scpi.Model{Name: "desk", LineEnd: "\n", Compound: scpi.Joined, ErrorText: scpi.Quoted, Timeout: time.Second,
		Settle: 50 * time.Millisecond, Beyond: 0.1}
	base.Words.Identity, base.Words.Error = "*IDN?", "SYST:ERR?"
	supply, meter, load, board := base, base, base, base
	supply.Function, supply.Drives = scpi.SupplyFunction, drivers.Power
	supply.Channels, supply.MaxVoltage, supply.MaxCurrent, supply.VoltageStep, supply.CurrentStep = 2, 32, 5, 0.01, 0.01
	w := &supply.Words
	w.Voltage, w.VoltageState = "SOUR{channel}:VOLT {value}", "SOUR{channel}:VOLT?"
	w.CurrentLimit, w.CurrentLimitState = "SOUR{channel}:CURR {value}", "SOUR{channel}:CURR?"
	w.OutputOn, w.OutputOff, w.OutputState = "OUTP{channel} ON", "OUTP{channel} OFF", "OUTP{channel}?"
	w.Safe = w.OutputOff
	supply.Reads = []scpi.Read{{Quantity: "voltage", Ask: "MEAS:VOLT?", Max: 32}}
	meter.Function, meter.Drives = scpi.MultimeterFunction, drivers.Nothing
	meter.Reads = []scpi.Read{{Quantity: "voltage", Ask: "MEAS:VOLT:DC?", Range: "SENS:VOLT:RANG {value}", Max: 1000},
		{Quantity: "current", Ask: "MEAS:CURR?", Max: 3}}
	meter.Overload = []string{"OL"}
	load.Function, load.Drives, load.MaxCurrent, load.CurrentStep = scpi.LoadFunction, drivers.Power, 10, 0.01
	load.Words.LoadCurrent, load.Words.LoadCurrentState = "LOAD:CURR {value}", "LOAD:CURR?"
	load.Words.OutputOn, load.Words.OutputOff, load.Words.OutputState = "INP ON", "INP OFF", "INP?"
	load.Words.Safe = "INP OFF"
	board.Function, board.Drives, board.Relays, board.Inputs = scpi.BoardFunction, drivers.ByOutputs, 3, 2
	board.RelayNames = []string{"1101", "1102", "1203"}
	board.Words.Close, board.Words.Open, board.Words.RelayState = "ROUT:CLOS (@{line})", "ROUT:OPEN (@{line})", "ROUT:CLOS? (@{line})"
	board.Words.Safe, board.Words.Level = "ROUT:OPEN:ALL", "SENS:DIG? (@{line})"
	return map[scpi.Function]scpi.Model{scpi.SupplyFunction: supply, scpi.MultimeterFunction: meter,
		scpi.LoadFunction: load, scpi.BoardFunction: board}
}

// habits are those of instruments, and what a row says of them.
var habits = map[string]struct {
	has drivertest.Habits
	row func(*scpi.Model)
}{
	"as the standard":     {drivertest.Habits{}, func(*scpi.Model) {}},
	"plus before 0":       {drivertest.Habits{ErrorText: "plus", Form: "NR3"}, func(*scpi.Model) {}},
	"bare error text":     {drivertest.Habits{ErrorText: "bare"}, func(m *scpi.Model) { m.ErrorText = scpi.Bare }},
	"number alone":        {drivertest.Habits{ErrorText: "number"}, func(m *scpi.Model) { m.ErrorText = scpi.Number }},
	"no error queue":      {drivertest.Habits{ErrorText: "none"}, func(m *scpi.Model) { m.Words.Error = "" }},
	"ON and OFF":          {drivertest.Habits{OnOff: true}, func(*scpi.Model) {}},
	"answers a line each": {drivertest.Habits{Apart: true}, func(m *scpi.Model) { m.Compound = scpi.Apart }},
	"one a line only":     {drivertest.Habits{Single: true}, func(m *scpi.Model) { m.Compound = scpi.Single }},
	"one a line, no queue": {drivertest.Habits{Single: true, ErrorText: "none", OnOff: true}, func(m *scpi.Model) {
		m.Compound, m.Words.Error = scpi.Single, ""
	}},
	"no identity": {drivertest.Habits{}, func(m *scpi.Model) { m.Words.Identity = "" }},
	"no identity, no queue": {drivertest.Habits{ErrorText: "none"}, func(m *scpi.Model) {
		m.Words.Identity, m.Words.Error = "", ""
	}},
	"echo":             {drivertest.Habits{Echo: true}, func(m *scpi.Model) { m.Echo = true }},
	"echo, no queue":   {drivertest.Habits{Echo: true, ErrorText: "none"}, func(m *scpi.Model) { m.Echo, m.Words.Error = true, "" }},
	"prompt":           {drivertest.Habits{Prompt: "> "}, func(m *scpi.Model) { m.Prompt = ">" }},
	"echo and prompt":  {drivertest.Habits{Echo: true, Prompt: "SCPI> ", ReplyEnd: "\r\n"}, func(m *scpi.Model) { m.Echo, m.Prompt = true, "SCPI>" }},
	"greeting":         {drivertest.Habits{Greeting: "Welcome, this is Desk 3, ready\r\n0,\"No error\""}, func(m *scpi.Model) { m.Greeting = 200 * time.Millisecond }},
	"CR LF":            {drivertest.Habits{ReplyEnd: "\r\n"}, func(m *scpi.Model) { m.LineEnd = "\r\n" }},
	"CR":               {drivertest.Habits{ReplyEnd: "\r"}, func(m *scpi.Model) { m.LineEnd, m.ReplyEnd = "\r", "\r" }},
	"NUL":              {drivertest.Habits{ReplyEnd: "\n\x00"}, func(m *scpi.Model) { m.Nulls = true }},
	"units":            {drivertest.Habits{Units: true}, func(m *scpi.Model) { m.Units = true }},
	"units, NR3":       {drivertest.Habits{Units: true, Form: "NR3"}, func(m *scpi.Model) { m.Units = true }},
	"100 ms an answer": {drivertest.Habits{Delay: 100 * time.Millisecond}, func(*scpi.Model) {}},
	"700 ms an answer": {drivertest.Habits{Delay: 700 * time.Millisecond}, func(*scpi.Model) {}},
	"2 s an answer":    {drivertest.Habits{Delay: 2 * time.Second}, func(m *scpi.Model) { m.Timeout = 3 * time.Second }},
	"busy after a command": {drivertest.Habits{Busy: 300 * time.Millisecond}, func(m *scpi.Model) {
		m.AfterSwitch, m.AfterRange = 300*time.Millisecond, 300*time.Millisecond
	}},
}

// rig is a desk at the far end of a wire.
type rig struct {
	desk
	instrument *drivertest.Instrument
}

// wire opens the row of a function, or both channels of a supply, on a new wire.
func (r *rig) wire(t *testing.T, m scpi.Model, sum bool) []drivers.Device {
	t.Helper()
	port, peer := drivertest.Pipe("wire", drivers.System)
	t.Cleanup(func() { _ = port.Close(); time.Sleep(time.Minute) })
	go r.instrument.Serve(peer)
	if sum {
		port = checked{port}
	}
	shared := scpi.Share(port)
	var list []drivers.Device
	for n := range max(m.Channels, 1) {
		d, err := scpi.NewChannel(string(m.Function), shared, drivers.System, m, n+1, drivers.Calibration{})
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, d)
	}
	return list
}

func newRig(h drivertest.Habits) *rig {
	r := &rig{desk: desk{relays: map[int]bool{}, inputs: map[int]bool{2: true}, voltage: 3.3, current: 0.12},
		instrument: &drivertest.Instrument{Habits: h}}
	r.instrument.Headers = r.headers(r.instrument)
	return r
}

// Every habit, with a row that says so: all that a bench does with such instruments.
func TestHabits(t *testing.T) {
	for name, h := range habits {
		for _, sum := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s, check sum %v", name, sum), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) { useDesk(t, h.has, h.row, sum) })
			})
		}
	}
}

func useDesk(t *testing.T, has drivertest.Habits, row func(*scpi.Model), sum bool) {
	ctx := t.Context()
	rows := rowsOfDesk()
	for f, m := range rows {
		row(&m)
		if faults := m.Faults(); len(faults) > 0 {
			t.Fatal(f, faults)
		}
		rows[f] = m
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	r := newRig(has)
	list := r.wire(t, rows[scpi.SupplyFunction], sum)
	for n, d := range list {
		s := d.(drivers.Supply)
		id, err := s.Ready(ctx)
		must(err)
		if want := rows[scpi.SupplyFunction].Words.Identity; (want != "") != (id == "Lantern Quay,Desk 3,0017,2.1") {
			t.Errorf("identity %q", id)
		}
		must(errors.Join(s.SetVoltage(ctx, 3.7+float64(n)), s.SetCurrentLimit(ctx, 0.5), s.SetOutput(ctx, true)))
		v, err := d.(drivers.Indicator).Indicate(ctx, drivers.Voltage, 1, 0)
		must(err)
		if v != 3.3 || r.volts[n+1] != 3.7+float64(n) || !r.on[n+1] {
			t.Errorf("channel %d: read back %v, set %v, on %v", n+1, v, r.volts[n+1], r.on[n+1])
		}
	}
	must(list[0].Safe(ctx))
	synctest.Wait()
	if r.on[1] || !r.on[2] {
		t.Errorf("made safe: channel 1; on are %v", r.on)
	}
	drivers.System.Together(ctx, func(ctx2 context.Context) { must(list[0].Safe(ctx2)) }, func(ctx2 context.Context) { must(list[1].Safe(ctx2)) })
	if r.on[2] {
		t.Error("channel 2 is still on")
	}

	d := r.wire(t, rows[scpi.MultimeterFunction], sum)[0].(drivers.Indicator)
	for _, want := range []float64{3.3, -12.25, 0} {
		r.voltage = want
		v, err := d.Indicate(ctx, drivers.Voltage, 1, 20)
		must(err)
		if math.Abs(v-want) > 1e-6 || r.rng != 20 {
			t.Errorf("read %v, want %v; range %v", v, want, r.rng)
		}
	}
	for answer, kind := range map[string]drivers.Kind{"9.9E37": drivers.OutOfRange, "-9.9E37": drivers.OutOfRange,
		"9.91E37": drivers.Garbled, "OL": drivers.OutOfRange, "5.0X": drivers.Garbled, "NAN": drivers.Garbled,
		"INF": drivers.OutOfRange, "1E5": drivers.Garbled, "": ""} {
		if r.answer = answer; rows[scpi.MultimeterFunction].Units && answer != "OL" && answer != "" {
			r.answer += "V"
			if !strings.HasPrefix(answer, "9") && !strings.HasPrefix(answer, "-") {
				kind = drivers.Garbled
			}
		}
		if v, err := d.Indicate(ctx, drivers.Voltage, 1, 20); drivers.KindOf(err) != kind || err != nil && v != 0 {
			t.Errorf("%q: %v, %v, want %q", answer, v, err, kind)
		}
	}
	must(d.Safe(ctx))

	load := r.wire(t, rows[scpi.LoadFunction], sum)[0].(drivers.Load)
	must(errors.Join(load.SetLoad(ctx, drivers.Current, 1.5), load.SetOutput(ctx, true)))
	if r.load != 1.5 || !r.inputOfLoadOn {
		t.Errorf("load %v, on %v", r.load, r.inputOfLoadOn)
	}
	must(load.Safe(ctx))
	if r.inputOfLoadOn {
		t.Error("the load is still on")
	}

	board := r.wire(t, rows[scpi.BoardFunction], sum)[0].(drivers.Lines)
	out, err := board.Output("relay", 3, false, false)
	must(err)
	in, err := board.Input("guard", 2, false)
	must(err)
	must(out.Set(ctx, true))
	level, err := in.Level(ctx)
	must(err)
	if !r.relays[1203] || !level {
		t.Errorf("relays %v, input %v", r.relays, level)
	}
	must(board.Safe(ctx))
	if r.relays[1203] {
		t.Error("the relay is still closed")
	}
}

// Each fault, with each habit: never a value, and mended all is well again.
func TestFaultsOfPeers(t *testing.T) {
	for name, h := range habits {
		for _, fault := range drivertest.InstrumentFaults() {
			if fault == drivertest.FaultEchoing && h.has.Echo || fault == drivertest.FaultPrompting && h.has.Prompt != "" {
				continue
			}
			t.Run(name+", "+fault, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r := newRig(h.has)
					m := rowsOfDesk()[scpi.MultimeterFunction]
					s := rowsOfDesk()[scpi.SupplyFunction]
					h.row(&m)
					h.row(&s)
					in := r.wire(t, m, true)[0].(drivers.Indicator)
					supply := r.wire(t, s, true)[0].(drivers.Supply)
					for _, d := range []drivers.Device{in, supply} {
						if _, err := d.Ready(t.Context()); err != nil {
							t.Fatal(err)
						}
					}
					if err := supply.SetOutput(t.Context(), true); err != nil {
						t.Fatal(err)
					}
					r.instrument.SetFault(fault)
					r.voltage = 4.4
					v, err := in.Indicate(t.Context(), drivers.Voltage, 1, 0)
					if fault == drivertest.FaultStuck { // a meter has nothing to set
						if v != 4.4 || err != nil {
							t.Errorf("stuck: %v, %v", v, err)
						}
					} else if err == nil || v != 0 {
						t.Errorf("read %v, %v", v, err)
					}
					if err := supply.SetVoltage(t.Context(), 2); err == nil {
						t.Error("the voltage was set, it says")
					}
					before := time.Now()
					err = supply.Safe(t.Context())
					if took := time.Since(before); took > supply.(drivers.SafeTimer).SafeTime() {
						t.Errorf("Safe took %v", took)
					}
					if err == nil && r.on[1] {
						t.Error("it says it is safe, and is on")
					}
					if fault == drivertest.FaultStuck && drivers.KindOf(err) != drivers.Fault && s.Words.Error == "" {
						t.Errorf("stuck on: %v", err)
					}
					if slices.Contains([]string{drivertest.FaultSilent, drivertest.FaultSlow}, fault) != (drivers.KindOf(err) == drivers.NoReply) {
						t.Errorf("Safe: %v (%s)", err, drivers.KindOf(err))
					}
					if fault == drivertest.FaultGone {
						return
					}
					r.instrument.SetFault(drivertest.FaultNone)
					time.Sleep(time.Minute) // what it was asked meanwhile it still answers
					if v, err := in.Indicate(t.Context(), drivers.Voltage, 1, 0); v != 4.4 || err != nil {
						t.Errorf("mended: %v, %v", v, err)
					}
					if err := supply.Safe(t.Context()); err != nil || r.on[1] {
						t.Errorf("mended: Safe %v, on %v", err, r.on[1])
					}
				})
			})
		}
	}
}

// What cannot be said to be safe is named by what came.
func TestWhatSafeSays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(drivertest.Habits{ErrorText: "none"})
		m := rowsOfDesk()[scpi.SupplyFunction]
		m.Words.Error = ""
		d := r.wire(t, m, true)[0]
		if _, err := d.Ready(t.Context()); err != nil {
			t.Fatal(err)
		}
		r.instrument.Headers["OUTPut1[:STATe]?"] = func([]string) (string, error) { return "MAYBE", nil }
		if err := d.Safe(t.Context()); err == nil || !strings.Contains(err.Error(), `got 5 bytes: "MAYBE", which is no state`) {
			t.Errorf("got %v", err)
		}
		r.instrument.SetFault(drivertest.FaultSilent)
		if err := d.Safe(t.Context()); err == nil || !strings.HasSuffix(err.Error(), "no reply in 1s") {
			t.Errorf("got %v", err)
		}
	})
}

// A program that was killed left a line half sent: who makes safe for it loses no
// time over that, wherever it was cut.
func TestSafeAfterHalfALine(t *testing.T) {
	for name, habit := range habits {
		t.Run(name, func(t *testing.T) {
			var whole time.Duration // how long it takes behind nothing
			line := "SOUR1:VOLT 3.7;:SOUR1:VOLT?;:SYST:ERR?"
			for cut := range len(line) {
				synctest.Test(t, func(t *testing.T) {
					r := newRig(habit.has)
					m := rowsOfDesk()[scpi.SupplyFunction]
					habit.row(&m)
					port, peer := drivertest.Pipe("wire", drivers.System)
					t.Cleanup(func() { _ = port.Close(); time.Sleep(time.Minute) })
					go r.instrument.Serve(peer)
					time.Sleep(m.Greeting)
					if err := port.Write(t.Context(), []byte(line[:cut])); err != nil {
						t.Fatal(err)
					}
					d, err := scpi.NewChannel("supply", scpi.Share(checked{port}), drivers.System, m, 1, drivers.Calibration{})
					if err != nil {
						t.Fatal(err)
					}
					r.on[1] = true
					began := time.Now()
					err = d.Safe(t.Context())
					if habit.has.Delay > m.Timeout/2 { // off at once, and perhaps no time for its queue of errors
						synctest.Wait()
						if r.on[1] {
							t.Errorf("behind %q: on after %v", line[:cut], err)
						}
						return
					}
					if err != nil {
						t.Fatalf("behind %q: %v", line[:cut], err)
					}
					if took := time.Since(began); r.on[1] || cut > 0 && took >= whole+m.Timeout {
						t.Errorf("behind %q: on %v after %v", line[:cut], r.on[1], took)
					} else if cut == 0 {
						whole = took
					}
				})
			}
		})
	}
}
