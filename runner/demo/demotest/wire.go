package demotest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/bench"
	"fullthrow/runner/demo"

	"github.com/stretchr/testify/require"
)

// CRSF is the wire of a receiver that speaks CRSF; that of the stock bench
// speaks SBUS.
const CRSF = "receiver CRSF"

// Wires lists the wires of the stock bench, the receiver's in both formats.
func Wires() []string {
	return []string{sim.Supply, sim.Meter, sim.Board, sim.Attenuator, sim.Microphone, sim.Sticks, sim.Receiver, CRSF}
}

// Attack is a unit on a bench with one bad wire.
type Attack struct {
	Wire   string
	Damage drivertest.Damage
	Defect string // of the unit; "" for a sound one
	Seed   uint64
	Sticks sim.SticksHabit // of the controller of the stick machine
}

// Came is what came of an attack.
type Came struct {
	Report reports.Report
	Bytes  int // over the wire
	Hits   int // bytes damaged
	// Farthest is how far a reading of a unit that passed lay from the same over a
	// sound wire, as a share of its limit's width.
	Farthest float64
	Wrong    []string
}

// Run takes the unit through the stock plan in a nest of its own.
func (a Attack) Run(t testing.TB) Came {
	t.Helper()
	_, b, _, err := demo.Files(1)
	require.NoError(t, err)
	role := a.Wire
	if role == CRSF {
		role = sim.Receiver
		d := b.Nests[0].Devices[role]
		d.Format = "CRSF"
		b.Nests[0].Devices[role] = d
	}
	var bad *drivertest.Damaged
	n, leave := nest(t, a.Seed, b, a.Sticks, func(p bench.PortName, port drivers.Port, clock drivers.Clock) drivers.Port {
		damage := drivertest.Damage{} // the others are as unprotected, and sound
		if p.Rest == role {
			damage = a.Damage
		}
		d := drivertest.NewDamaged(port, clock, rand.New(rand.NewPCG(a.Seed, 1)), damage)
		if p.Rest == role {
			bad = d
		}
		return d
	}, nil)
	defer leave()
	if a.Wire == CRSF {
		require.NoError(t, n.Fixture.SetFormat("CRSF"))
	}
	h := a.unit(t)
	came := Came{Report: n.Judge(t, h)}
	came.Bytes, came.Hits = bad.Bytes(), bad.Hits()
	came.judge(t, a, n.Fixture.State())
	return came
}

// clean is the same unit on the same bench with a sound wire.
func (a Attack) clean(t testing.TB) reports.Report {
	a.Damage = drivertest.Damage{}
	return a.Run(t).Report
}

func (a Attack) unit(t testing.TB) sim.Handset {
	rng := rand.New(rand.NewPCG(a.Seed, 2))
	h := sim.Good(rng)
	if a.Defect != "" {
		d, err := sim.DefectNamed(a.Defect)
		require.NoError(t, err)
		d.Apply(&h, 1, rng)
	}
	return h
}

// judge notes what must never come of a damaged wire.
func (c *Came) judge(t testing.TB, a Attack, state sim.State) {
	t.Helper()
	wrong := func(format string, args ...any) {
		c.Wrong = append(c.Wrong, fmt.Sprintf("%s, %s, defect %q, seed %d: ", a.Wire, a.Damage, a.Defect, a.Seed)+
			fmt.Sprintf(format, args...))
	}
	r := c.Report
	said := wording.English().Reason(r.Reason)
	switch r.Outcome {
	case reports.Passed:
		if a.Defect != "" {
			wrong("a bad unit passed")
			break
		}
		if c.Hits > 0 {
			c.unsound(a.clean(t), wrong)
		}
	case reports.Failed:
		if a.Defect == "" {
			wrong("a sound unit failed: %s; %v", said, Broke(r))
		}
	case reports.Errored:
	default:
		wrong("%s: %s", r.Outcome, said)
	}
	for _, f := range r.Faults {
		if f.Reason.Code == reports.Internal || f.Reason.Code == reports.PlanStuck || f.Reason.OfPlan() {
			wrong("called a defect of the program or the plan: %s", wording.English().Fault(f))
		}
	}
	if r.Reason != nil && (r.Reason.Code == reports.Internal || r.Reason.OfPlan()) {
		wrong("called a defect of the program or the plan: %s", said)
	}
	if !state.Safe() && len(r.Unsafe) == 0 {
		wrong("left on, and nobody was told: %+v", state)
	}
}

// unsound notes readings of a unit that passed that are not what the same unit
// has over a sound wire: off by more than half the width of their limit.
// Another draw of the noise is allowed.
func (c *Came) unsound(clean reports.Report, wrong func(string, ...any)) {
	was := map[string]reports.Reading{}
	for _, k := range clean.Checks {
		for _, r := range k.Readings {
			was[k.Name+"."+r.Name] = r
		}
	}
	for _, k := range c.Report.Checks {
		for _, r := range k.Readings {
			name := k.Name + "." + r.Name
			x, number := r.Value.Number()
			y, _ := was[name].Value.Number()
			if !number || r.Limit == nil {
				continue
			}
			width := 0.0
			switch l := r.Limit; {
			case l.Lower != nil && l.Upper != nil:
				width = *l.Upper - *l.Lower
			case l.Upper != nil:
				width = math.Abs(*l.Upper)
			case l.Lower != nil:
				width = math.Abs(*l.Lower)
			}
			if width == 0 {
				continue
			}
			share := math.Abs(x-y) / width
			if c.Farthest = max(c.Farthest, share); !(share <= 0.5) {
				wrong("passed with %s = %v %s, which is %v over a sound wire", name, x, r.Unit, y)
			}
		}
	}
}

// AnyAttack draws an attack: each wire, harm, rate or single hit, sound and bad
// units. traffic is how many bytes go over a wire in a run, for the place of a
// single hit.
func AnyAttack(rng *rand.Rand, seed uint64, traffic func(wire string) int) Attack {
	wires, harms, defects := Wires(), drivertest.Harms(), sim.Defects()
	a := Attack{Wire: wires[rng.IntN(len(wires))], Seed: seed}
	a.Damage.Harm = harms[rng.IntN(len(harms))]
	if rng.IntN(3) == 0 {
		a.Damage.Once = 1 + rng.IntN(traffic(a.Wire))
	} else {
		a.Damage.Rate = math.Pow(10, -5+3*rng.Float64())
	}
	if rng.IntN(2) == 0 {
		a.Defect = defects[rng.IntN(len(defects))].Name
	}
	return a
}

// Traffic is how many bytes go over each wire of the stock bench for a sound
// unit, both ways.
func Traffic(t testing.TB) map[string]int {
	m := map[string]int{}
	for _, w := range Wires() {
		c := Attack{Wire: w, Seed: 1}.Run(t)
		require.Equal(t, reports.Passed, c.Report.Outcome, "%s: %s", w, wording.English().Reason(c.Report.Reason))
		m[w] = c.Bytes
	}
	return m
}
