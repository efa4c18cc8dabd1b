package text_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/scpi"
	"fullthrow/drivers/sim"
	"fullthrow/drivers/text"
)

// handset is a simulated handset with its supply, relay board and console.
type handset struct {
	clock   *sim.Clock
	bench   *sim.Bench
	supply  drivers.Supply
	power   drivers.Output
	console *text.Console
}

func newHandset(t *testing.T) *handset {
	t.Helper()
	clock := sim.NewClock(time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))
	h := &handset{clock: clock, bench: sim.NewBench(clock, 1)}
	h.bench.Load(sim.Good(rand.New(rand.NewPCG(1, 2))))
	port := func(role string) drivers.Port {
		p, err := h.bench.Port(role)
		require.NoError(t, err)
		return p
	}
	s, err := scpi.Open("supply", port(sim.Supply), clock, "generic-supply", drivers.Calibration{})
	require.NoError(t, err)
	h.supply = s.(drivers.Supply)
	b, err := scpi.Open("board", port(sim.Board), clock, "fixture-board", drivers.Calibration{})
	require.NoError(t, err)
	h.power, err = b.(drivers.Lines).Output("power", 1, false, false)
	require.NoError(t, err)
	h.console, err = text.Open("console", port(sim.Console), clock, text.Options{LineEnd: "\r", Prompt: "k8> ", Echo: true,
		Unit: true})
	require.NoError(t, err)
	return h
}

func (h *handset) on(t *testing.T, on bool) {
	t.Helper()
	ctx := t.Context()
	if on {
		require.NoError(t, h.supply.SetVoltage(ctx, 3.7))
		require.NoError(t, h.supply.SetCurrentLimit(ctx, 1))
		require.NoError(t, h.supply.SetOutput(ctx, true))
		require.NoError(t, h.power.Set(ctx, true))
		return
	}
	require.NoError(t, h.power.Set(ctx, false))
	require.NoError(t, h.supply.SetOutput(ctx, false))
	require.NoError(t, h.clock.Sleep(ctx, 5*time.Second))
}

func begins(s string) drivers.Awaited {
	return drivers.Awaited{As: s, Fits: func(b []byte) (bool, error) { return bytes.HasPrefix(b, []byte(s)), nil }}
}

func (h *handset) ask(ctx context.Context, line, want string) (string, error) {
	a, err := h.console.Ask(ctx, line, begins(want))
	return string(a.Said), err
}

// Version read, serial number and calibration written, saved, and read back after the
// power was gone: over the console as its description has it.
func TestHandsetsConsole(t *testing.T) {
	h := newHandset(t)
	ctx := t.Context()
	off := begins("version")
	off.Silence = true
	a, err := h.console.Ask(ctx, "version", off)
	require.NoError(t, err)
	require.False(t, a.Heard, "switched off it says nothing, which is a result")
	h.on(t, true)
	a, err = h.console.Expect(ctx, begins("boot "))
	require.NoError(t, err)
	require.Equal(t, "boot 2.7.1 (418)", string(a.Said))
	for _, k := range [][3]string{{"version", "version", "version 2.7.1 build 418"}, {"serial set K8-7", "ok", "ok"},
		{"stick left_x", "stick left_x", ""}, {"cal set left_x -13 1.0042", "ok", "ok"}, {"save", "saved", "saved"}} {
		got, err := h.ask(ctx, k[0], k[1])
		require.NoError(t, err)
		if k[2] != "" {
			require.Equal(t, k[2], got)
		}
	}
	others, err := h.console.Others(ctx)
	require.NoError(t, err)
	require.Equal(t, []string{"Lantern Quay K8", "# radio up", "# adc settled"}, others)
	h.on(t, false)
	h.on(t, true)
	_, err = h.console.Expect(ctx, begins("boot "))
	require.NoError(t, err)
	for line, want := range map[string]string{"serial": "serial K8-7", "cal left_x": "cal left_x -13 1.0042",
		"cal left_y": "cal left_y 0 1.0000"} {
		got, err := h.ask(ctx, line, strings.Fields(line)[0])
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
	require.Contains(t, h.console.Talk().Text(), "> serial set K8-7\\r\n")
}

// Each fault of the wire, at every moment of a conversation, is an error that names
// the console and what it was asked, or the true answer; mended, it answers again.
func TestHandsetsConsoleFails(t *testing.T) {
	want := map[sim.Fault][]drivers.Kind{
		sim.Silent: {drivers.NoReply, drivers.Garbled}, sim.Garbled: {drivers.Garbled, drivers.NoReply},
		sim.Partial: {drivers.Garbled, drivers.NoReply}, sim.Gone: {drivers.Gone}, sim.Slow: {drivers.NoReply, drivers.Garbled},
	}
	for fault, kinds := range want {
		for _, after := range []time.Duration{0, time.Millisecond, 3 * time.Millisecond, 5 * time.Millisecond,
			20 * time.Millisecond} {
			t.Run(fmt.Sprint(fault, " after ", after), func(t *testing.T) {
				h := newHandset(t)
				ctx := t.Context()
				h.on(t, true)
				_, err := h.console.Expect(ctx, begins("boot "))
				require.NoError(t, err)
				_, err = h.ask(ctx, "serial set K8-7", "ok")
				require.NoError(t, err)
				require.NoError(t, h.bench.BreakAt(h.clock.Now().Add(after), sim.Console, fault))
				failed := false
				for range 5 {
					got, err := h.ask(ctx, "serial", "serial")
					if err == nil {
						require.Equal(t, "serial K8-7", got)
						continue
					}
					failed = true
					require.Contains(t, kinds, drivers.KindOf(err), "%v", err)
					require.ErrorContains(t, err, "console: ask: ")
				}
				require.True(t, failed, "the fault did not show")
				require.NoError(t, h.bench.Break(sim.Console, sim.Mended))
				require.NoError(t, h.clock.Sleep(ctx, 10*time.Second))
				got, err := h.ask(ctx, "serial", "serial")
				require.NoError(t, err)
				require.Equal(t, "serial K8-7", got)
			})
		}
	}
	// One that is stuck says ok and keeps nothing: what is read back tells.
	h := newHandset(t)
	h.on(t, true)
	_, err := h.console.Expect(t.Context(), begins("boot "))
	require.NoError(t, err)
	require.NoError(t, h.bench.Break(sim.Console, sim.Stuck))
	_, err = h.ask(t.Context(), "serial set K8-7", "ok")
	require.NoError(t, err)
	got, err := h.ask(t.Context(), "serial", "serial")
	require.NoError(t, err)
	require.Equal(t, "serial -", got)
}
