package station

import (
	"context"
	"os"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/limits"
	"fullthrow/runner/script"
)

// fake is a device whose behaviour a test sets: a meter, an output and an
// input in one.
type fake struct {
	name string

	mu      sync.Mutex
	on      bool
	closed  bool // as an input
	value   float64
	readErr error // of everything that asks the device
	curErr  error // of a current reading only
	safeErr error
	safeIn  int // safeErr is from this call of Safe on; 0: from the first
	safeOut int // and up to this one; 0: for good
	safes   int
	stuck   chan struct{} // when set, Set blocks until it is closed, whatever the context says
	panics  bool
}

func (f *fake) String() string { return f.name }
func (f *fake) Close() error   { return nil }

func (f *fake) Ready(context.Context) (string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return "fake", f.readErr
}

func (f *fake) Safe(context.Context) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.safes++
	f.on = false
	if f.safes < f.safeIn || f.safeOut > 0 && f.safes > f.safeOut {
		return nil
	}
	return f.safeErr
}

func (f *fake) isOn() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.on
}

type output struct{ *fake }

func (o output) Set(_ context.Context, on bool) error {
	o.mu.Lock()
	o.on = on
	stuck, panics := o.stuck, o.panics
	o.mu.Unlock()
	if panics {
		panic("index out of range")
	}
	if stuck != nil {
		<-stuck
	}
	return nil
}

type input struct{ *fake }

func (i input) Level(context.Context) (bool, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.closed, i.readErr
}

func (f *fake) set(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}

type meter struct{ *fake }

func (m meter) Current(ctx context.Context, _, rate float64, over time.Duration) (drivers.Samples, error) {
	m.mu.Lock()
	err, v := m.readErr, m.value
	if err == nil {
		err = m.curErr
	}
	m.mu.Unlock()
	if err != nil {
		return drivers.Samples{}, err
	}
	start := time.Now()
	if err := drivers.System.Sleep(ctx, over); err != nil {
		return drivers.Samples{}, drivers.Wrap("meter", "read current", err)
	}
	s := drivers.Samples{Start: start, Rate: 1000, Unit: "A", Channels: 1, Values: make([]float64, 100)}
	for i := range s.Values {
		s.Values[i] = v
	}
	return s, nil
}

// rig is a nest of fakes around a plan.
type rig struct {
	*Nest
	power, guard, meter *fake
	dir                 string
	archive             *archive.Archive
}

const oneLimit = `
product = "kite"
[standby.current]
upper = 12
unit = "uA"
why = "test"
cause_above = "leakage"
inspect_above = "the switch"
`

// plan is the text of a plan with one check called standby.
func plan(body string) string {
	return `plan { product = "kite", cycle_time = 10, deadline = 60 }
check("standby", { about = "a check", deadline = 20 }, function()
` + body + `
end)
`
}

func newRig(t *testing.T, source, limitsText string, change ...func(*Config)) *rig {
	t.Helper()
	p, err := script.Load(fstest.MapFS{"plan.lua": {Data: []byte(source)}}, "plan.lua", fstest.MapFS{})
	require.NoError(t, err)
	set, err := limits.Parse("limits.toml", []byte(limitsText))
	require.NoError(t, err)
	r := &rig{dir: t.TempDir(), power: &fake{name: "power"}, guard: &fake{name: "guard", closed: true}, meter: &fake{name: "meter", value: 9e-6}}
	r.archive, err = archive.Open(r.dir, "LQ-1")
	require.NoError(t, err)
	t.Cleanup(func() { r.archive.Close() })
	c := Config{
		Station: "LQ-1", Name: "A", Clock: drivers.System, Plan: p, Limits: set, Archive: r.archive,
		Devices:   map[string]drivers.Device{"power": output{r.power}, "meter": meter{r.meter}, "guard": input{r.guard}},
		Drives:    map[string][]drivers.Hazard{"power": {drivers.Power}, "meter": {drivers.Nothing}, "guard": {drivers.Nothing}},
		Interlock: input{r.guard}, Software: "test",
	}
	for _, f := range change {
		f(&c)
	}
	r.Nest, err = New(c)
	require.NoError(t, err)
	return r
}

func (r *rig) run(t *testing.T, ctx context.Context) reports.Report {
	t.Helper()
	sealed, err := r.Run(ctx, Job{Unit: reports.Unit{SerialNumber: "K824A00017M", Product: "kite"}})
	require.NoError(t, err)
	v, err := archive.Verify(r.dir)
	require.NoError(t, err)
	require.Empty(t, v.Problems)
	return sealed.Report
}

func noReply() error {
	return drivers.Errorf("meter", "read current", drivers.NoReply, "no reply in 1s").WithHint("check the meter's cable")
}

func reading(t *testing.T, r reports.Report, check, name string) reports.Reading {
	t.Helper()
	for _, c := range r.Checks {
		for _, rd := range c.Readings {
			if c.Name == check && rd.Name == name {
				return rd
			}
		}
	}
	t.Fatalf("the report has no reading %s.%s", check, name)
	return reports.Reading{}
}

func exists(path string) bool { _, err := os.Stat(path); return err == nil }
