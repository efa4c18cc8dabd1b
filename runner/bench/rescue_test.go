package bench

import (
	"context"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/runner/station"
)

func demoBench(t *testing.T) *File {
	t.Helper()
	b, err := Load("../../scripts/kittiwake-k8/bench-demo.toml")
	require.NoError(t, err)
	return b
}

// Whatever can hurt is among what is opened after a program is gone.
func TestRescueOpensWhatCanHurt(t *testing.T) {
	b := demoBench(t)
	for i := range b.Nests {
		n, err := b.Open(t.Context(), i, NoHardware())
		require.NoError(t, err)
		var roles []string
		for _, g := range b.rescueGroups(i) {
			roles = append(append(roles, g.roles...), g.outputs...)
		}
		for role, drives := range n.Drives {
			if drivers.CanHurt(drives) {
				assert.Contains(t, roles, role)
			}
		}
		assert.Contains(t, roles, "supply")
		assert.NotContains(t, roles, "meter")
		for role := range b.Nests[i].Outputs {
			assert.Contains(t, roles, role, "every output goes to its safe level")
		}
		for _, role := range roles {
			assert.Equal(t, n.Drives[role], b.drives(i, role), role)
		}
		require.NoError(t, n.Close())
	}
}

// A port that is not free yet is tried again, one that never is says so and keeps
// nobody from the others.
func TestRescueTriesAgain(t *testing.T) {
	b := demoBench(t)
	fixture := sim.NewBench(drivers.System, 1)
	fixture.Load(sim.GoodOf("K824A00017M"))
	n, err := b.Open(t.Context(), 0, Simulated(fixture, drivers.System))
	require.NoError(t, err)
	supply := n.Devices["supply"].(drivers.Supply)
	require.NoError(t, supply.SetVoltage(t.Context(), 3.7))
	require.NoError(t, supply.SetOutput(t.Context(), true))
	require.NoError(t, n.Devices["power"].(drivers.Output).Set(t.Context(), true))
	require.False(t, fixture.State().Safe())
	require.NoError(t, n.Close())

	var mu sync.Mutex
	tries := map[string]int{}
	h := hardware{Clock: drivers.System, port: func(_ context.Context, p PortName, _ portSettings) (drivers.Port, error) {
		mu.Lock()
		defer mu.Unlock()
		tries[p.Rest]++
		if p.Rest == sim.Sticks || tries[p.Rest] < 3 {
			return nil, drivers.Errorf(p.Rest, "open", drivers.Busy, "held")
		}
		return fixture.Port(p.Rest)
	}}
	made := b.Rescue(t.Context(), 0, h, 200*time.Millisecond)
	assert.True(t, fixture.State().Safe())
	unsafe := made.Record()
	require.Len(t, unsafe, 1, "%+v", unsafe)
	assert.Equal(t, "sticks", unsafe[0].Device)
	assert.Equal(t, []string{"motion"}, unsafe[0].Drives)
	assert.Greater(t, tries[sim.Sticks], 1)
	// Nothing is left open.
	n, err = b.Open(t.Context(), 0, Simulated(fixture, drivers.System))
	require.NoError(t, err)
	require.NoError(t, n.Close())
}

