package bench

import (
	"path/filepath"

	"github.com/pelletier/go-toml/v2"

	"fullthrow/drivers"
	"fullthrow/runner/input"
)

// File is a bench as its TOML file describes it: the hardware of one
// station. Every key is written here and nowhere else; a key that is not here
// is an error in the file.
type File struct {
	Station string `toml:"station"`
	Product string `toml:"product"`
	// s: the line wants one unit every so long, whatever the nests; 0 not stated
	Takt        float64         `toml:"takt"`
	Calibration calibrationRule `toml:"calibration"`
	Captures    captureRule     `toml:"captures"`
	Plan        planRule        `toml:"plan"`
	Serve       serveRule       `toml:"serve"`
	Nests       []nestFile      `toml:"nest"`

	Name string // of the file, as given
	Data []byte
	At   input.Lines
}

// calibrationRule says what an overdue calibration does.
type calibrationRule struct {
	Overdue string `toml:"overdue"` // "warn" (default) or "block"
}

// captureRule says which raw captures are kept with a report.
type captureRule struct {
	Keep string `toml:"keep"` // "all", "failed" (default) or "none"
}

// planRule bounds what a plan may take of the computer.
type planRule struct {
	Memory string `toml:"memory"` // default "128 MiB"
}

// serveRule is about the station's pages.
type serveRule struct {
	// Names under which browsers ask for it, beside the computer's own.
	Hosts []string `toml:"hosts"`
}

// nestFile is one place for a unit.
type nestFile struct {
	Name string `toml:"name"`
	// an input, true while the guard is closed; "none" says that there is none
	Interlock string                `toml:"interlock"`
	Heartbeat string                `toml:"heartbeat"` // an output toggled while a run is on; optional
	Devices   map[string]deviceFile `toml:"device"`
	Outputs   map[string]lineFile   `toml:"output"`
	Inputs    map[string]inputFile  `toml:"input"`
}

// deviceFile is one piece of fixture hardware, by its role.
type deviceFile struct {
	Driver      string              `toml:"driver"`
	Port        string              `toml:"port"`
	Baud        int                 `toml:"baud"`    // symbols/s; default by driver
	Framing     string              `toml:"framing"` // "8N1": data bits, parity N E O, stop bits; default by driver
	Model       string              `toml:"model"`
	Format      string              `toml:"format"`  // of a receiver: "SBUS", "CRSF", "iBUS", "SUMD"
	Period      float64             `toml:"period"`  // s between two frames of a receiver, where it is known
	Address     int                 `toml:"address"` // on a bus with several devices
	Rate        float64             `toml:"rate"`    // samples/s of a sound input
	Line        int                 `toml:"line"`    // of a receiver's pulse output, at a GPIO chip
	ActiveLow   bool                `toml:"active_low"`
	Shunt       float64             `toml:"shunt"`     // ohm, that a part measures a current through
	Reference   float64             `toml:"reference"` // V, supply of a DAC
	Arguments   []string            `toml:"arguments"` // of a program, with places {name} that plans fill
	Directory   string              `toml:"directory"` // where a program runs
	Environment []string            `toml:"environment"`
	Timeout     float64             `toml:"timeout"` // s, of a program
	Axes        map[string]axisFile `toml:"axis"`
	Calibration *calibrationFile    `toml:"calibration"`
}

// axisFile is one axis of a motion controller, or one servo.
type axisFile struct {
	Letter string  `toml:"letter"` // in G-code: "X"
	Output int     `toml:"output"` // of a servo driver, counted from 0
	Scale  float64 `toml:"scale"`  // mm (of a servo us) per full throw; negative turns the axis round
	Min    float64 `toml:"min"`    // soft limits, in throws
	Max    float64 `toml:"max"`
	Offset float64 `toml:"offset"` // mm (us), where the stick's centre is
}

// calibrationFile corrects an indication: gain*x + offset.
type calibrationFile struct {
	Gain        float64        `toml:"gain"`
	Offset      float64        `toml:"offset"`
	Due         toml.LocalDate `toml:"due"`
	Certificate string         `toml:"certificate"`
}

// lineFile is one relay or line that the bench drives.
type lineFile struct {
	Device    string `toml:"device"` // role of the device that has the line
	Line      int    `toml:"line"`
	ActiveLow bool   `toml:"active_low"`
	Safe      bool   `toml:"safe"` // logical level on every way out
	// Drives is what it can hurt people with as long as it is not at its safe
	// level: "power" (default, the cautious choice), "motion", "radio", or
	// "nothing".
	Drives string `toml:"drives"`
}

func (l lineFile) drives() drivers.Hazard {
	if l.Drives == "" {
		return drivers.Power
	}
	return drivers.Hazard(l.Drives)
}

// inputFile is one line that the bench reads.
type inputFile struct {
	Device    string `toml:"device"`
	Line      int    `toml:"line"`
	ActiveLow bool   `toml:"active_low"`
}

// Load reads and checks a bench file.
func Load(path string) (*File, error) {
	data, err := input.ReadFile(path, input.MaxText)
	if err != nil {
		return nil, input.MissingFile("bench file", path, err)
	}
	return Parse(path, data)
}

// Parse reads and checks the text of a bench file; name is for messages.
// The error is an *inputError with every problem found.
func Parse(name string, data []byte) (*File, error) {
	b := &File{Name: name, Data: data}
	at, problems := input.DecodeTOML(name, data, b)
	if len(problems) == 0 {
		b.At = at
		b.setDefaults()
		problems = b.check()
	}
	if len(problems) > 0 {
		return nil, input.Wrong(input.InOrder(problems))
	}
	return b, nil
}

func (b *File) setDefaults() {
	if b.Calibration.Overdue == "" {
		b.Calibration.Overdue = "warn"
	}
	if b.Captures.Keep == "" {
		b.Captures.Keep = "failed"
	}
	if b.Plan.Memory == "" {
		b.Plan.Memory = "128 MiB"
	}
}

// Nest finds a nest by name; "" is the first one.
func (b *File) Nest(name string) (int, error) {
	if name == "" {
		return 0, nil
	}
	var names []string
	for i, n := range b.Nests {
		if n.Name == name {
			return i, nil
		}
		names = append(names, n.Name)
	}
	hint := input.Meant(name, names)
	return 0, input.Usage("%s has no nest %q", filepath.Base(b.Name), name).Hint(hint)
}

// Simulated reports whether nest i is a simulated one; [benchFile.check] has
// made sure that no nest is half of each.
func (b *File) Simulated(i int) bool {
	for _, d := range b.Nests[i].Devices {
		if p, err := ParsePort(d.Port); err == nil && p.kind == "sim" {
			return true
		}
	}
	return false
}
