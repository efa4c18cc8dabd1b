package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/demo"
	"fullthrow/runner/input"
)

// newControlled is a place whose stick machine has a controller of that model.
func newControlled(t *testing.T, number int, model string) *spot {
	t.Helper()
	_, b, _, err := demo.Files(1)
	require.NoError(t, err)
	b.Nests = b.Nests[:1]
	require.NoError(t, b.SetController(model))
	p := &spot{t: t, fixture: sim.NewBench(drivers.System, uint64(number)+1), units: 1000 * number}
	p.fixture.Load(sim.GoodOf("K824A00017M"))
	dir := t.TempDir()
	p.ends, err = b.Nests[0].Serve(t.Context(), p.fixture, filepath.Join(dir, "nest"))
	require.NoError(t, err)
	p.bench = filepath.Join(dir, "bench.toml")
	require.NoError(t, b.WriteTo(p.bench))
	return p
}

// newCut is a place whose stick machine nothing stops but the relay that carries its
// motors' supply, and a plan for it.
func newCut(t *testing.T, number int) (p *spot, plan string) {
	t.Helper()
	_, b, _, err := demo.Files(1)
	require.NoError(t, err)
	b.Nests = b.Nests[:1]
	require.NoError(t, b.SetController("generic-gcode"))
	d := b.Nests[0].Devices["sticks"]
	d.Stop = "motor_power"
	b.Nests[0].Devices["sticks"] = d
	relay := b.Nests[0].Outputs["clutch"]
	relay.Line = 7
	b.Nests[0].Outputs["motor_power"] = relay
	p = &spot{t: t, fixture: sim.NewBench(drivers.System, uint64(number)+1), units: 1000 * number}
	require.NoError(t, p.fixture.SetSticks(sim.SticksHabit{Controller: sim.PlainControl, PoweredBy: 7}))
	p.fixture.Load(sim.GoodOf("K824A00017M"))
	dir := t.TempDir()
	p.ends, err = b.Nests[0].Serve(t.Context(), p.fixture, filepath.Join(dir, "nest"))
	require.NoError(t, err)
	p.bench = filepath.Join(dir, "bench.toml")
	require.NoError(t, b.WriteTo(p.bench))
	plan = filepath.Join(dir, "product")
	require.NoError(t, os.Mkdir(plan, 0o755))
	for _, name := range []string{"product.toml", "limits.toml", "plan.lua"} {
		data, err := os.ReadFile(filepath.Join("..", "testdata", "moving", name))
		require.NoError(t, err)
		text := strings.Replace(string(data), "bench.sticks:home()", "bench.motor_power:on()\n  bench.sticks:home()", 1)
		require.Equal(t, name == "plan.lua", text != string(data))
		require.NoError(t, os.WriteFile(filepath.Join(plan, name), []byte(text), 0o644))
	}
	return p, plan
}

// A machine that nothing stops but its power, in the middle of a movement of 40 s:
// however the run ends, an output cuts that power, and the record says so; where the
// runner is gone, its guardian does.
func TestPowerIsCut(t *testing.T) {
	t.Parallel()
	for j, how := range []struct {
		name    string
		outcome reports.Outcome
		do      func(p *spot, l *leaving)
	}{
		{"TERM", reports.Aborted, func(p *spot, l *leaving) { assert.NoError(p.t, l.cmd.Process.Signal(syscall.SIGTERM)) }},
		{"INT", reports.Aborted, func(p *spot, l *leaving) { assert.NoError(p.t, l.cmd.Process.Signal(syscall.SIGINT)) }},
		{"guard", reports.Aborted, func(p *spot, _ *leaving) { p.fixture.OpenInterlockAt(time.Now()) }},
		{"KILL", reports.Aborted, func(p *spot, l *leaving) { assert.NoError(p.t, l.cmd.Process.Kill()) }},
		{"KILL, port gone", reports.Aborted, func(p *spot, l *leaving) {
			for _, e := range p.ends {
				if e.Role == sim.Sticks {
					e.Unplug()
				}
			}
			assert.NoError(p.t, l.cmd.Process.Kill())
		}},
		{"port gone", reports.Errored, func(p *spot, _ *leaving) {
			for _, e := range p.ends {
				if e.Role == sim.Sticks {
					e.Unplug()
				}
			}
		}},
	} {
		t.Run(how.name, func(t *testing.T) {
			t.Parallel()
			for try := 0; ; try++ { // on a busy machine a run may be over before it moves
				p, plan := newCut(t, 70+j+6*(try%4))
				records := filepath.Join(t.TempDir(), "records")
				l := p.begin(wayOut{}, "test", p.serial(), "--bench", p.bench, "--product", plan, "--data", records)
				over := make(chan struct{})
				go func() { defer close(over); _ = l.cmd.Wait() }()
				ended := func() bool {
					select {
					case <-over:
						return true
					default:
						return false
					}
				}
				until(t, "it moves", func() bool { return ended() || p.fixture.State().Positions["left_x"] > 0.01 })
				from := p.fixture.State()
				if ended() || !from.Moving {
					_ = l.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
					<-over
					require.NotEqual(t, input.ExitInput, l.cmd.ProcessState.ExitCode(), l.said.String())
					t.Logf("again, the run was disturbed (load %s): %s", load(), l.said.String())
					continue
				}
				require.True(t, from.Relays[7])
				how.do(p, l)
				until(t, "it stands", func() bool { return !p.fixture.State().Moving })
				at := p.fixture.State().Positions["left_x"]
				until(t, "the program has ended", ended)
				assert.Less(t, at, 0.99, "it was stopped on its way")
				assert.False(t, p.fixture.State().Relays[7])
				if strings.HasPrefix(how.name, "KILL") {
					until(t, "its guardian is done", func() bool { return strings.Contains(l.said.String(), "its guardian") })
					assert.NotContains(t, l.said.String(), "NOT SAFE")
					assert.NotContains(t, l.said.String(), "could not make")
					return
				}
				all := p.sealed(records)
				require.Len(t, all, 1)
				r := all[0]
				assert.Equal(t, how.outcome, r.Outcome, wording.English().Reason(r.Reason))
				assert.Empty(t, r.Unsafe)
				require.Len(t, r.Stood, 1)
				assert.Equal(t, "motor_power", r.Stood[0].Cut)
				assert.True(t, r.Stood[0].Known)
				t.Logf("%s; %.4f throws further, load %s", wording.English().Stood(r.Stood[0]), at-from.Positions["left_x"], load())
				return
			}
		})
	}
}

