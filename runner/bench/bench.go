package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"net"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/pelletier/go-toml/v2"

	"fullthrow/drivers"
	"fullthrow/drivers/joystick"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/station"
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
	Clock       clockRule       `toml:"clock"`
	Serve       serveRule       `toml:"serve"`
	Nests       []nestFile      `toml:"nest"`
	// a folder with files of models, of the whole plant; see [modelFiles]
	ModelsIn string `toml:"models"`

	ModelFiles []ModelFile // in the order in which they were read
	tables     *models     // nil: those built in

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

// clockRule bounds how far the computer's clock may be from the newest report of
// the station for a run to begin.
type clockRule struct {
	Behind float64 `toml:"behind"` // s, earlier than it; default 300
	Ahead  float64 `toml:"ahead"`  // days, later than it; default 180
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
	Driver    string  `toml:"driver"`
	Port      string  `toml:"port"`
	Baud      int     `toml:"baud"`    // symbols/s; default by driver
	Framing   string  `toml:"framing"` // "8N1": data bits, parity N E O, stop bits; default by driver
	Model     string  `toml:"model"`
	Format    string  `toml:"format"`  // of a receiver: "SBUS", ...; of Modbus: "rtu_over_tcp"
	Period    float64 `toml:"period"`  // s between two frames of a receiver, where it is known
	Address   int     `toml:"address"` // on a bus with several devices
	Channel   int     `toml:"channel"` // of an instrument with several, 1 first
	Rate      float64 `toml:"rate"`    // samples/s of a sound input
	Line      int     `toml:"line"`    // of a receiver's pulse output, at a GPIO chip
	ActiveLow bool    `toml:"active_low"`
	Shunt     float64 `toml:"shunt"`     // ohm, that a part measures a current through
	Reference float64 `toml:"reference"` // V, supply of a DAC
	// of a colour sensor: CIE 1931 X, Y and Z from its red, green and blue, row by row
	Matrix      []float64           `toml:"matrix"`
	Arguments   []string            `toml:"arguments"` // of a program, with places {name} that plans fill
	Directory   string              `toml:"directory"` // where a program runs
	Environment []string            `toml:"environment"`
	Timeout     float64             `toml:"timeout"` // s, of a program
	Home        string              `toml:"home"`    // of a machine: "trusted", its homing is believed unproved
	Stop        string              `toml:"stop"`    // the output that cuts a machine's power, by role
	Axes        map[string]axisFile `toml:"axis"`
	Calibration *calibrationFile    `toml:"calibration"`

	// Of devices that speak lines or bytes; see talk.go.
	LineEnd string     `toml:"line_end"` // sent after each line: "LF" (default), "CR", "CRLF"
	Prompt  string     `toml:"prompt"`   // what it writes when it is ready for a line
	Echo    bool       `toml:"echo"`     // what is sent comes back first
	Unit    bool       `toml:"unit"`     // it is the unit under test: its silence is a result
	Open    string     `toml:"open"`     // "when used": its port is there only while the unit has power
	Hello   string     `toml:"hello"`    // a line that it answers and that changes nothing
	Safe    []string   `toml:"safe"`     // lines, or bytes as hex digits, that make it safe
	Confirm string     `toml:"confirm"`  // a text in the answer to each of them
	Drives  string     `toml:"drives"`   // what it can hurt people with: "power" (default), "motion", "radio", "nothing"
	Frame   *frameFile `toml:"frame"`
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

// Load reads and checks a bench file, and the files of models that it has.
func Load(path string) (*File, error) {
	data, err := input.ReadFile(path, input.MaxText)
	if err != nil {
		return nil, input.MissingFile("bench file", path, err)
	}
	return parse(path, data, func(folder string) ([]ModelFile, error) {
		return modelFiles(path, folder, func(name string) ([]byte, error) { return input.ReadFile(name, input.MaxText) })
	})
}

// LoadFrom is Load for a file of a product's folder, which may be built in.
func LoadFrom(home product.Folder, name string) (*File, error) {
	data, err := home.Read(name)
	if err != nil {
		return nil, err
	}
	return parse(home.Path(name), data, func(folder string) ([]ModelFile, error) {
		return modelFiles(home.Path(name), folder, func(path string) ([]byte, error) {
			switch {
			case path != home.Path(ModelsName):
				return input.ReadFile(path, input.MaxText)
			case !home.Has(ModelsName):
				return nil, fs.ErrNotExist
			}
			return home.Read(ModelsName)
		})
	})
}

// Parse reads and checks the text of a bench file and of its files of models; name
// is for messages. The error is an *inputError with every problem found.
func Parse(name string, data []byte, files ...ModelFile) (*File, error) {
	return parse(name, data, func(string) ([]ModelFile, error) { return files, nil })
}

func parse(name string, data []byte, files func(folder string) ([]ModelFile, error)) (*File, error) {
	b := &File{Name: name, Data: data, tables: builtIn()}
	at, problems := input.DecodeTOML(name, data, b)
	if len(problems) == 0 {
		b.At = at
		b.setDefaults()
		var err error
		if b.ModelFiles, err = files(b.ModelsIn); err != nil {
			problems = append(problems, input.At(name, at.At("models"), fmt.Sprintf("files of models: %v", err),
				`models = "DIR" is the folder with the plant's files of models, *.toml`))
		}
		problems = append(problems, b.tables.read(b.ModelFiles)...)
		if len(problems) == 0 {
			problems = b.check()
		}
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
	if b.Clock.Behind == 0 {
		b.Clock.Behind = station.DefaultBehind.Seconds()
	}
	if b.Clock.Ahead == 0 {
		b.Clock.Ahead = station.DefaultAhead.Hours() / 24
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

// What a bench file may let a plan take, in bytes: below, no plan of ours runs
// well; above, it is hardly meant.
const (
	minMemory = 16 << 20
	maxMemory = 4 << 30
)

var memorySize = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^([0-9]+) ?([KMG]iB)$`) })

// parseMemory reads an amount of memory in bytes: "128 MiB".
func parseMemory(text string) (int64, error) {
	m := memorySize().FindStringSubmatch(text)
	if m == nil {
		return 0, errors.New("not an amount of memory")
	}
	n, err := strconv.ParseInt(m[1], 10, 64)
	unit := int64(1024) << (10 * strings.Index("KMG", m[2][:1]))
	if err != nil || n > math.MaxInt64/unit {
		return 0, errors.New("more than any computer has")
	}
	return n * unit, nil
}

// memory is how much a plan may take, in bytes; [benchFile.check] has made sure
// that it is an amount.
func (p planRule) memory() int64 {
	n, err := parseMemory(p.Memory)
	if err != nil {
		panic("bench file: " + err.Error())
	}
	return n
}

// Port is a port as a bench file writes it.
type PortName struct {
	kind string // "serial", "usb", "tcp", "sim", "gpio", "i2c", "sound"
	// Rest is what follows the kind's own prefix: a path, "0403:6001:LQ7F2",
	// "127.0.0.1:5025", a role, a chip, a sound device.
	Rest string
}

func (p PortName) String() string {
	if p.kind == "serial" {
		return p.Rest
	}
	return p.kind + ":" + p.Rest
}

// isStream reports whether bytes go in and out; the others are opened by their
// driver itself.
func (p PortName) isStream() bool {
	return !slices.Contains([]string{"gpio", "i2c", "input", "program", "sound"}, p.kind)
}

var usbIdentity = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}(:[^:]+)?$`)
})

// ParsePort reads a port of a bench file.
func ParsePort(s string) (PortName, error) {
	kind, Rest, found := strings.Cut(s, ":")
	switch {
	case s == "":
		return PortName{}, fmt.Errorf("no port given")
	case strings.HasPrefix(s, "/") || isWindowsPort(s):
		return PortName{"serial", s}, nil
	case !found:
		return PortName{}, fmt.Errorf("port %q is neither a path (/dev/ttyUSB0) nor of a kind (usb:, tcp:, gpio:, "+
			"i2c:, input:, program:, sound:, sim:)", s)
	case Rest == "":
		return PortName{}, fmt.Errorf("port %q ends after the colon", s)
	}
	p := PortName{kind, Rest}
	switch kind {
	case "usb":
		if !usbIdentity().MatchString(Rest) {
			return p, fmt.Errorf("port %q: after usb: come vendor and product as four hex digits each, and perhaps "+
				"a serial number: usb:0403:6001:LQ7F2", s)
		}
	case "tcp":
		host, port, err := net.SplitHostPort(Rest)
		if n, err2 := strconv.Atoi(port); err != nil || err2 != nil || host == "" || n < 1 || n > 65535 {
			return p, fmt.Errorf("port %q: after tcp: come host and port: tcp:192.168.7.20:5025", s)
		}
	case "i2c":
		if n, err := strconv.Atoi(Rest); !strings.HasPrefix(Rest, "/") && (err != nil || n < 0) {
			return p, fmt.Errorf("port %q: after i2c: comes the number of the bus: i2c:1", s)
		}
	case "input":
		if _, err := joystick.ParseIdentity(Rest); err != nil {
			return p, fmt.Errorf("port %q: %w", s, err)
		}
	case "program":
		if !filepath.IsAbs(Rest) {
			return p, fmt.Errorf("port %q: after program: comes the whole path: program:/opt/flash/flash", s)
		}
	case "sim", "gpio", "sound":
	default:
		return p, fmt.Errorf("port %q begins with %q, which is no kind of port", s, kind+":")
	}
	return p, nil
}

// isWindowsPort reports whether s is a port name like COM3.
func isWindowsPort(s string) bool {
	n, ok := strings.CutPrefix(strings.ToUpper(s), "COM")
	_, err := strconv.Atoi(n)
	return ok && err == nil
}