// A machine whose port never comes free, and whose power an output cuts, stands once
// that output is safe, and is not tried for longer; where the output is not, neither is
// the machine.
func TestRescueCutsPower(t *testing.T) {
	for _, board := range []bool{true, false} {
		b := demoBench(t)
		d := b.Nests[0].Devices["sticks"]
		d.Model, d.Home, d.Stop = "generic-gcode", "trusted", "motor_power"
		b.Nests[0].Devices["sticks"] = d
		b.Nests[0].Outputs["motor_power"] = lineFile{Device: "board", Line: 7}
		fixture := sim.NewBench(drivers.System, 1)
		require.NoError(t, fixture.SetSticks(sim.SticksHabit{Controller: sim.PlainControl, PoweredBy: 7}))
		var tries atomic.Int32
		h := hardware{Clock: drivers.System, port: func(_ context.Context, p PortName, _ portSettings) (drivers.Port, error) {
			if p.Rest == sim.Sticks || p.Rest == sim.Board && !board {
				return nil, drivers.Errorf(p.Rest, "open", drivers.Busy, "held")
			}
			tries.Add(1)
			return fixture.Port(p.Rest)
		}}
		patience := time.Hour // it ends when all is safe
		if !board {
			patience = 0
		}
		made := b.Rescue(t.Context(), 0, h, patience)
		i := slices.IndexFunc(made, func(m station.Made) bool { return m.Role == "sticks" })
		require.GreaterOrEqual(t, i, 0)
		if !board {
			assert.Error(t, made[i].Err)
			assert.Nil(t, made[i].Stood)
			continue
		}
		assert.Empty(t, made.Record())
		assert.Equal(t, []reports.Stood{{Device: "sticks", Known: true, Cut: "motor_power"}}, made.Stood())
		assert.NotZero(t, tries.Load())
	}
}

// A claim is its holder's until the last process that has it gives it up; the others
// are told who that is.
func TestClaim(t *testing.T) {
	b := demoBench(t)
	b.Nests = slices.Clone(b.Nests[:1])
	devices := map[string]deviceFile{"supply": {Driver: "scpi", Port: "tcp:claim.invalid:5025"}}
	b.Nests[0].Devices = devices
	c, err := b.Claim([]int{0})
	require.NoError(t, err)
	if len(c.Files()) == 0 {
		t.Skip("no port is claimed on this system")
	}
	var held *Claimed
	_, err = b.Claim([]int{0})
	require.ErrorAs(t, err, &held)
	assert.Equal(t, Claimed{Port: "tcp:claim.invalid:5025", Process: os.Getpid()}, *held)
	c.Gone(4711)
	_, err = b.Claim([]int{0})
	require.ErrorAs(t, err, &held)
	assert.Equal(t, Claimed{Port: "tcp:claim.invalid:5025", Process: 4711, Gone: true}, *held)
	assert.Contains(t, held.Error(), "its guardian is making the fixture safe")
	name := c.Files()[0].Name()
	c.Release()
	assert.NoFileExists(t, name)

	// Two ports, the second of which another has: the first is not kept.
	c, err = b.Claim([]int{0})
	require.NoError(t, err)
	devices["meter"] = deviceFile{Driver: "scpi", Port: "tcp:a.claim.invalid:5025"}
	_, err = b.Claim([]int{0})
	require.ErrorAs(t, err, &held)
	delete(devices, "supply")
	other, err := b.Claim([]int{0})
	require.NoError(t, err)
	other.Release()
	c.Release()

	// Parts on one bus, and lines of one chip, may have different masters.
	nest := func(address, line int) *File {
		other := *b
		other.Nests = []nestFile{{Devices: map[string]deviceFile{
			"adc":  {Driver: "i2c", Port: "i2c:9797", Address: address},
			"gpio": {Driver: "gpio", Port: "gpio:claim-invalid"},
		}, Outputs: map[string]lineFile{"lamp": {Device: "gpio", Line: line}}}}
		return &other
	}
	c, err = nest(0x48, 17).Claim([]int{0})
	require.NoError(t, err)
	defer c.Release()
	other, err = nest(0x49, 18).Claim([]int{0})
	require.NoError(t, err)
	other.Release()
	_, err = nest(0x48, 18).Claim([]int{0})
	require.ErrorAs(t, err, &held)
	assert.Equal(t, "i2c:9797 address 0x48", held.Port)
	_, err = nest(0x49, 17).Claim([]int{0})
	require.ErrorAs(t, err, &held)
	assert.Equal(t, "gpio:claim-invalid line 17", held.Port)
}
