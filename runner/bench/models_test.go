package bench

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/modbus"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/scpi"
	"fullthrow/runner/input"
)

// The built-in rows are fit for use by the rules that rows of files must keep, and
// what is printed of them makes the same rows again.
func TestBuiltInModelsAreFiles(t *testing.T) {
	for _, m := range scpi.Models() {
		assert.Empty(t, m.Faults(), m.Name)
	}
	for _, m := range modbus.Models() {
		assert.Empty(t, m.Faults(), m.Name)
	}
	var text bytes.Buffer
	WriteModels(&text)
	renamed := strings.ReplaceAll(text.String(), `name = "`, `name = "my-`)
	got := builtIn()
	require.Empty(t, got.read([]ModelFile{{"models.toml", []byte(renamed)}}))
	n := len(scpi.Models())
	require.Len(t, got.scpi.All, 2*n)
	for k, m := range scpi.Models() {
		m.Name = "my-" + m.Name
		assert.Equal(t, m, got.scpi.All[n+k])
	}
	n = len(modbus.Models())
	require.Len(t, got.modbus.All, 2*n)
	for k, m := range modbus.Models() {
		m.Name = "my-" + m.Name
		assert.Equal(t, m, got.modbus.All[n+k])
	}
	n = len(motion.Models())
	require.Len(t, got.motion.All, 2*n)
	for k, m := range motion.Models() {
		assert.Empty(t, m.Faults(), m.Name)
		m.Name = "my-" + m.Name
		assert.Equal(t, m, got.motion.All[n+k])
	}
}

// A row of a controller with which one refused line would seem carried out, or which
// could not be stopped, is none; a lint of it says the line.
func TestFaultsOfMotionRows(t *testing.T) {
	for _, c := range []struct{ based, keys, want string }{
		{"generic-state", "", ""},
		{"generic-state", `errors = { "9" = "", "77" = "it is tired" }`, ""},
		{"generic-state", `errors = [ "9" ]`, "errors must be a table of texts"},
		{"generic-state", `errors = { "9" = 3 }`, "errors.9 must be a text in quotes"},
		{"generic-state", `errors = { "9" = "a\nb" }`, "errors.9 is"},
		{"generic-state", `ack = "error"`, "would be taken for the acknowledgement"},
		{"generic-state", `skip = ["o"]`, "another key takes it first"},
		{"generic-queue", `skip = ["err"]`, "would not be taken for a refusal"},
		{"generic-queue", `busy = [""]`, "busy has an empty text"},
		{"generic-state", `hold = ""`, "hold, reset and status go together"},
		{"generic-state", `hold = "\u0100"`, "U+0000 to U+00FF"},
		{"generic-state", `still = ["Run"]`, `"Idle" is idle, and not among still`},
		{"generic-state", `stop = "M410"`, "stop would never be said"},
		{"generic-queue", `identity = ""`, "it has not both"},
		{"generic-queue", `proof = "state"`, "it has no status"},
		{"generic-queue", `proof = "prayer"`, "none of state, switches, any-switch"},
		{"generic-queue", `numbered = true`, ""},
		{"generic-state", `numbered = true`, "does not say how the count begins"},
		{"generic-queue", `again_errors = [" "]`, "again_errors has an empty text"},
		{"generic-queue", `switches = ""`, "does not say how they are asked for"},
		{"generic-queue", `stop_time = 0`, "not in 0.01 to 10"},
		{"generic-queue", `stop_time = 60`, "not in 0.01 to 10"},
		{"generic-queue", `ramps = 100`, "not in 0 to 2"},
		{"generic-queue", `drives = "nothing"`, "what moves drives"},
		{"generic-queue", `feed = "F 12"`, "want a letter"},
		{"generic-queue", `path_letters = "XX"`, "each once"},
		{"generic-queue", `move = "G1\nM112"`, "move is"},
		{"generic-queue", `line_end = "M112"`, "line_end is"},
	} {
		text := "\n[[motion]]\nname = \"mine\"\nbased_on = \"" + c.based + "\"\n" + c.keys + "\n"
		m := builtIn()
		problems := m.read([]ModelFile{{"models.toml", []byte(text)}})
		if c.want == "" {
			assert.Empty(t, problems, c.keys)
			continue
		}
		said := ""
		for _, p := range problems {
			said += fmt.Sprintf("%d: %s\n", p.Line, p.Text)
			// At the key that it wrote, or at the row where the fault is of one that it took over.
			assert.Contains(t, []int{2, 5}, p.Line, c.keys)
		}
		assert.Contains(t, said, c.want, c.keys)
	}
	m := builtIn()
	require.Empty(t, m.read([]ModelFile{{"models.toml",
		[]byte("[[motion]]\nname = \"mine\"\nbased_on = \"generic-state\"\nerrors = { \"9\" = \"\", \"77\" = \"it is tired\" }\n")}}))
	mine, _ := m.motion.Find("mine")
	base, _ := m.motion.Find("generic-state")
	assert.Equal(t, "it is tired", mine.Errors["77"])
	assert.NotContains(t, mine.Errors, "9")
	assert.Contains(t, mine.Errors, "8")
	assert.Contains(t, base.Errors, "9", "the row that it is based on is as it was")
	assert.NotContains(t, base.Errors, "77")
}

