package demo

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"fullthrow/drivers/sim"
	"fullthrow/runner/bench"
)

// SimulateOptions say what lies on the simulated fixture.
type SimulateOptions struct {
	Dir      string
	Seed     uint64
	Unit     int // of the demo's lot; 0: a good one
	Defect   string
	Severity float64
	Nests    int
	// Controller is the motion model that the stick machine has a controller for; ""
	// as the bench file says.
	Controller string
}

// simulatedUnit is a handset for a fixture.
type simulatedUnit struct {
	Serial, About string
	Handset       sim.Handset
}

// Handsets makes the units that are asked for, one a nest.
func (o SimulateOptions) Handsets(people *sim.Population) ([]simulatedUnit, error) {
	var list []simulatedUnit
	for k := range o.Nests {
		n := max(1, o.Unit) + k
		serial, err := Serial("24A", n)
		if err != nil {
			return nil, err
		}
		u := simulatedUnit{Serial: serial, About: "a good unit"}
		switch {
		case o.Unit > 0:
			var defects []string
			if u.Handset, defects = people.Draw(o.Seed, n-1); len(defects) > 0 {
				u.About = "a unit with " + strings.Join(defects, ", ")
			}
		case o.Defect != "":
			d, err := sim.DefectNamed(o.Defect)
			if err != nil {
				return nil, UnknownDefect(o.Defect)
			}
			u.Handset = sim.GoodOf(serial)
			d.Apply(&u.Handset, o.Severity, rand.New(rand.NewPCG(o.Seed, uint64(n))))
			u.About = fmt.Sprintf("a unit that %s (%s, severity %g)", d.About, d.Name, o.Severity)
		default:
			u.Handset = sim.GoodOf(serial)
		}
		list = append(list, u)
	}
	return list, nil
}

// FixtureLine says what the fixtures are doing.
func FixtureLine(b *bench.File, fixtures []*sim.Bench) string {
	var parts []string
	for k, f := range fixtures {
		st := f.State()
		does := "at rest"
		if !st.Safe() {
			does = "at work"
		}
		parts = append(parts, fmt.Sprintf("nest %s %s, handset %s", b.Nests[k].Name, does, st.Handset))
	}
	return strings.Join(parts, "; ")
}
