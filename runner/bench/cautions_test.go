package bench

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Lint says of each machine what nothing stops, and whose homing is believed.
func TestCautions(t *testing.T) {
	for _, c := range []struct {
		machine string
		want    []string // beginnings, each behind the device
	}{
		{`model = "generic-state"`, nil},
		{`model = "generic-queue"`, []string{`model "generic-queue" stops at once only if the controller reads ahead`}},
		{"model = \"generic-queue\"\nstop = \"motors\"", nil},
		{"model = \"generic-gcode\"\nhome = \"trusted\"", []string{`nothing stops model "generic-gcode" but its power`,
			"its homing is believed and not proved"}},
		{"model = \"generic-gcode\"\nhome = \"trusted\"\nstop = \"motors\"", []string{"its homing is believed and not proved"}},
	} {
		b, err := Parse("bench.toml", []byte(`station = "LQ-1"
product = "kittiwake-k8"
[[nest]]
name = "A"
interlock = "none"
[nest.device.board]
driver = "scpi"
model = "fixture-board"
port = "/dev/ttyUSB1"
[nest.output.motors]
device = "board"
line = 1
drives = "motion"
[nest.device.sticks]
driver = "motion"
port = "/dev/ttyUSB2"
`+c.machine+"\n"))
		require.NoError(t, err, c.machine)
		notes := b.Cautions()
		require.Len(t, notes, len(c.want), c.machine)
		for i, n := range notes {
			assert.True(t, strings.HasPrefix(n.Text, `device "sticks": `+c.want[i]), n.Text)
			assert.NotEmpty(t, n.Hint)
			assert.Positive(t, n.Line)
		}
		n, err := b.Open(t.Context(), 0, NoHardware())
		require.NoError(t, err)
		assert.NoError(t, n.Close())
	}
}