// Every key of a row says what it is, and every number what it may be at most.
func TestKeysOfModelsAreBounded(t *testing.T) {
	var look func(reflect.Type)
	look = func(r reflect.Type) {
		for i := range r.NumField() {
			f := r.Field(i)
			if !f.IsExported() {
				continue
			}
			require.NotEmpty(t, f.Tag.Get("toml"), "%s.%s has no key", r, f.Name)
			k := f.Type.Kind()
			switch {
			case k == reflect.Struct:
				look(f.Type)
				continue
			case k == reflect.Slice && f.Type.Elem().Kind() == reflect.Struct:
				look(f.Type.Elem())
				continue
			case k >= reflect.Int && k <= reflect.Float64:
				assert.NotEmpty(t, f.Tag.Get("range"), "%s.%s may be any number", r, f.Name)
			}
			assert.NotEmpty(t, f.Tag.Get("help"), "%s.%s says nothing", r, f.Name)
		}
	}
	look(reflect.TypeFor[scpi.Model]())
	look(reflect.TypeFor[modbus.Model]())
	look(reflect.TypeFor[motion.Model]())
}

// What a row takes over from another is its own: changing it changes no other row.
func TestBasedOnCopies(t *testing.T) {
	m := builtIn()
	require.Empty(t, m.read([]ModelFile{{"a.toml", []byte(`
[[scpi]]
name = "mine"
based_on = "generic-multimeter"
timeout = 9
words = { error = "" }
`)}, {"b.toml", []byte(`
[[scpi]]
name = "mine-too"
based_on = "mine"
read = [ { quantity = "voltage", ask = "READ?", max = 5 } ]
[[scpi]]
name = "mine"
based_on = "generic-multimeter"
timeout = 4
`)}}))
	base, _ := m.scpi.Find("generic-multimeter")
	mine, _ := m.scpi.Find("mine")
	too, _ := m.scpi.Find("mine-too")
	assert.Equal(t, "SYST:ERR?", base.Words.Error)
	assert.Equal(t, 4*time.Second, mine.Timeout, "the later file wins")
	assert.Equal(t, 9*time.Second, too.Timeout)
	assert.Equal(t, "*IDN?", too.Words.Identity)
	assert.Empty(t, too.Words.Error)
	assert.Len(t, base.Reads, 5)
	assert.Len(t, too.Reads, 1)
}

