package bench

import (
	"fmt"
	"maps"
	"math"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"fullthrow/drivers"
	"fullthrow/drivers/motion"
	"fullthrow/reports/statistics"
	"fullthrow/runner/input"
)

// roleName is what a plan can write after "bench.".
var roleName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z][a-z0-9_]*$`) })

var framing = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[5-8][NEO](1|1\.5|2)$`) })

// benchCheck gathers what is wrong with a bench file.
type benchCheck struct {
	*File
	rows     []driverRow
	problems []input.Problem
	ports    map[string]string // port of the hardware -> nest that has it
}

func (c *benchCheck) add(hint string, line int, format string, args ...any) {
	c.problems = append(c.problems, input.At(c.Name, line, fmt.Sprintf(format, args...), hint))
}

// check looks for everything that can be known to be wrong without hardware.
func (b *File) check() []input.Problem {
	c := &benchCheck{File: b, rows: b.driverRows(), ports: map[string]string{}}
	if b.Station == "" {
		c.add(`write station = "LQ-1" at the top: it is in every report and in its file's name`, 1,
			"the station has no name")
	}
	if b.Product == "" {
		c.add("it is the product named by the plan", 1, "no product given")
	}
	if !(b.Takt >= 0 && b.Takt < 1e6) {
		c.add("write seconds: takt = 45; leave it out where there is none", b.At.At("takt"),
			"the takt is %g s, which is no time", b.Takt)
	}
	c.oneOf(b.Calibration.Overdue, []string{"warn", "block"}, "calibration", "overdue")
	c.oneOf(b.Captures.Keep, []string{"all", "failed", "none"}, "captures", "keep")
	c.memory(b.Plan.Memory)
	for _, k := range []struct {
		key, unit string
		value     float64
		least     float64
		most      float64
	}{{"behind", "seconds", b.Clock.Behind, 10, 1e9}, {"ahead", "days", b.Clock.Ahead, 1, 1e5}} {
		if !(k.value >= k.least && k.value <= k.most) {
			c.add(fmt.Sprintf("write %s from %g to %g; leave it out for what is usual", k.unit, k.least, k.most),
				b.At.At("clock", k.key), "[clock] %s is %g %s", k.key, k.value, k.unit)
		}
	}
	for _, h := range b.Serve.Hosts {
		if !HostName(h) {
			c.add(HostHint, b.At.At("serve", "hosts"), "hosts has %q, which is not a name or an address", h)
		}
	}
	if len(b.Nests) == 0 {
		c.add("begin one with [[nest]]", 1, "there is no nest")
	}
	names := map[string]int{}
	for i, n := range b.Nests {
		line := b.At.At("nest", strconv.Itoa(i), "name")
		switch first, twice := names[n.Name]; {
		case n.Name == "":
			c.add(`write name = "A" in it`, line, "a nest has no name")
		case twice:
			c.add("", line, "nest %q is there twice, first in line %d", n.Name, first)
		default:
			names[n.Name] = line
		}
		c.nest(i, n)
	}
	return c.problems
}

// HostName reports whether text can be the name or address of a computer.
func HostName(text string) bool {
	if _, err := netip.ParseAddr(text); err == nil {
		return true
	}
	return len(text) <= 253 && hostName().MatchString(text)
}

// HostHint says what a name looks like.
const HostHint = `without http:// and port, like hosts = ["lq-1.plant.example"]`

