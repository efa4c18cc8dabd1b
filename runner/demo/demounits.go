package demo

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"maps"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"fullthrow/drivers/sim"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/station"
	"fullthrow/runner/web"
)

// Units are the handsets of the invented plant: which defects a unit has
// depends on its serial number and on nothing else, so that a retest finds the
// same, until somebody repairs it.
type Units struct {
	people *sim.Population

	mu     sync.Mutex
	given  map[string]string // defect by serial number, as chosen by hand; "" sound
	fields *regexp.Regexp
}

func NewUnits(people *sim.Population) *Units {
	return &Units{people: people, given: map[string]string{},
		fields: regexp.MustCompile(`^K8([0-9]{2}[A-Z])([0-9]{5})[0-9A-Z]$`)}
}

// troubled is the lot in which, so the story goes, a reel of wrong resistors
// and a batch of bad sounders were used.
const troubled = "24B"

// ofLot is the production of a lot, and the seed that belongs to it.
func (d *Units) ofLot(lot string) (*sim.Population, uint64) {
	if lot == "24A" {
		return d.people, 1
	}
	h := fnv.New64a()
	h.Write([]byte(lot))
	if lot != troubled {
		return d.people, h.Sum64()
	}
	p := *d.people
	p.Defect = slices.Clone(p.Defect)
	for i, s := range p.Defect {
		if s.Name == "slow-restart" || s.Name == "foreign-tone" {
			p.Defect[i].Share = 5 * s.Share
		}
	}
	return &p, h.Sum64()
}

// handset is the unit with that serial number, and what is wrong with it.
func (d *Units) handset(serial string) (sim.Handset, []string) {
	d.mu.Lock()
	name, chosen := d.given[serial]
	d.mu.Unlock()
	if chosen {
		h := sim.GoodOf(serial)
		if name == "" {
			return h, nil
		}
		if defect, err := sim.DefectNamed(name); err == nil {
			seed := fnv.New64a()
			seed.Write([]byte(serial))
			defect.Apply(&h, 1, rand.New(rand.NewPCG(seed.Sum64(), 1)))
			return h, []string{name}
		}
	}
	f := d.fields.FindStringSubmatch(serial)
	if f == nil || f[1] == "00Z" { // golden units are good ones
		return sim.GoodOf(serial), nil
	}
	n, err := strconv.Atoi(f[2])
	if err != nil || n < 1 {
		return sim.GoodOf(serial), nil
	}
	people, seed := d.ofLot(f[1])
	return people.Draw(seed, n-1)
}

