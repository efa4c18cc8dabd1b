package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
)

// simulateOptions say what lies on the simulated fixture.
type simulateOptions struct {
	dir      string
	seed     uint64
	unit     int // of the demo's lot; 0: a sound one
	defect   string
	severity float64
	nests    int
}

func (a *app) simulateCommand() *cobra.Command {
	o := simulateOptions{seed: 1, severity: 1, nests: 1}
	c := &cobra.Command{
		Use:   "simulate",
		Short: "Put a simulated fixture on real ports, in real time",
		Long: `Put a simulated fixture with a simulated handset on pseudo-terminals and TCP
ports of this computer, in real time, and write the bench file that goes with
it. Another shell can then run fullthrow test against it as against hardware.
It runs until it is stopped.`,
		Args: takes(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch {
			case o.nests < 1 || o.nests > 26:
				return usage("simulate: --nests %d is not in 1 to 26", o.nests)
			case o.unit < 0 || o.unit > 99999:
				return usage("simulate: --unit %d is not in 1 to 99999", o.unit)
			case o.unit > 0 && o.defect != "":
				return usage("simulate: --unit and --defect exclude each other").hint("a unit of the lot has the defects that the population file gave it")
			case o.severity <= 0 || o.severity > 10:
				return usage("simulate: --severity %g is not above 0 and up to 10", o.severity)
			}
			return a.simulate(cmd.Context(), o)
		},
	}
	c.Flags().StringVar(&o.dir, "dir", "", "put bench.toml and the names of the ports into `DIR`; default: a new temporary folder")
	c.Flags().Uint64Var(&o.seed, "seed", o.seed, "make the lot that belongs to `S`")
	c.Flags().IntVar(&o.unit, "unit", 0, "take unit `N` of the demo's lot, with its defects; default: a sound unit")
	c.Flags().StringVar(&o.defect, "defect", "", "give a sound unit the defect `NAME`")
	c.Flags().Float64Var(&o.severity, "severity", o.severity, "how bad the defect is, as `X`: 1 is clearly bad")
	c.Flags().IntVar(&o.nests, "nests", o.nests, "make `N` fixtures, each with a unit")
	return c
}

func (a *app) simulate(ctx context.Context, o simulateOptions) error {
	ctx, e := a.begin(ctx)
	defer e.done()
	e.outliveReaders()
	_, b, people, err := demoFiles(o.nests)
	if err != nil {
		return err
	}
	b.Nests = b.Nests[:o.nests]
	units, err := o.handsets(people)
	if err != nil {
		return err
	}
	if o.dir == "" {
		if o.dir, err = os.MkdirTemp("", "fullthrow-simulate-"); err != nil {
			return err
		}
		defer os.RemoveAll(o.dir)
	}
	if o.dir, err = filepath.Abs(o.dir); err != nil {
		return err
	}

	var fixtures []*sim.Bench
	var ends []sim.Endpoint
	// The endpoints outlive the signal until this returns, and are gone then.
	serving, end := context.WithCancel(context.WithoutCancel(ctx))
	defer func() {
		end()
		for _, e := range ends {
			<-e.Done
		}
	}()
	for k := range b.Nests {
		fixture := sim.NewBench(drivers.System, o.seed)
		fixture.Load(units[k].handset)
		served, err := b.Nests[k].serve(serving, fixture, filepath.Join(o.dir, "nest-"+b.Nests[k].Name))
		ends = append(ends, served...)
		if err != nil {
			return err
		}
		fixtures = append(fixtures, fixture)
	}
	file := filepath.Join(o.dir, "bench.toml")
	if err := b.writeTo(file); err != nil {
		return err
	}

	s := newScreen(a.out)
	s.say("%s Invented data: never use its records as those of real units.", s.strong("A simulated fixture, in real time."))
	for k, n := range b.Nests {
		s.say("\nnest %s holds %s", n.Name, units[k].about)
		s.say("  fullthrow test %s --bench %s --nest %s", units[k].serial, file, n.Name)
	}
	s.say("\nIt runs until it is stopped: Ctrl-C.")
	for drivers.System.Sleep(ctx, 250*time.Millisecond) == nil {
		s.now("%s", fixtureLine(b, fixtures))
	}
	s.now("")
	return nil
}