var hostName = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9_-]*[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9_-]*[A-Za-z0-9])?)*$`)
})

// oneOf checks a word of the file against those allowed.
func (c *benchCheck) oneOf(word string, allowed []string, path ...string) {
	if !slices.Contains(allowed, word) {
		c.add(input.Meant(word, allowed), c.At.At(path...), "%s is %q, which is none of %s", path[len(path)-1], word,
			strings.Join(allowed, ", "))
	}
}

// memory checks how much a plan may take.
func (c *benchCheck) memory(text string) {
	at := c.At.At("plan", "memory")
	switch n, err := parseMemory(text); {
	case err != nil:
		c.add(`a whole number and KiB, MiB or GiB: memory = "128 MiB"`, at, "memory is %q: %v", text, err)
	case n < minMemory || n > maxMemory:
		c.add("128 MiB are plenty for a plan that keeps a minute of sound", at,
			"memory is %s, which is not in %d MiB to %d GiB", text, minMemory>>20, maxMemory>>30)
	}
}

func (c *benchCheck) nest(i int, n nestFile) {
	path := func(p ...string) int { return c.At.At(append([]string{"nest", strconv.Itoa(i)}, p...)...) }
	taken := map[string]string{} // role -> what has it
	role := func(kind, name string, line int) {
		if !roleName().MatchString(name) {
			c.add("small letters, digits and _ , a letter first", line, "a plan cannot write bench.%s", name)
		} else if other := taken[name]; other != "" {
			c.add("", line, "%s %q has the name of %s", kind, name, other)
		}
		taken[name] = kind + " " + name
	}
	if len(n.Devices) == 0 {
		c.add("begin one with [nest.device.supply]", path(), "nest %q has no device", n.Name)
	}
	sims := 0
	for _, name := range slices.Sorted(maps.Keys(n.Devices)) {
		d := n.Devices[name]
		role("device", name, path("device", name))
		c.device(n, name, d, func(p ...string) int { return path(append([]string{"device", name}, p...)...) })
		if p, _ := ParsePort(d.Port); p.kind == "sim" {
			sims++
		}
	}
	if sims > 0 && sims < len(n.Devices) {
		c.add("a simulated nest runs on its own time; give every device a sim: port, or none", path(),
			"nest %q is half simulated: %d of %d devices have a sim: port", n.Name, sims, len(n.Devices))
	}
	used := map[string]string{}
	for _, name := range slices.Sorted(maps.Keys(n.Outputs)) {
		o := n.Outputs[name]
		role("output", name, path("output", name))
		c.line(n, "output", name, o.Device, o.Line, path, used)
		if !slices.Contains(drivers.Hazards(), o.drives()) {
			c.add("say what can hurt: power, motion or radio; nothing only where it can hurt nobody",
				path("output", name, "drives"),
				"output %q: drives is %q, which is none of power, motion, radio, nothing", name, o.Drives)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(n.Inputs)) {
		in := n.Inputs[name]
		role("input", name, path("input", name))
		c.line(n, "input", name, in.Device, in.Line, path, used)
	}
	switch _, ok := n.Inputs[n.Interlock]; {
	case n.Interlock == "":
		c.add(`write interlock = "guard" with an input of that name, or interlock = "none" for a fixture without a guard`,
			path(), "nest %q does not say what its interlock is", n.Name)
	case n.Interlock != "none" && !ok:
		inputs := slices.Sorted(maps.Keys(n.Inputs))
		c.add(input.Meant(n.Interlock, inputs), path("interlock"), "interlock %q is no input of nest %q", n.Interlock,
			n.Name)
	}
	if _, ok := n.Outputs[n.Heartbeat]; n.Heartbeat != "" && !ok {
		c.add(input.Meant(n.Heartbeat, slices.Sorted(maps.Keys(n.Outputs))), path("heartbeat"),
			"heartbeat %q is no output of nest %q", n.Heartbeat, n.Name)
	}
}

// device checks one [nest.device.NAME]; line finds its keys.
func (c *benchCheck) device(n nestFile, name string, d deviceFile, line func(...string) int) {
	i := slices.IndexFunc(c.rows, func(r driverRow) bool { return r.name == d.Driver })
	if i < 0 {
		var names []string
		for _, r := range c.rows {
			names = append(names, r.name)
		}
		if d.Driver == "" {
			c.add("drivers: "+strings.Join(names, ", "), line(), "device %q has no driver", name)
		} else {
			c.add(input.Meant(d.Driver, names), line("driver"), "device %q: there is no driver %q", name, d.Driver)
		}
		return
	}
	row := c.rows[i]
	c.devicePort(n, name, d, row, line)
	if len(row.models) > 0 {
		switch {
		case d.Model == "" && len(row.models) > 1:
			c.add("models: "+strings.Join(row.modelNames(), ", "), line(), "device %q: driver %q needs a model", name,
				d.Driver)
		case d.Model != "" && !slices.Contains(row.modelNames(), d.Model):
			c.add(input.Meant(d.Model, row.modelNames()), line("model"), "device %q: driver %q knows no model %q", name,
				d.Driver, d.Model)
		}
	}
	if len(row.formats) > 0 && d.Format != "" && !slices.Contains(row.formats, d.Format) {
		c.add(input.Meant(d.Format, row.formats), line("format"), "device %q: driver %q knows no format %q", name,
			d.Driver, d.Format)
	}
	if p, _ := ParsePort(d.Port); row.name == "modbus" && d.Format != "" && p.kind != "tcp" {
		c.add("it is for a port like tcp:192.168.7.20:502", line("format"), "device %q: format %q on a port that is "+
			"no socket", name, d.Format)
	}
	if k := slices.IndexFunc(row.models, func(m modelRow) bool { return m.name == d.Model }); k >= 0 && row.byChannel &&
		(d.Channel < 0 || d.Channel > max(row.models[k].channels, 1)) {
		c.add("", line("channel"), "device %q: channel %d, and model %q has 1 to %d", name, d.Channel, d.Model,
			max(row.models[k].channels, 1))
	}
	for _, g := range []struct {
		key   string
		given bool
	}{
		{"model", d.Model != ""}, {"format", d.Format != ""}, {"address", d.Address != 0}, {"channel", d.Channel != 0},
		{"rate", d.Rate != 0}, {"line", d.Line != 0}, {"active_low", d.ActiveLow}, {"axis", len(d.Axes) > 0},
		{"period", d.Period != 0}, {"home", d.Home != ""}, {"stop", d.Stop != ""}, {"calibration", d.Calibration != nil},
		{"shunt", d.Shunt != 0}, {"matrix", len(d.Matrix) > 0}, {"arguments", len(d.Arguments) > 0}, {"directory", d.Directory != ""},
		{"environment", len(d.Environment) > 0}, {"timeout", d.Timeout != 0}, {"reference", d.Reference != 0},
		{"line_end", d.LineEnd != ""}, {"prompt", d.Prompt != ""}, {"echo", d.Echo}, {"unit", d.Unit},
		{"open", d.Open != ""},
		{"hello", d.Hello != ""}, {"safe", len(d.Safe) > 0}, {"confirm", d.Confirm != ""}, {"drives", d.Drives != ""},
		{"frame", d.Frame != nil},
	} {
		if g.given && !slices.Contains(row.keys, g.key) {
			c.add("it takes "+strings.Join(append([]string{"port"}, row.keys...), ", "), line(g.key),
				"device %q: driver %q takes no %s", name, d.Driver, g.key)
		}
	}
	if d.Address < 0 || d.Address > 247 {
		c.add("", line("address"), "device %q: address %d is not in 1 to 247", name, d.Address)
	}
	if !(d.Shunt >= 0) || !(d.Reference >= 0) || !finite(d.Shunt, d.Reference) {
		c.add("write ohm (shunt = 0.1) and volts (reference = 3.3)", line(), "device %q: shunt %g, reference %g", name,
			d.Shunt, d.Reference)
	}
	if !(d.Timeout >= 0 && d.Timeout <= 3600) {
		c.add("write seconds: timeout = 60", line("timeout"), "device %q: a timeout of %g s", name, d.Timeout)
	}
	if !(d.Period == 0 || d.Period >= 0.001 && d.Period <= 0.1) {
		c.add("write seconds: period = 0.004; without it, it is measured", line("period"),
			"device %q: a period of %g s", name, d.Period)
	}
	if d.Line < 0 {
		c.add("", line("line"), "device %q: line %d", name, d.Line)
	}
	if d.Rate < 0 || d.Rate > 384000 || math.IsNaN(d.Rate) {
		c.add("", line("rate"), "device %q: %g samples/s is not a rate", name, d.Rate)
	}
	c.axes(name, d, row, line)
	c.talk(name, d, row, line)
	c.machine(n, name, d, row, line)
	if k := d.Calibration; k != nil {
		if k.Gain < 0 || !finite(k.Gain, k.Offset) {
			c.add("", line("calibration"), "device %q: a calibration needs a finite gain above 0 and a finite offset",
				name)
		}
		if k.Due.Year == 0 {
			c.add("write due = 2027-03-31", line("calibration"), "device %q: the calibration does not say when it "+
				"is due", name)
		}
	}
}

func (c *benchCheck) devicePort(n nestFile, name string, d deviceFile, row driverRow, line func(...string) int) {
	p, err := ParsePort(d.Port)
	if err != nil {
		at, hint := line("port"), ""
		if d.Port == "" {
			hint = "write port = \"" + row.example + "\""
		}
		c.add(hint, at, "device %q: %v", name, err)
		return
	}
	if !slices.Contains(row.ports, p.kind) {
		c.add("like "+row.example, line("port"), "device %q: driver %q cannot use a %s port", name, d.Driver, p.kind)
		return
	}
	// A GPIO chip has many lines; the kernel gives out each of them once.
	if p.kind != "sim" && p.kind != "gpio" && p.kind != "program" {
		key := p.String()
		if p.kind == "i2c" { // parts share a bus, each with its own address
			key += fmt.Sprintf(", address 0x%02X", row.address(d))
		}
		shared := row.bus != nil
		if row.byChannel {
			at := fmt.Sprintf("%s, channel %d", key, max(d.Channel, 1))
			shared = c.ports[at] == ""
			c.ports[at] = n.Name
		}
		switch owner := c.ports[key]; {
		case owner == "":
			c.ports[key] = n.Name + "\x00" + row.name
		case owner != n.Name+"\x00"+row.name:
			nest, driver, _ := strings.Cut(owner, "\x00")
			c.add("", line("port"), "device %q: port %s already belongs to driver %q in nest %q", name, key, driver,
				nest)
		case !shared:
			c.add("", line("port"), "device %q: port %s is there twice in nest %q, and driver %q is alone on its port",
				name, key, n.Name, row.name)
		}
	}
	serial := p.kind == "serial" || p.kind == "usb"
	if d.Baud != 0 && (!serial || d.Baud < 50 || d.Baud > 4000000) {
		text := "device %q: baud %d is not in 50 to 4000000"
		if !serial {
			text = "device %q: baud %d on a port that is not serial"
		}
		c.add("", line("baud"), text, name, d.Baud)
	}
	switch {
	case d.Framing == "":
	case !serial:
		c.add("", line("framing"), "device %q: framing %q on a port that is not serial", name, d.Framing)
	case !framing().MatchString(d.Framing):
		c.add(`data bits 5 to 8, parity N, E or O, stop bits 1, 1.5 or 2: "8N1"`, line("framing"),
			"device %q: framing %q", name, d.Framing)
	}
}

func (c *benchCheck) axes(name string, d deviceFile, row driverRow, line func(...string) int) {
	letters := map[string]string{}
	for _, axis := range slices.Sorted(maps.Keys(d.Axes)) {
		a := d.Axes[axis]
		at := line("axis", axis)
		if !roleName().MatchString(axis) {
			c.add("small letters, digits and _ , a letter first", at, "a plan cannot write the axis %q", axis)
		}
		switch {
		case row.servos && a.Letter != "":
			c.add("write output = 0", line("axis", axis, "letter"), "axis %q: a servo has an output and no letter", axis)
		case row.servos:
			continue // the driver itself says what is wrong
		case len(a.Letter) != 1 || !strings.Contains("ABCUVWXYZ", a.Letter):
			c.add("one of X Y Z A B C U V W", line("axis", axis, "letter"), "axis %q: letter %q", axis, a.Letter)
		case letters[a.Letter] != "":
			c.add("", line("axis", axis, "letter"), "axis %q has the letter of axis %q", axis, letters[a.Letter])
		}
		letters[a.Letter] = axis
		if a.Scale == 0 || !finite(a.Scale, a.Min, a.Max, a.Offset) {
			c.add("scale is mm per full throw, for example 12.0", at, "axis %q needs a scale that is not 0, and "+
				"finite numbers", axis)
		}
		if (a.Min != 0 || a.Max != 0) && a.Min >= a.Max {
			c.add("", at, "axis %q: min %g is not below max %g", axis, a.Min, a.Max)
		}
	}
}

// machine checks how a machine is homed and stopped.
func (c *benchCheck) machine(n nestFile, name string, d deviceFile, row driverRow, line func(...string) int) {
	switch {
	case !slices.Contains(row.keys, "home"):
		return
	case d.Home != "" && d.Home != motion.Trusted:
		c.add(`write home = "trusted", or leave it out`, line("home"), "device %q: home is %q, which is not trusted",
			name, d.Home)
	case d.Home == "" && row.model(d).unproved:
		c.add(`see that it finds its reference each time, and write home = "trusted"; or take a controller that can`+
			" prove it", line(), "device %q: model %q cannot prove that it is homed", name, d.Model)
	}
	if _, ok := n.Outputs[d.Stop]; d.Stop != "" && !ok {
		c.add(input.Meant(d.Stop, slices.Sorted(maps.Keys(n.Outputs))), line("stop"),
			"device %q: stop %q is no output of nest %q", name, d.Stop, n.Name)
	}
}

// Cautions are what is in order, and to be known of the machines of a bench.
func (b *File) Cautions() (notes []input.Problem) {
	rows := map[string]driverRow{}
	for _, r := range b.driverRows() {
		rows[r.name] = r
	}
	for i, n := range b.Nests {
		for _, name := range slices.Sorted(maps.Keys(n.Devices)) {
			d := n.Devices[name]
			model := rows[d.Driver].model(d)
			at := func(key string) int { return b.lineOf(i, "device", name, key) }
			note := func(line int, hint, format string, args ...any) {
				notes = append(notes, input.At(b.Name, line, fmt.Sprintf(format, args...), hint))
			}
			const relay = `let a relay cut its motors' power, and name that output: stop = "motor_power"`
			switch {
			case d.Stop != "":
			case model.stop == stopsNever:
				note(at("model"), relay, "device %q: nothing stops model %q but its power", name, d.Model)
			case model.stop == stopsAhead:
				note(at("model"), "where it does not read ahead, "+relay, "device %q: model %q stops at once only if "+
					"the controller reads ahead, which it says when a run begins", name, d.Model)
			}
			if d.Home == motion.Trusted {
				note(at("home"), "see that it finds its reference each time", "device %q: its homing is believed and "+
					"not proved", name)
			}
		}
	}
	return notes
}

