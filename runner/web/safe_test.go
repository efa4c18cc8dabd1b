package web

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/station"
)

// What the page says across its width, by what may hurt, in each language.
func TestNotSafeWordsByHazard(t *testing.T) {
	g := newRig(t)
	unsafe := func(device string, drives ...string) reports.Unsafe {
		return reports.Unsafe{Device: device, Drives: drives, Kind: "gone", Text: "unplugged"}
	}
	power, motion := unsafe("supply", "power"), unsafe("sticks", "motion")
	radio, other := unsafe("beacon", "radio"), unsafe("fog")
	board := []reports.Unsafe{unsafe("board", "motion", "power"), unsafe("clutch", "motion"), unsafe("power", "power"),
		unsafe("switch_a", "motion"), unsafe("switch_b", "motion"), unsafe("switch_c", "motion")}
	for _, c := range []struct {
		lang      string
		list      []reports.Unsafe
		warn, who string
	}{
		{"en", nil, "", ""},
		{"en", []reports.Unsafe{power}, "The fixture may still have power. Switch it off at its mains switch before you reach in.", "Not safe: power supply."},
		{"en", []reports.Unsafe{motion}, "The fixture may still move. Hands out! Press the emergency stop, then switch it off at its mains switch.", "Not safe: stick machine."},
		{"en", []reports.Unsafe{radio}, "The fixture may still transmit. Switch it off at its mains switch.", "Not safe: beacon."},
		{"en", []reports.Unsafe{other}, "The fixture is not safe. Switch it off at its mains switch before you reach in.", "Not safe: fog."},
		{"en", []reports.Unsafe{power, motion}, "The fixture may still move. The fixture may still have power. Hands out! Press the emergency stop, then switch it off at its mains switch.", "Not safe: power supply, stick machine."},
		{"en", board, "The fixture may still move. The fixture may still have power. Hands out! Press the emergency stop, then switch it off at its mains switch.",
			"Not safe: fixture board, stick clutch, unit's power, switch pusher A, and 2 more."},
		{"es", []reports.Unsafe{power}, "El útil puede seguir con tensión. Apáguelo con su interruptor general antes de meter la mano.", "No seguro: fuente de alimentación."},
		{"es", []reports.Unsafe{motion}, "El útil aún puede moverse. ¡Fuera las manos! Pulse la parada de emergencia y apáguelo con su interruptor general.", "No seguro: máquina de palancas."},
		{"es", []reports.Unsafe{radio, power}, "El útil puede seguir con tensión. El útil puede seguir transmitiendo. Apáguelo con su interruptor general antes de meter la mano.", "No seguro: beacon, fuente de alimentación."},
		{"es", []reports.Unsafe{other}, "El útil no está seguro. Apáguelo con su interruptor general antes de meter la mano.", "No seguro: fog."},
		{"zh-Hans", []reports.Unsafe{power}, "工装可能仍带电。伸手之前，先关掉它的总电源开关。", "未处于安全状态：电源。"},
		{"zh-Hans", []reports.Unsafe{motion, power}, "工装可能还会动。工装可能仍带电。手不要伸进去！先按急停，再关掉它的总电源开关。", "未处于安全状态：摇杆机构、电源。"},
		{"zh-Hans", []reports.Unsafe{radio}, "工装可能仍在发射无线电。关掉它的总电源开关。", "未处于安全状态：beacon。"},
		{"zh-Hans", []reports.Unsafe{other}, "工装不安全。伸手之前，先关掉它的总电源开关。", "未处于安全状态：fog。"},
	} {
		warn, who := g.server.notSafe(g.server.c.Look.Translator(c.lang), c.list)
		assert.Equal(t, c.warn, warn)
		assert.Equal(t, c.who, who)
	}
}

func TestEndsByWhatCouldNotBeMadeSafe(t *testing.T) {
	meter := reports.Event{Kind: reports.BenchFault, Fault: &reports.Fault{AfterPlan: true, Reason: reports.Reason{Code: reports.DeviceFailed,
		Device: "meter", Verb: "make safe", Kind: "no reply", Text: "no reply in 1s"}}}
	supply := reports.Event{Kind: reports.MadeSafe, Unsafe: []reports.Unsafe{{Device: "supply", Drives: []string{"power"}, Kind: "no reply", Text: "no reply in 1s"}}}
	then := func(play func(context.Context, *fakeRunner, *archive.Journal) reports.End, e reports.Event) func(context.Context, *fakeRunner, *archive.Journal) reports.End {
		return func(ctx context.Context, r *fakeRunner, j *archive.Journal) reports.End {
			end := play(ctx, r, j)
			r.event(j, e)
			return end
		}
	}
	const attention = "The current meter does not answer. The bench needs attention before the next unit."
	for _, c := range []struct {
		name                string
		play                func(context.Context, *fakeRunner, *archive.Journal) reports.End
		kind                string
		step                step
		unsafe, who, atends string
	}{
		{"passed", passing, "passed", stepHandOn, "", "", ""},
		{"passed, then the meter was silent", then(passing, meter), "passed", stepHandOn, "", "", attention},
		{"failed, then the meter was silent", then(failing, meter), "failed", stepRetest, "", "", attention},
		{"passed, then the supply was silent", then(passing, supply), "bench", stepEngineer,
			"The fixture may still have power. Switch it off at its mains switch before you reach in.", "Not safe: power supply.", ""},
		{"failed, then the supply was silent", then(failing, supply), "bench", stepEngineer,
			"The fixture may still have power. Switch it off at its mains switch before you reach in.", "Not safe: power supply.", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			g := newRig(t)
			g.nests["A"].set(func() { g.nests["A"].play = c.play })
			g.scanInto(serialOf(1), "A")
			n := g.ended(0, serialOf(1))
			assert.Equal(t, c.kind, n.End.Kind)
			assert.Equal(t, c.step, n.End.Step)
			assert.Equal(t, c.unsafe, n.End.Unsafe)
			assert.Equal(t, c.who, n.End.NotSafe)
			assert.Equal(t, c.atends, n.End.Bench)
			if c.atends != "" {
				assert.Contains(t, n.End.Detail, "meter: make safe: no reply in 1s")
			}
		})
	}
}

// At the end of serving, too, only what can hurt is said not to be safe.
func TestStopSaysWhatIsNotSafe(t *testing.T) {
	g := newRig(t)
	fails := func(role string, h drivers.Hazard) station.Safety {
		return station.Safety{{Role: role, Drives: []drivers.Hazard{h}, Err: drivers.Errorf(role, "make safe", drivers.Gone, "unplugged")}}
	}
	g.nests["A"].set(func() { g.nests["A"].made = fails("meter", drivers.Nothing) })
	require.NoError(t, g.server.Stop(&station.Abort{Why: reports.Reason{Code: reports.StoppedByStation}}))

	g = newRig(t)
	g.nests["B"].set(func() { g.nests["B"].made = fails("supply", drivers.Power) })
	assert.EqualError(t, g.server.Stop(&station.Abort{Why: reports.Reason{Code: reports.StoppedByStation}}), "nest B: NOT SAFE: The fixture may still have power. "+
		"Switch it off at its mains switch before you reach in. (supply: unplugged)")
}