// serve puts the fixture of a simulated nest on real ports, named in dir, until
// ctx ends, and makes them the nest's.
func (n *nestFile) serve(ctx context.Context, fixture *sim.Bench, dir string) ([]sim.Endpoint, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, usage("simulate: %w", err)
	}
	ends, err := sim.Serve(ctx, fixture, sim.Options{Dir: dir})
	if err != nil {
		return nil, fmt.Errorf("simulate: %w", err)
	}
	for _, e := range ends {
		for role, d := range n.Devices {
			if d.Port == "sim:"+e.Role {
				d.Port = e.Address
				if e.Kind == "tcp" {
					d.Port = "tcp:" + e.Address
				}
				n.Devices[role] = d
			}
		}
	}
	return ends, nil
}

// fixtureLine says what the fixtures are doing.
func fixtureLine(b *benchFile, fixtures []*sim.Bench) string {
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

// simulatedUnit is a handset for a fixture.
type simulatedUnit struct {
	serial, about string
	handset       sim.Handset
}

// handsets makes the units that are asked for, one a nest.
func (o simulateOptions) handsets(people *sim.Population) ([]simulatedUnit, error) {
	var list []simulatedUnit
	for k := range o.nests {
		n := max(1, o.unit) + k
		serial, err := demoSerial("24A", n)
		if err != nil {
			return nil, err
		}
		u := simulatedUnit{serial: serial, about: "a sound unit"}
		switch {
		case o.unit > 0:
			var defects []string
			if u.handset, defects = people.Draw(o.seed, n-1); len(defects) > 0 {
				u.about = "a unit with " + strings.Join(defects, ", ")
			}
		case o.defect != "":
			d, err := sim.DefectNamed(o.defect)
			if err != nil {
				return nil, unknownDefect(o.defect)
			}
			u.handset = soundUnit(serial)
			d.Apply(&u.handset, o.severity, rand.New(rand.NewPCG(o.seed, uint64(n))))
			u.about = fmt.Sprintf("a unit that %s (%s, severity %g)", d.About, d.Name, o.severity)
		default:
			u.handset = soundUnit(serial)
		}
		list = append(list, u)
	}
	return list, nil
}

func unknownDefect(name string) error {
	known := names(sim.Defects(), func(d sim.Defect) string { return d.Name })
	f := usage("simulate: there is no defect %q", name)
	if n := near(name, known); n != "" {
		return f.hint(`did you mean "` + n + `"?`)
	}
	return f.hint("defects: " + strings.Join(known, ", "))
}

// writeTo writes the bench as a file, in the order a reader looks for.
func (b *benchFile) writeTo(file string) (err error) {
	f, err := os.Create(file)
	if err != nil {
		return usage("simulate: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return b.write(f)
}

func (b *benchFile) write(w io.Writer) error {
	var t strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&t, format+"\n", args...) }
	p("# Written by fullthrow simulate: a simulated fixture on real ports. It is of no")
	p("# use once that command has ended.")
	p("station = %q", b.Station)
	p("product = %q", b.Product)
	if b.Takt > 0 {
		p("takt = %g", b.Takt)
	}
	p("\n[captures]\nkeep = %q", b.Captures.Keep)
	p("\n[plan]\nmemory = %q", b.Plan.Memory)
	for _, n := range b.Nests {
		p("\n[[nest]]\nname = %q\ninterlock = %q", n.Name, n.Interlock)
		for _, role := range slices.Sorted(maps.Keys(n.Devices)) {
			d := n.Devices[role]
			p("\n[nest.device.%s]\ndriver = %q", role, d.Driver)
			for _, k := range []struct{ key, value string }{{"model", d.Model}, {"format", d.Format}, {"port", d.Port}} {
				if k.value != "" {
					p("%s = %q", k.key, k.value)
				}
			}
		}
		if len(n.Outputs) > 0 {
			p("\n[nest.output]")
		}
		for _, role := range slices.Sorted(maps.Keys(n.Outputs)) {
			o := n.Outputs[role]
			p("%s = { device = %q, line = %d, active_low = %t, safe = %t, drives = %q }",
				role, o.Device, o.Line, o.ActiveLow, o.Safe, o.drives())
		}
		if len(n.Inputs) > 0 {
			p("\n[nest.input]")
		}
		for _, role := range slices.Sorted(maps.Keys(n.Inputs)) {
			in := n.Inputs[role]
			p("%s = { device = %q, line = %d, active_low = %t }", role, in.Device, in.Line, in.ActiveLow)
		}
	}
	_, err := io.WriteString(w, t.String())
	return err
}