// line checks one output or input.
func (c *benchCheck) line(n nestFile, kind, name, device string, line int, path func(...string) int,
	used map[string]string) {
	d, ok := n.Devices[device]
	if !ok {
		c.add(input.Meant(device, slices.Sorted(maps.Keys(n.Devices))), path(kind, name, "device"),
			"%s %q: nest %q has no device %q", kind, name, n.Name, device)
		return
	}
	i := slices.IndexFunc(c.rows, func(r driverRow) bool { return r.name == d.Driver })
	if i >= 0 && !c.rows[i].lines {
		c.add("", path(kind, name, "device"), "%s %q: device %q (driver %s) has no lines", kind, name, device, d.Driver)
		return
	}
	if line < 0 || line == 0 && path(kind, name, "line") == path(kind, name) {
		c.add("write line = 1", path(kind, name, "line"), "%s %q does not say which line of %s it is", kind, name,
			device)
		return
	}
	key := fmt.Sprint(kind, " ", device, " ", line)
	if other := used[key]; other != "" {
		c.add("", path(kind, name, "line"), "%s %q is line %d of %s, and so is %q", kind, name, line, device, other)
	}
	used[key] = name
}

func finite(xs ...float64) bool {
	return !slices.ContainsFunc(xs, func(x float64) bool { return !statistics.Finite(x) })
}