// The order of files: the plant's folder by name, then the one beside the bench.
func TestModelFilesInOrder(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
		return path
	}
	row := func(seconds int) string {
		return fmt.Sprintf("[[modbus]]\nname = \"ours\"\nbased_on = \"generic-relay-8\"\ntimeout = %d\ncoil_base = 16\n", seconds)
	}
	write("plant/b.toml", row(2))
	write("plant/a.toml", row(1))
	write("plant/notes.txt", "none of it")
	text := "station = \"LQ-1\"\nproduct = \"kittiwake-k8\"\nmodels = \"plant\"\n[[nest]]\nname = \"A\"\ninterlock = \"none\"\n" +
		"[nest.device.relays]\ndriver = \"modbus\"\nmodel = \"ours\"\nport = \"tcp:127.0.0.1:502\"\n[nest.output.power]\ndevice = \"relays\"\nline = 8\n"
	path := write("bench.toml", text)
	b, err := Load(path)
	require.NoError(t, err)
	m, ok := b.tables.modbus.Find("ours")
	require.True(t, ok)
	assert.Equal(t, 2*time.Second, m.Timeout)
	assert.Equal(t, []string{"ours"}, b.tables.modbus.Names()[len(modbus.Models()):])
	write("models.toml", row(3))
	b, err = Load(path)
	require.NoError(t, err)
	m, _ = b.tables.modbus.Find("ours")
	assert.Equal(t, 3*time.Second, m.Timeout, "that beside the bench file wins")
	assert.Len(t, b.Sources(), 4, "a report names every file that decides what is said")

	// Who makes safe what this process leaves has the same models.
	again, err := Parse(b.Name, b.Data, b.ModelFiles...)
	require.NoError(t, err)
	assert.Equal(t, b.tables.modbus.All, again.tables.modbus.All)
	n, err := again.Open(t.Context(), 0, NoHardware())
	require.NoError(t, err)
	assert.Equal(t, []drivers.Hazard{drivers.Power}, n.Drives["power"])
	require.NoError(t, n.Close())

	_, err = Load(write("gone/bench.toml", strings.Replace(text, `"plant"`, `"nowhere"`, 1)))
	list, _ := input.Problems(err)
	require.NotEmpty(t, list)
	assert.Equal(t, 3, list[0].Line)
}

// Two channels of one instrument are two devices at one port; twice the same channel,
// or one that it does not have, is a problem.
func TestChannelsShareAPort(t *testing.T) {
	models := ModelFile{"models.toml", []byte(`
[[scpi]]
name = "two"
based_on = "generic-supply"
channels = 2
[scpi.words]
output_on = "OUTP ON,(@{channel})"
output_off = "OUTP OFF,(@{channel})"
output_state = "OUTP? (@{channel})"
safe = "OUTP OFF,(@{channel})"
voltage = "VOLT {value},(@{channel})"
voltage_state = "VOLT? (@{channel})"
current_limit = "CURR {value},(@{channel})"
current_limit_state = "CURR? (@{channel})"
`)}
	bench := func(a, b int) string {
		return fmt.Sprintf(`station = "LQ-1"
product = "kittiwake-k8"
[[nest]]
name = "A"
interlock = "none"
[nest.device.cell]
driver = "scpi"
model = "two"
channel = %d
port = "tcp:127.0.0.1:5025"
[nest.device.charger]
driver = "scpi"
model = "two"
channel = %d
port = "tcp:127.0.0.1:5025"
`, a, b)
	}
	b, err := Parse("bench.toml", []byte(bench(1, 2)), models)
	require.NoError(t, err)
	n, err := b.Open(t.Context(), 0, NoHardware())
	require.NoError(t, err)
	assert.Implements(t, (*drivers.Supply)(nil), n.Devices["charger"])
	require.NoError(t, n.Close())
	_, err = Parse("bench.toml", []byte(bench(2, 2)), models)
	assert.ErrorContains(t, err, "is there twice")
	_, err = Parse("bench.toml", []byte(bench(1, 3)), models)
	assert.ErrorContains(t, err, `channel 3, and model "two" has 1 to 2`)
	// One word without its channel would switch them all.
	bad := ModelFile{"models.toml", bytes.Replace(models.Data, []byte(`safe = "OUTP OFF,(@{channel})"`), []byte(`safe = "OUTP OFF"`), 1)}
	_, err = Parse("bench.toml", []byte(bench(1, 2)), bad)
	assert.ErrorContains(t, err, "its words do not say which")
}