// Give lets a unit have a defect, or none.
func (d *Units) Give(serial, defect string) error {
	if defect != "" {
		if _, err := sim.DefectNamed(defect); err != nil {
			return UnknownDefect(defect)
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.given[serial] = defect
	return nil
}

// Live is where the numbers of the units begin that are left to try.
const Live = 20001

// Try finds units to scan: good ones, and bad ones that differ in what is wrong.
func (d *Units) Try(good, bad int) (list []demoTry) {
	seen := map[string]bool{}
	for n := Live; (good > 0 || bad > 0) && n < Live+2000; n++ {
		serial, err := Serial("24A", n)
		if err != nil {
			break
		}
		_, defects := d.handset(serial)
		switch {
		case len(defects) == 0 && good > 0:
			good--
			list = append(list, demoTry{serial, "passes"})
		case len(defects) == 1 && bad > 0 && !seen[defects[0]]:
			bad--
			seen[defects[0]] = true
			about := defects[0]
			if found, err := sim.DefectNamed(defects[0]); err == nil {
				about = found.About
			}
			list = append(list, demoTry{serial, "fails: " + about})
		}
	}
	slices.SortStableFunc(list, func(a, b demoTry) int { return strings.Compare(b.About[:1], a.About[:1]) })
	return list
}

type demoTry struct{ Serial, About string }

// Fixtures are the simulated fixtures of a station, to be worked by hand.
type Fixtures struct {
	units  *Units
	nests  []string
	bench  map[string]*sim.Bench
	clock  map[string]*sim.Clock
	mu     sync.Mutex
	open   map[string]bool
	broken map[string]map[string]string
	lies   map[string]string // serial number by nest
}

func NewFixtures(units *Units) *Fixtures {
	return &Fixtures{units: units, bench: map[string]*sim.Bench{}, clock: map[string]*sim.Clock{},
		open: map[string]bool{}, broken: map[string]map[string]string{}, lies: map[string]string{}}
}

func (f *Fixtures) Add(nest string, bench *sim.Bench, clock *sim.Clock) {
	f.nests = append(f.nests, nest)
	f.bench[nest], f.clock[nest], f.broken[nest] = bench, clock, map[string]string{}
}

// Lay puts the unit with that serial number into the nest.
func (f *Fixtures) Lay(nest, serial string) {
	h, _ := f.units.handset(serial)
	f.bench[nest].Load(h)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.lies[nest] = serial
}

// Devices implements [web.Fixture]: the unit's own console is none of the fixture, and
// the demo's bench has neither multimeter nor load.
func (f *Fixtures) Devices() []string {
	return slices.DeleteFunc(f.bench[f.nests[0]].Wires(), func(role string) bool {
		return role == sim.Console || role == sim.Multimeter || role == sim.Load
	})
}

// Faults implements [web.Fixture].
func (f *Fixtures) Faults() []string {
	var list []string
	for _, k := range []sim.Fault{sim.Silent, sim.Garbled, sim.Partial, sim.Gone, sim.Slow, sim.Stuck} {
		list = append(list, string(k))
	}
	return list
}

// Defects implements [web.Fixture].
func (f *Fixtures) Defects() []web.Defect {
	var list []web.Defect
	for _, d := range sim.Defects() {
		list = append(list, web.Defect{Name: d.Name, About: d.About})
	}
	return list
}

// Guard implements [web.Fixture].
func (f *Fixtures) Guard(nest string, open bool) error {
	b := f.bench[nest]
	if b == nil {
		return fmt.Errorf("there is no nest %q", nest)
	}
	if open {
		b.OpenInterlockAt(f.clock[nest].Now())
	} else {
		b.CloseInterlock()
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.open[nest] = open
	return nil
}

// Break implements [web.Fixture].
func (f *Fixtures) Break(nest, device, fault string) error {
	b := f.bench[nest]
	if b == nil {
		return fmt.Errorf("there is no nest %q", nest)
	}
	if err := b.Break(device, sim.Fault(fault)); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if fault == "" {
		delete(f.broken[nest], device)
	} else {
		f.broken[nest][device] = fault
	}
	return nil
}

// Give implements [web.Fixture].
func (f *Fixtures) Give(serial, defect string) error { return f.units.Give(serial, defect) }

// State implements [web.Fixture].
func (f *Fixtures) State(nest string) web.FixtureState {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := web.FixtureState{GuardOpen: f.open[nest], Broken: map[string]string{}, Unit: f.lies[nest]}
	for device, fault := range f.broken[nest] {
		s.Broken[device] = fault
	}
	if s.Unit != "" {
		if _, defects := f.units.handset(s.Unit); len(defects) > 0 {
			s.About = strings.Join(defects, ", ")
		}
	}
	return s
}

// shiftStart is when the first shift of a day begins, by the machine's time.
func shiftStart(day time.Time) time.Time {
	return time.Date(day.Year(), day.Month(), day.Day(), 6, 0, 0, 0, day.Location())
}

// demoNest is one place of the demo's station.
type demoNest struct {
	*station.Nest
	Fixture *sim.Bench
}

// Files reads the stock files, with as many nests as are wanted.
func Files(nests int) (*product.Method, *bench.File, *sim.Population, error) {
	home, err := product.StockFolder(product.Stock)
	if err != nil {
		return nil, nil, nil, err
	}
	b, err := bench.LoadFrom(home, "bench-demo.toml")
	if err != nil {
		return nil, nil, nil, err
	}
	for k := len(b.Nests); k < nests; k++ {
		more := b.Nests[0]
		more.Devices = maps.Clone(more.Devices)
		more.Name = string(rune('A' + k))
		b.Nests = append(b.Nests, more)
	}
	data, err := home.Read("population.toml")
	if err != nil {
		return nil, nil, nil, err
	}
	people, err := sim.ParsePopulation(home.Path("population.toml"), data)
	if err != nil {
		return nil, nil, nil, err
	}
	m, err := product.Sources{}.Load(b.Product)
	return m, b, people, err
}

// Bench makes nest k with a simulated fixture and a clock of its own, so
// that the nests do not disturb each other's order of events.
func Bench(ctx context.Context, m *product.Method, b *bench.File, k int, records *archive.Archive, seed uint64,
	l *lotTally) (*demoNest, func(), error) {
	clock := sim.NewClock(sim.Morning)
	fixture := sim.NewBench(clock, seed)
	n, err := b.Open(ctx, k, bench.Simulated(fixture, clock))
	if err != nil {
		return nil, nil, err
	}
	c := b.NestConfig(m, k, n, clock, records)
	c.Watch = l.watch
	nest, err := station.New(c)
	if err != nil {
		return nil, nil, errors.Join(err, n.Close())
	}
	// The drivers' first conversation takes a little longer than later ones.
	// Had here, the first unit of a nest is tested exactly like any other.
	if _, err := nest.Ready(ctx); err != nil {
		return nil, nil, errors.Join(err, n.Close())
	}
	return &demoNest{nest, fixture}, func() { n.Close() }, nil
}

// Serial is the serial number of unit n of a lot.
func Serial(lot string, n int) (string, error) {
	return serial.AppendMod3736(fmt.Sprintf("K8%s%05d", lot, n))
}

func UnknownDefect(name string) error {
	known := bench.Names(sim.Defects(), func(d sim.Defect) string { return d.Name })
	f := input.Usage("simulate: there is no defect %q", name)
	if n := input.Near(name, known); n != "" {
		return f.Hint(`did you mean "` + n + `"?`)
	}
	return f.Hint("defects: " + strings.Join(known, ", "))
}

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