// sealed are the reports of the station's records, also of a run that was cut
// short.
func (p *spot) sealed(records string) []reports.Report {
	a, err := archive.Open(records, "LQ-1")
	require.NoError(p.t, err)
	defer a.Close()
	var all []reports.Report
	for _, e := range a.Entries() {
		s, err := a.Load(e.Run)
		require.NoError(p.t, err)
		all = append(all, s.Report)
	}
	return all
}

// The program, a process of its own, is ended in the middle of a movement: the
// machine stands, and the record says after what time, or that it is not known.
func TestMovementIsStopped(t *testing.T) {
	t.Parallel()
	for i, model := range []string{"generic-state", "generic-queue"} {
		for j, how := range []struct {
			name    string
			outcome reports.Outcome
			do      func(p *spot, l *leaving)
		}{
			{"TERM", reports.Aborted, func(p *spot, l *leaving) { assert.NoError(p.t, l.cmd.Process.Signal(syscall.SIGTERM)) }},
			{"guard", reports.Aborted, func(p *spot, _ *leaving) { p.fixture.OpenInterlockAt(time.Now()) }},
			{"KILL", reports.Aborted, func(p *spot, l *leaving) { assert.NoError(p.t, l.cmd.Process.Kill()) }},
			{"port gone", reports.Errored, func(p *spot, _ *leaving) {
				for _, e := range p.ends {
					if e.Role == sim.Sticks {
						e.Unplug()
					}
				}
			}},
		} {
			t.Run(model+" "+how.name, func(t *testing.T) {
				t.Parallel()
				// On a busy machine a device may answer too late, and a run is over before
				// it moves, or is rightly not known to stand.
				for try := 0; ; try++ {
					p := newControlled(t, 10*(4*i+j)+try%10, model)
					records := filepath.Join(t.TempDir(), "records")
					l := p.begin(wayOut{}, "test", p.serial(), "--bench", p.bench, "--product", "../testdata/moving",
						"--data", records)
					over := make(chan struct{})
					go func() { defer close(over); _ = l.cmd.Wait() }()
					ended := func() bool {
						select {
						case <-over:
							return true
						default:
							return false
						}
					}
					until(t, "it moves", func() bool { return ended() || p.fixture.State().Positions["left_x"] > 0.01 })
					began, from := time.Now(), p.fixture.State()
					if ended() || !from.Moving {
						_ = l.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
						<-over
						require.NotEqual(t, input.ExitInput, l.cmd.ProcessState.ExitCode(), l.said.String())
						t.Logf("again, the run was disturbed (load %s): %s", load(), l.said.String())
						continue
					}
					how.do(p, l)
					if how.name == "port gone" {
						<-over
						all := p.sealed(records)
						require.Len(t, all, 1)
						r := all[0]
						assert.Equal(t, reports.Errored, r.Outcome)
						require.Len(t, r.Unsafe, 1, "it runs on, and nobody can stop it")
						assert.Equal(t, "sticks", r.Unsafe[0].Device)
						assert.Equal(t, []reports.Stood{{Device: "sticks"}}, r.Stood)
						assert.Equal(t, "sticks: not known to stand still", wording.English().Stood(r.Stood[0]))
						assert.Contains(t, l.said.String(), "NOT SAFE")
						return
					}
					until(t, "it stands", func() bool { return !p.fixture.State().Moving })
					took, at := time.Since(began), p.fixture.State().Positions["left_x"]
					until(t, "the program has ended", ended)
					if how.name == "KILL" {
						until(t, "its guardian is done", func() bool { return strings.Contains(l.said.String(), "its guardian") })
						assert.Less(t, at, 0.99, "it was stopped on its way")
						assert.False(t, p.fixture.State().Moving)
						t.Logf("stood %v after the end, load %s", took.Round(time.Millisecond), load())
						return
					}
					all := p.sealed(records)
					require.Len(t, all, 1)
					r := all[0]
					assert.Equal(t, how.outcome, r.Outcome, wording.English().Reason(r.Reason))
					require.Len(t, r.Stood, 1)
					assert.Equal(t, !r.Stood[0].Known, len(r.Unsafe) > 0, "%+v %+v", r.Stood, r.Unsafe)
					t.Logf("%s; stood %v after the stop, %.4f throws further, load %s", wording.English().Stood(r.Stood[0]),
						took.Round(time.Millisecond), at-from.Positions["left_x"], load())
					if !r.Stood[0].Known {
						continue
					}
					assert.Less(t, at, 0.99, "it was stopped on its way")
					assert.Equal(t, at, p.fixture.State().Positions["left_x"])
					return
				}
			})
		}
	}
}
