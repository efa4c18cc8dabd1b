package bench

import (
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"fullthrow/drivers"
	"fullthrow/drivers/text"
	"fullthrow/runner/input"
)

// frameFile is how the frames of a device of bytes look, as [text.Layout] has it.
// Bytes are pairs of hex digits.
type frameFile struct {
	Begin       string `toml:"begin"`
	End         string `toml:"end"`
	LengthAt    int    `toml:"length_at"`
	LengthSize  int    `toml:"length_size"`
	LengthOrder string `toml:"length_order"` // "big" (default) or "little"
	LengthAdds  int    `toml:"length_adds"`
	Fixed       int    `toml:"fixed"`
	Check       string `toml:"check"`
	CheckFrom   int    `toml:"check_from"`
	CheckOrder  string `toml:"check_order"` // "big" (default) or "little"
	Max         int    `toml:"max"`
}

// strong says whether its check sum catches damage.
func (f frameFile) strong() bool { return text.Layout{Check: f.Check}.Strong() }

// hexBytes reads pairs of hex digits, with or without spaces between them.
func hexBytes(s string) ([]byte, error) {
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		return nil, fmt.Errorf("%q are no pairs of hex digits", s)
	}
	return b, nil
}

func (f frameFile) layout() (l text.Layout, err error) {
	l = text.Layout{LengthAt: f.LengthAt, LengthSize: f.LengthSize, LengthLittle: f.LengthOrder == "little",
		LengthAdds: f.LengthAdds, Fixed: f.Fixed, Check: f.Check, CheckFrom: f.CheckFrom,
		CheckLittle: f.CheckOrder == "little", Max: f.Max}
	if l.Begin, err = hexBytes(f.Begin); err != nil {
		return l, err
	}
	l.End, err = hexBytes(f.End)
	return l, err
}

// lineEndBytes are the names of what is sent after a line.
var lineEndBytes = map[string]string{"": "\n", "LF": "\n", "CR": "\r", "CRLF": "\r\n"}

func lineEndNames() []string { return []string{"LF", "CR", "CRLF"} }

// drivesOf is what a device of this driver can hurt people with. Of what speaks as
// it likes the bench file says it; the unit itself is made safe by its supply.
func (r driverRow) drivesOf(d deviceFile) drivers.Hazard {
	switch {
	case !r.talks:
		return r.hazard(d.Model)
	case d.Drives != "":
		return drivers.Hazard(d.Drives)
	case d.Unit:
		return drivers.Nothing
	}
	return r.drives
}

func consoleRow(ports []string) driverRow {
	return driverRow{
		name: "text", ports: ports, example: "/dev/ttyUSB0", drives: drivers.Power, talks: true,
		keys: []string{"baud", "framing", "line_end", "prompt", "echo", "unit", "open", "hello", "safe", "confirm", "drives"},
		open: func(o opening) (drivers.Device, error) {
			f := o.file
			return text.Open(o.role, o.port, o.clock, text.Options{LineEnd: lineEndBytes[f.LineEnd], Prompt: f.Prompt,
				Echo: f.Echo, Unit: f.Unit, Hello: f.Hello, Safe: f.Safe, Confirm: f.Confirm})
		},
	}
}

func bytesRow(ports []string) driverRow {
	return driverRow{
		name: "bytes", ports: ports, example: "/dev/ttyUSB0", drives: drivers.Power, talks: true,
		keys: []string{"baud", "framing", "echo", "unit", "open", "safe", "drives", "frame"},
		open: func(o opening) (drivers.Device, error) {
			p := text.ByteOptions{Echo: o.file.Echo, Unit: o.file.Unit}
			if o.file.Frame != nil {
				l, err := o.file.Frame.layout()
				if err != nil {
					return nil, drivers.Errorf(o.role, "open", drivers.OutOfRange, "frame: %w", err)
				}
				p.Frame = &l
			}
			for _, s := range o.file.Safe {
				b, err := hexBytes(s)
				if err != nil {
					return nil, drivers.Errorf(o.role, "open", drivers.OutOfRange, "safe: %w", err)
				}
				p.Safe = append(p.Safe, b)
			}
			return text.OpenBytes(o.role, o.port, o.clock, p)
		},
	}
}

// talk checks the keys of a device that speaks lines or bytes.
func (c *benchCheck) talk(name string, d deviceFile, row driverRow, line func(...string) int) {
	if !row.talks {
		return
	}
	before := len(c.problems)
	word := func(w string, allowed []string, path ...string) {
		if w != "" && !slices.Contains(allowed, w) {
			c.add(input.Meant(w, allowed), line(path...), "device %q: %s is %q, which is none of %s", name,
				path[len(path)-1], w, strings.Join(allowed, ", "))
		}
	}
	word(d.LineEnd, lineEndNames(), "line_end")
	var hazards []string
	for _, h := range drivers.Hazards() {
		hazards = append(hazards, string(h))
	}
	word(d.Drives, hazards, "drives")
	word(d.Open, []string{whenUsed}, "open")
	if d.Open != "" && (!d.Unit || len(d.Safe) > 0) {
		c.add("unit = true, and no safe: what has no power is safe by its supply", line("open"),
			"device %q: only the port of the unit itself can be opened when it is used", name)
	}
	if f := d.Frame; f != nil {
		word(f.LengthOrder, []string{"big", "little"}, "frame", "length_order")
		word(f.CheckOrder, []string{"big", "little"}, "frame", "check_order")
		if f.Check != "" && !slices.Contains(text.CheckNames(), f.Check) {
			c.add(input.Meant(f.Check, text.CheckNames()), line("frame", "check"), "device %q: no check sum is named %q",
				name, f.Check)
		}
	}
	if row.drivesOf(d) != drivers.Nothing && len(d.Safe) == 0 {
		c.add(`write what switches it off, safe = ["OUT OFF"], or drives = "nothing" where it can hurt nobody in any `+
			`state`, line(), "device %q: nothing says how it is made safe", name)
	}
	if d.Confirm != "" && len(d.Safe) == 0 {
		c.add("", line("confirm"), "device %q: there is nothing to confirm without safe", name)
	}
	if len(c.problems) > before {
		return
	}
	// The driver itself knows the rest.
	if _, err := row.open(opening{role: name, file: d, port: noPort("no port"), clock: drivers.System}); err != nil {
		c.add(input.HintOf(err), line(), "device %v", err)
	}
}

// writeTalk writes the keys that say how a device speaks.
func (d deviceFile) writeTalk(p func(format string, args ...any)) {
	texts := map[string]string{"line_end": d.LineEnd, "prompt": d.Prompt, "hello": d.Hello, "confirm": d.Confirm,
		"drives": d.Drives, "open": d.Open}
	for _, key := range slices.Sorted(maps.Keys(texts)) {
		if texts[key] != "" {
			p("%s = %s", key, strconv.Quote(texts[key]))
		}
	}
	for key, yes := range map[string]bool{"echo": d.Echo, "unit": d.Unit} {
		if yes {
			p("%s = true", key)
		}
	}
	if len(d.Safe) > 0 {
		p("safe = [%s]", quoted(d.Safe))
	}
}
