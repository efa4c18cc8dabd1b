package bench

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/drivers/wav"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/station"
)

// NestConfig is what a nest of this program is made of, whatever its hardware.
func (b *File) NestConfig(m *product.Method, i int, n *Opened, clock drivers.Clock,
	records *archive.Archive) station.Config {
	wall := station.Wall
	if clock != drivers.System {
		wall = nil // a simulated clock is nobody's to set
	}
	return station.Config{
		Wall: wall, ClockBounds: station.ClockBounds{Behind: time.Duration(b.Clock.Behind * float64(time.Second)),
			Ahead: time.Duration(b.Clock.Ahead * 24 * float64(time.Hour))},
		Station: b.Station, Name: b.Nests[i].Name, Takt: time.Duration(b.Takt * float64(time.Second)), Clock: clock,
		Devices: n.Devices, Drives: n.Drives, Unchecked: n.Unchecked, Interlock: n.interlock, Heartbeat: n.heartbeat,
		Plan: m.Plan, Limits: m.Limits, Causes: m.Taught(records), Archive: records,
		Sources:   append(b.Sources(), m.Sources...),
		Keep:      station.Keep(b.Captures.Keep),
		Memory:    b.Plan.memory(),
		Sound:     encodeSound,
		Simulated: b.Simulated(i),
		Software:  Software(),
	}
}

// Sources are the bench file and its files of models, as reports name them.
func (b *File) Sources() []reports.Source {
	list := []reports.Source{product.Source(b.Name, b.Data)}
	for _, f := range b.ModelFiles {
		list = append(list, product.Source(f.Name, f.Data))
	}
	return list
}

// encodeSound is a capture of sound as a WAV file.
func encodeSound(s drivers.Samples) ([]byte, error) {
	var b bytes.Buffer
	err := wav.Encode(&b, s)
	return b.Bytes(), err
}

// Serve puts the fixture of a simulated nest on real ports, named in dir, until
// ctx ends, and makes them the nest's.
func (n *nestFile) Serve(ctx context.Context, fixture *sim.Bench, dir string) ([]sim.Endpoint, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, input.Usage("simulate: %w", err)
	}
	for _, d := range n.Devices {
		if d.Port == "sim:"+sim.Sticks {
			if err := fixture.SetController(simulatedController[d.Model]); err != nil {
				return nil, fmt.Errorf("simulate: %w", err)
			}
		}
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

// WriteTo writes the bench as a file, in the order a reader looks for.
func (b *File) WriteTo(file string) (err error) {
	f, err := os.Create(file)
	if err != nil {
		return input.Usage("simulate: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return b.Write(f)
}

func quoted(list []string) string {
	q := make([]string, len(list))
	for i, s := range list {
		q[i] = strconv.Quote(s)
	}
	return strings.Join(q, ", ")
}

func (b *File) Write(w io.Writer) error {
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
	p("\n[clock]\nbehind = %g\nahead = %g", b.Clock.Behind, b.Clock.Ahead)
	if len(b.Serve.Hosts) > 0 {
		p("\n[serve]\nhosts = [%s]", quoted(b.Serve.Hosts))
	}
	for _, n := range b.Nests {
		p("\n[[nest]]\nname = %q\ninterlock = %q", n.Name, n.Interlock)
		for _, role := range slices.Sorted(maps.Keys(n.Devices)) {
			d := n.Devices[role]
			p("\n[nest.device.%s]\ndriver = %q", role, d.Driver)
			for _, k := range []struct{ key, value string }{{"model", d.Model}, {"format", d.Format},
				{"port", d.Port}, {"home", d.Home}, {"stop", d.Stop}} {
				if k.value != "" {
					p("%s = %q", k.key, k.value)
				}
			}
			d.writeTalk(p)
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

// Software is the version that goes into every report: the module's, or the
// commit that was built, marked where files had been changed since.
func Software() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown build"
	}
	return softwareOf(info)
}

func softwareOf(info *debug.BuildInfo) string {
	version, commit, changed := info.Main.Version, "", ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			commit = s.Value[:min(12, len(s.Value))]
		case "vcs.modified":
			if s.Value == "true" {
				changed = " with changes"
			}
		}
	}
	switch {
	case commit != "" && (version == "" || version == "(devel)"):
		return "commit " + commit + changed
	case version == "" || version == "(devel)":
		return "development build"
	}
	return version + changed
}
