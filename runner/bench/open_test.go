package bench

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/modbus"
)

// Every driver can be opened on nothing, as lint does, and every role of the
// file is there.
func TestOpenOnNothing(t *testing.T) {
	b, err := Load("../../testdata/bench/lq-1.good.toml")
	require.NoError(t, err)
	used := map[string]bool{}
	for _, d := range b.Nests[0].Devices {
		used[d.Driver] = true
	}
	for _, r := range driverRows() {
		assert.True(t, used[r.name], "the bench file with every key has no device of driver %q", r.name)
	}
	n, err := b.Open(t.Context(), 0, NoHardware())
	require.NoError(t, err)
	f := b.Nests[0]
	assert.Len(t, n.Devices, len(f.Devices)+len(f.Outputs)+len(f.Inputs))
	for role, d := range n.Devices {
		assert.Equal(t, role, d.String())
	}
	assert.Equal(t, "guard", n.interlock.String())
	assert.Equal(t, "alive", n.heartbeat.String())
	assert.Implements(t, (*drivers.Receiver)(nil), n.Devices["pulses"])
	assert.NoError(t, n.Close())
}

// wires counts what is opened and closed.
type wires struct {
	opened, closed []string
	settings       map[string]portSettings
	fail           string
}

type countedPort struct {
	noPort
	w *wires
}

// Checked is as with the machine's own ports.
func (p countedPort) Checked() bool { return strings.HasPrefix(p.String(), "tcp:") }

func (p countedPort) Close() error { p.w.closed = append(p.w.closed, p.String()); return nil }

func (w *wires) hardware() hardware {
	return hardware{Clock: drivers.System, none: true, port: func(_ context.Context, p PortName, s portSettings) (drivers.Port, error) {
		if p.String() == w.fail {
			return nil, errors.New("no such device")
		}
		w.opened = append(w.opened, p.String())
		w.settings[p.String()] = s
		return countedPort{noPort(p.String()), w}, nil
	}}
}

func TestEachPortIsOpenedOnce(t *testing.T) {
	b, err := Load("../../testdata/bench/lq-1.good.toml")
	require.NoError(t, err)
	w := &wires{settings: map[string]portSettings{}}
	n, err := b.Open(t.Context(), 0, w.hardware())
	require.NoError(t, err)
	assert.ElementsMatch(t, []string{"/dev/ttyUSB0", "/dev/ttyUSB1", "/dev/ttyUSB2", "/dev/ttyUSB3",
		"/dev/ttyUSB9", "tcp:192.168.7.20:5025", "usb:0403:6001:LQ7F2", "usb:1209:0002", "usb:1a86:7523"}, w.opened)
	assert.Equal(t, map[string]portSettings{
		"/dev/ttyUSB0":          {9600, "8N1"}, // as the file says
		"/dev/ttyUSB1":          {115200, "8N1"},
		"/dev/ttyUSB2":          {modbus.Models()[0].Baud, "8E1"},
		"/dev/ttyUSB3":          {420000, "8N1"}, // CRSF
		"tcp:192.168.7.20:5025": {115200, "8N1"},
		"/dev/ttyUSB9":          {57600, "8N1"}, "usb:1209:0002": {115200, "8N1"},
		"usb:0403:6001:LQ7F2": {115200, "8N1"},
		"usb:1a86:7523":       {100000, "8E2"}, // SBUS
	}, w.settings)
	require.NoError(t, n.Close())
	for _, p := range w.opened {
		assert.Contains(t, w.closed, p)
	}
}

// A failure counts once it was seen twice where bytes may come damaged without
// anybody knowing: not over TCP, nor where messages have a check sum of their own
// (Modbus, CRSF), nor where no bytes go over a wire.
func TestWhichWiresHaveNoCheckSum(t *testing.T) {
	b, err := Load("../../testdata/bench/lq-1.good.toml")
	require.NoError(t, err)
	n, err := b.Open(t.Context(), 0, (&wires{settings: map[string]portSettings{}}).hardware())
	require.NoError(t, err)
	defer n.Close()
	assert.Equal(t, []string{"adc", "board", "console", "expander", "knob", "rail", "receiver", "servos", "sticks", "supply"}, n.Unchecked)
}

func TestAPortThatDoesNotOpenClosesTheOthers(t *testing.T) {
	b, err := Load("../../testdata/bench/lq-1.good.toml")
	require.NoError(t, err)
	w := &wires{settings: map[string]portSettings{}, fail: "usb:1a86:7523"}
	_, err = b.Open(t.Context(), 0, w.hardware())
	require.EqualError(t, err, "nest A: receiver on usb:1a86:7523: no such device")
	for _, p := range w.opened {
		assert.Contains(t, w.closed, p)
	}
}

func TestLinesThatAreNotThere(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"no lines on this model", `supply = { driver = "scpi", model = "generic-supply", port = "/dev/ttyUSB0" }
[nest.output]
power = { device = "supply", line = 1 }`, `bench.toml:9: output "power": supply has no lines (driver scpi, model generic-supply)`},
		{"a line too many", `board = { driver = "modbus", model = "generic-relay-4", port = "/dev/ttyUSB0" }
[nest.output]
power = { device = "board", line = 5 }`, `bench.toml:9: power: open output: generic-relay-4 has outputs 1 to 4, no output 5`},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, err := Parse("bench.toml", []byte("station = \"LQ-1\"\nproduct = \"kittiwake-k8\"\n[[nest]]\nname = \"A\"\ninterlock = \"none\"\n[nest.device]\n"+c.text))
			require.NoError(t, err)
			_, err = b.Open(t.Context(), 0, NoHardware())
			require.ErrorContains(t, err, c.want)
			assert.Len(t, problemsOf(err), 1)
		})
	}
}

func TestOverdue(t *testing.T) {
	b, err := Load("../../testdata/bench/lq-1.good.toml")
	require.NoError(t, err)
	last := time.Date(2027, 3, 31, 23, 59, 0, 0, time.Local)
	assert.Empty(t, b.Overdue(0, last), "good until the end of the day")
	assert.Equal(t, []string{
		"the calibration of meter was due on 2027-03-31, certificate LQ-C-0117",
		"the calibration of microphone was due on 2027-03-31",
	}, b.Overdue(0, last.Add(time.Minute)))
}
