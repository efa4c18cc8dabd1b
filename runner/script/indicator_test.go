package script

import (
	"context"
	"testing"

	must "github.com/stretchr/testify/require"

	"fullthrow/drivers"
)

type fakeIndicator struct{ part }

func (fakeIndicator) Indications() []drivers.Indication {
	return []drivers.Indication{{Quantity: drivers.Voltage, Channel: 1}, {Quantity: drivers.Voltage, Channel: 2},
		{Quantity: drivers.Current, Channel: 1}}
}

func (f fakeIndicator) Indicate(_ context.Context, q drivers.Quantity, channel int, rng float64) (float64, error) {
	f.did("%s %d in %g", q, channel, rng)
	return 3.7, nil
}

type fakeAnalogue struct{ part }

func (fakeAnalogue) MaxLevel() float64 { return 3.3 }
func (f fakeAnalogue) SetLevel(_ context.Context, volts float64) error {
	f.did("%g V", volts)
	return nil
}

func TestSingleValues(t *testing.T) {
	s := newStage()
	s.host.Devices["rail"] = fakeIndicator{part{"rail", s.clock, &s.log}}
	s.host.Devices["knob"] = fakeAnalogue{part{"knob", s.clock, &s.log}}
	must.NoError(t, s.run(t, body(`
		reading("a", bench.rail:read("voltage"), "V")
		reading("b", bench.rail:read("voltage", { channel = 2, range = 5 }), "V")
		bench.knob:set(1.5)`)))
	must.Equal(t, []string{"rail voltage 1 in 0", "rail voltage 2 in 5", "knob 1.5 V"}, s.log)
	for lua, want := range map[string]string{
		`bench.rail:read()`:                             "the quantity",
		`bench.rail:read("volts")`:                      "no volts at channel 1",
		`bench.rail:read("current", { channel = 2 })`:   "no current at channel 2",
		`bench.rail:read("current", { channel = 1.5 })`: "no current at channel 1.5",
		`bench.rail:read("current", { ch = 2 })`:        "ch",
		`bench.knob:set(3.4)`:                           "the level",
		`bench.knob:set(0/0)`:                           "the level",
		`bench.knob:set("1")`:                           "the level",
	} {
		must.ErrorContains(t, s.run(t, body(lua)), want, lua)
	}
}

type fakeProgram struct{ part }

func (fakeProgram) Values() []string { return []string{"serial"} }
func (f fakeProgram) Run(_ context.Context, values map[string]string) (drivers.Ran, error) {
	f.did("ran with %s", values["serial"])
	return drivers.Ran{Exit: 2, Out: "version 1.4\n"}, nil
}

func TestPrograms(t *testing.T) {
	s := newStage()
	s.host.Devices["flasher"] = fakeProgram{part{"flasher", s.clock, &s.log}}
	must.NoError(t, s.run(t, body(`
		local r = bench.flasher:run { serial = "K8" }
		assert(r.exit == 2 and r.out:match("version (%S+)") == "1.4" and not r.cut)`)))
	must.Equal(t, []string{"flasher ran with K8"}, s.log)
	must.ErrorContains(t, s.run(t, body(`bench.flasher:run()`)), "no serial")
	must.ErrorContains(t, s.run(t, body(`bench.flasher:run { serial = "x", other = 1 }`)), "other")
	must.ErrorContains(t, s.run(t, body(`bench.flasher:run { serial = 1 }`)), "serial")
}