// Whatever a file of models says: it is refused, or its rows keep their bounds and
// can be opened, and what is written of them is read again.
func FuzzModels(f *testing.F) {
	var text bytes.Buffer
	WriteModels(&text)
	for _, row := range strings.SplitAfter(strings.ReplaceAll(text.String(), `name = "`, `name = "my-`), "\n\n") {
		f.Add([]byte(row))
	}
	f.Add([]byte("[[scpi]]\nname = \"a\"\nbased_on = \"generic-supply\"\ntimeout = nan\nwords = { safe = \"\" }\n"))
	f.Add([]byte("[[scpi]]\nname = \"a\"\nbased_on = \"generic-load\"\ndrives = \"nothing\"\n"))
	f.Add([]byte("[[modbus]]\nname = \"a\"\ncoils = 99999999999\ncoil_base = -1\n"))
	f.Add([]byte("scpi = 3\n[motion]\n"))
	f.Add([]byte("[[motion]]\nname = \"a\"\nbased_on = \"generic-queue\"\nerrors = { \"a b\" = \"c\" }\nstop_time = nan\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		m := builtIn()
		if len(m.read([]ModelFile{{"models.toml", data}})) > 0 {
			return
		}
		for _, row := range m.scpi.All {
			if len(row.Faults()) > 0 || row.Timeout <= 0 || row.Timeout > 30*time.Second || row.Settle <= 0 ||
				row.SafeTime > 10*time.Second || strings.ContainsAny(row.Words.Safe, "\r\n\x00") || row.MaxPoints > 1e7 {
				t.Errorf("%+v", row)
			}
			if row.Function == scpi.SupplyFunction && (row.Words.Safe == "" || row.Drives != drivers.Power) {
				t.Errorf("a supply that cannot be made safe: %+v", row)
			}
			d, err := scpi.New("x", noPort("x"), drivers.System, row, drivers.Calibration{})
			if err != nil {
				t.Fatal(err)
			}
			if s, ok := d.(drivers.SafeTimer); ok && s.SafeTime() > 21*time.Second {
				t.Errorf("%s: safe within %v", row.Name, s.SafeTime())
			}
		}
		for _, row := range m.modbus.All {
			if len(row.Faults()) > 0 || row.Coils > 1968 || row.Timeout > 30*time.Second {
				t.Errorf("%+v", row)
			}
		}
		for _, row := range m.motion.All {
			if len(row.Faults()) > 0 || row.StopTime <= 0 || row.StopTime > 10*time.Second || row.Timeout > 30*time.Second ||
				row.HomeTimeout > 600*time.Second || len(row.Errors) > 256 {
				t.Errorf("%+v", row)
			}
			d, err := motion.Open("x", noPort("x"), drivers.System, motion.Options{Row: &row})
			if err != nil {
				t.Fatal(err)
			}
			if d.SafeTime() > 21*time.Second {
				t.Errorf("%s: safe within %v", row.Name, d.SafeTime())
			}
		}
		var text bytes.Buffer
		input.WriteRows(&text, &input.Rows[motion.Model]{Table: "motion", All: m.motion.All[len(motion.Models()):]})
		input.WriteRows(&text, &input.Rows[scpi.Model]{Table: "scpi", All: m.scpi.All[len(scpi.Models()):]})
		again := builtIn()
		if p := again.read([]ModelFile{{"models.toml", text.Bytes()}}); len(p) > 0 {
			t.Errorf("%v\n%s", p, text.String())
		}
	})
}
