package demo_test

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/demo"
	"fullthrow/runner/demo/demotest"
	"fullthrow/runner/station"
)

// brokenSafe is a device that cannot be made safe.
type brokenSafe struct {
	drivers.Device
	err error
}

func (b brokenSafe) Safe(context.Context) error { return b.err }

// Each role of the demo's bench, failing in each way when it is made safe: who
// is said not to be safe, and what of.
func TestWhichRolesOfTheDemoCanHurt(t *testing.T) {
	want := map[string][]string{
		"supply": {"power"}, "sticks": {"motion"}, "board": {"motion", "power"},
		"power": {"power"}, "clutch": {"motion"}, "switch_a": {"motion"}, "switch_b": {"motion"}, "switch_c": {"motion"}, "switch_d": {"motion"},
		"meter": nil, "microphone": nil, "receiver": nil, "attenuator": nil, "guard": nil,
	}
	m, b, _, err := demo.Files(1)
	require.NoError(t, err)
	records, err := archive.Open(t.TempDir(), b.Station)
	require.NoError(t, err)
	defer records.Close()
	clock := sim.NewClock(sim.Morning)
	open, err := b.Open(context.Background(), 0, bench.Simulated(sim.NewBench(clock, 1), clock))
	require.NoError(t, err)
	defer open.Close()
	require.Equal(t, slices.Sorted(maps.Keys(want)), slices.Sorted(maps.Keys(open.Devices)), "the roles of the demo's bench")
	for role, drives := range want {
		for _, kind := range []drivers.Kind{drivers.NoReply, drivers.Gone, drivers.Refused} {
			c := b.NestConfig(m, 0, open, clock, records)
			c.Devices = maps.Clone(open.Devices)
			c.Devices[role] = brokenSafe{open.Devices[role], drivers.Errorf(role, "set", kind, "it is %s", kind)}
			nest, err := station.New(c)
			require.NoError(t, err)
			made := nest.Safe(context.Background())
			require.Len(t, made.Failed(), 1, "%s %s", role, kind)
			assert.Equal(t, role, made.Failed()[0].Role)
			var record []reports.Unsafe
			if drives != nil {
				record = []reports.Unsafe{{Device: role, Drives: drives, Kind: string(kind), Text: fmt.Sprintf("it is %s", kind)}}
			}
			assert.Equal(t, record, made.Record(), "%s %s", role, kind)
		}
	}
}

// The same on the wires of the simulated fixture, with the drivers' own words: a
// board that is unplugged takes all its outputs along.
func TestWhoIsNotSafeWhenAWireIsCut(t *testing.T) {
	outputs := []string{"board", "clutch", "power", "switch_a", "switch_b", "switch_c", "switch_d"}
	for role, want := range map[string][]string{
		sim.Supply: {"supply"}, sim.Sticks: {"sticks"}, sim.Board: outputs,
		sim.Meter: nil, sim.Microphone: nil, sim.Receiver: nil, sim.Attenuator: nil,
	} {
		for _, fault := range []sim.Fault{sim.Silent, sim.Gone} {
			n, _ := demotest.Nest(t, 3)
			require.NoError(t, n.Fixture.Break(role, fault))
			made := n.Safe(context.Background())
			var got []string
			for _, u := range made.Record() {
				got = append(got, u.Device)
				// Busy: an output cannot confirm while its board waits for a reply.
				assert.Contains(t, []string{string(drivers.NoReply), string(drivers.Gone), string(drivers.Busy)}, u.Kind, "%s %s: %+v", role, fault, u)
			}
			assert.Equal(t, want, got, "%s %s", role, fault)
			if role == sim.Board && fault == sim.Gone {
				assert.Len(t, reports.GroupUnsafe(made.Record()), 1, "one cause: %s", wording.English().Unsafe(made.Record()))
			}
		}
	}
}

// A harmless device that goes when its work is done leaves the unit's outcome
// as it was measured, and is on record; before the next unit it is found.
func TestHarmlessDeviceGoneAfterItsWork(t *testing.T) {
	n, _ := demotest.Nest(t, 3)
	require.NoError(t, n.Fixture.BreakAt(n.Clock.Now().Add(34*time.Second), sim.Microphone, sim.Gone))
	handset := sim.Good(rand.New(rand.NewPCG(5, 5)))
	r := n.Unit(t, 1, handset)
	require.Equal(t, reports.Passed, r.Outcome, wording.English().Reason(r.Reason))
	assert.Empty(t, r.Unsafe)
	require.Len(t, r.Faults, 1)
	assert.Equal(t, sim.Microphone, r.Faults[0].Reason.Device)
	assert.True(t, r.Faults[0].AfterPlan)
	assert.Empty(t, n.InService())
	next := n.Unit(t, 2, handset)
	assert.Equal(t, reports.Errored, next.Outcome)
	assert.Contains(t, wording.English().Reason(next.Reason), "microphone")
	assert.Empty(t, next.Unsafe)
	assert.Empty(t, next.Checks)
}

// An output that says nothing drives power; a board drives what its outputs do.
func TestWhatOutputsDrive(t *testing.T) {
	b, err := bench.Load("../../testdata/bench/lq-1.good.toml")
	require.NoError(t, err)
	n, err := b.Open(context.Background(), 0, bench.NoHardware())
	require.NoError(t, err)
	defer n.Close()
	nothing := []drivers.Hazard{drivers.Nothing}
	power := []drivers.Hazard{drivers.Power}
	assert.Equal(t, map[string][]drivers.Hazard{
		"supply": power, "meter": nothing, "board": power, "sticks": {drivers.Motion}, "receiver": nothing, "relays": power,
		"more_relays": nothing, "chip": nothing, "lamps": nothing, "pulses": nothing, "microphone": nothing, "link": nothing,
		"lamp": nothing, "power": power, "alive": power, "guard": nothing,
		"rail": nothing, "adc": nothing, "expander": nothing, "servos": {drivers.Motion}, "knob": power,
		"handset": nothing, "flasher": power,
		"console": nothing, "loader": power,
	}, n.Drives)
}
