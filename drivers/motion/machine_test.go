package motion

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// plain is a machine that knows the standard's words alone.
var plain = Options{Model: "generic-gcode", Home: Trusted}

// gantry is a small machine: it acknowledges line by line, each after what by
// says.
type gantry struct {
	mu    sync.Mutex
	heard []string
	by    func(line string) (after time.Duration, reply string)
}

func (g *gantry) said() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	s := strings.Join(g.heard, "|")
	g.heard = nil
	return s
}

func (g *gantry) set(by func(string) (time.Duration, string)) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.by = by
}

// start plays the machine until the port is closed. A line that comes while an
// older one is under way is taken at once: M0 would wait for nothing.
func (g *gantry) start(t *testing.T) drivers.Port {
	port, peer := drivertest.Pipe("wire", drivers.System)
	go func() {
		var part string
		buf := make([]byte, 256)
		for {
			n, err := peer.Read(buf)
			if err != nil {
				return
			}
			part += string(buf[:n])
			for {
				line, rest, ok := strings.Cut(part, "\n")
				if !ok {
					break
				}
				part = rest
				g.mu.Lock()
				g.heard = append(g.heard, line)
				after, reply := g.by(line)
				g.mu.Unlock()
				time.AfterFunc(after, func() { _, _ = io.WriteString(peer, reply) })
			}
		}
	}()
	t.Cleanup(func() { _ = port.Close() })
	return port
}

// usual homes in 2 s and moves for a second.
func usual(line string) (time.Duration, string) {
	switch line {
	case "G28":
		return 2 * time.Second, "ok\n"
	case "G4 P0":
		return time.Second, "<idle>\nok\n"
	}
	return time.Millisecond, "; note\nok\n"
}

func homed(t *testing.T, g *gantry) *Machine {
	t.Helper()
	m, err := Open("sticks", g.start(t), drivers.System, plain)
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Home(t.Context()); err != nil {
		t.Fatal(err)
	}
	g.said()
	return m
}

func TestMachineIsADevice(t *testing.T) {
	drivertest.TestDevice(t, func(t *testing.T) drivers.Device {
		port := drivertest.Respond("wire", drivers.System, drivertest.Lines(func(string) string { return "ok" }))
		m, err := Open("sticks", port, drivers.System, plain)
		if err != nil {
			t.Fatal(err)
		}
		return m
	})
}

func TestMove(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &gantry{by: usual}
		m, err := Open("sticks", g.start(t), drivers.System, plain)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(m.Axes(), " "); got != "left_x left_y right_x right_y" {
			t.Errorf("axes %q", got)
		}
		_, err = m.Move(t.Context(), map[string]float64{"left_x": 1}, 1)
		var e *drivers.Error
		if !errors.As(err, &e) || e.Kind != drivers.Refused || e.Hint != "home it first" || g.said() != "" {
			t.Errorf("before homing: got %v", err)
		}
		start := time.Now()
		if err := m.Home(t.Context()); err != nil || time.Since(start) != 2002*time.Millisecond {
			t.Fatalf("home: %v after %v", err, time.Since(start))
		}
		if got := g.said(); got != "G21|G90|G28" {
			t.Errorf("home: sent %q", got)
		}
		start = time.Now()
		seg, err := m.Move(t.Context(), map[string]float64{"left_x": 1, "right_y": -0.5}, 1)
		if err != nil {
			t.Fatal(err)
		}
		// 12 mm and 6 mm in 1 s: a path of 13.4164 mm, 804.9845 mm/min [re-computed].
		if got := g.said(); got != "G1 X12 A-6 F804.9845|G4 P0" {
			t.Errorf("sent %q", got)
		}
		if seg.Start.Sub(start) != 0 || seg.End.Sub(start) != 1001*time.Millisecond {
			t.Errorf("from %v to %v, want from 0s to 1001ms", seg.Start.Sub(start), seg.End.Sub(start))
		}
		for _, c := range []struct {
			axis     string
			from, to float64
		}{{"left_x", 0, 1}, {"left_y", 0, 0}, {"right_x", 0, 0}, {"right_y", 0, -0.5}} {
			if seg.From[c.axis] != c.from || seg.To[c.axis] != c.to {
				t.Errorf("%s: from %v to %v, want %v to %v", c.axis, seg.From[c.axis], seg.To[c.axis], c.from, c.to)
			}
		}
		if seg, err = m.Move(t.Context(), map[string]float64{"left_x": 0}, 1); err != nil || seg.From["left_x"] != 1 || seg.From["right_y"] != -0.5 {
			t.Errorf("the next movement begins where this one ended: %+v, %v", seg, err)
		}
		g.said()
		if seg, err = m.Move(t.Context(), map[string]float64{"left_x": 0}, 1); err != nil || g.said() != "" || !seg.Start.Equal(seg.End) {
			t.Errorf("a movement to where it stands: %+v, %v", seg, err)
		}
	})
}

func TestAxes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &gantry{by: usual}
		m, err := Open("sticks", g.start(t), drivers.System, Options{Model: plain.Model, Home: Trusted, Axes: map[string]Axis{
			"throttle": {Letter: "Y", Scale: -10, Offset: 20, Min: -1, Max: 1}}})
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Home(t.Context()); err != nil {
			t.Fatal(err)
		}
		g.said()
		seg, err := m.Move(t.Context(), map[string]float64{"throttle": 0.5}, 1.5)
		// The reference position, 0 mm, is throw 2: 1.5 throws or 15 mm in 1 s.
		if got := g.said(); err != nil || got != "G1 Y15 F900|G4 P0" || seg.From["throttle"] != 2 {
			t.Errorf("sent %q from %v, %v", got, seg.From["throttle"], err)
		}
	})
	for name, o := range map[string]Options{
		"model":       {Model: "nonesuch"},
		"letter":      {Axes: map[string]Axis{"a": {Letter: "Q"}}},
		"no letter":   {Axes: map[string]Axis{"a": {}}},
		"same letter": {Axes: map[string]Axis{"a": {Letter: "X"}, "b": {Letter: "X"}}},
		"limits":      {Axes: map[string]Axis{"a": {Letter: "X", Min: 1, Max: -1}}},
	} {
		if _, err := Open("sticks", nil, drivers.System, o); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("%s: got %v", name, err)
		}
	}
}

func TestOutOfRangeSendsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &gantry{by: usual}
		m := homed(t, g)
		nan := func() float64 { var z float64; return z / z }()
		for name, c := range map[string]struct {
			to   map[string]float64
			rate float64
		}{
			"too far": {map[string]float64{"left_x": 1.06}, 1}, "too far back": {map[string]float64{"left_x": 0, "right_x": -1.06}, 1},
			"NaN": {map[string]float64{"left_x": nan}, 1}, "no such axis": {map[string]float64{"middle": 0}, 1},
			"rate 0": {map[string]float64{"left_x": 1}, 0}, "rate NaN": {map[string]float64{"left_x": 1}, nan},
			"rate < 0": {map[string]float64{"left_x": 1}, -1}, "too fast": {map[string]float64{"left_x": 1}, 17},
			"too slow": {map[string]float64{"left_x": 1}, 1e-6},
		} {
			if seg, err := m.Move(t.Context(), c.to, c.rate); drivers.KindOf(err) != drivers.OutOfRange || seg.To != nil {
				t.Errorf("%s: got %+v, %v", name, seg, err)
			}
		}
		if got := g.said(); got != "" {
			t.Errorf("sent %q", got)
		}
		if _, err := m.Move(t.Context(), map[string]float64{"left_x": 1.05}, 1); err != nil {
			t.Errorf("to the soft limit: %v", err)
		}
	})
}

func TestRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &gantry{by: usual}
		m := homed(t, g)
		g.set(func(string) (time.Duration, string) { return time.Millisecond, "error: 15 travel exceeded\n" })
		_, err := m.Move(t.Context(), map[string]float64{"left_x": 1}, 1)
		if drivers.KindOf(err) != drivers.Refused || err.Error() != "sticks: move: the machine answers: error 15 travel exceeded" {
			t.Errorf("got %v", err)
		}
		g.set(usual)
		if _, err := m.Move(t.Context(), map[string]float64{"left_x": 1}, 1); err != nil {
			t.Errorf("a refused movement has moved nothing: %v", err)
		}
	})
}

// A machine whose motors are off acknowledges everything at once.
func TestArrivedTooSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &gantry{by: usual}
		m := homed(t, g)
		g.set(func(string) (time.Duration, string) { return time.Millisecond, "ok\n" })
		if seg, err := m.Move(t.Context(), map[string]float64{"left_x": 1}, 1); drivers.KindOf(err) != drivers.Fault || seg.To != nil {
			t.Errorf("got %+v, %v", seg, err)
		}
		if _, err := m.Move(t.Context(), map[string]float64{"left_x": 1}, 1); drivers.KindOf(err) != drivers.Refused {
			t.Errorf("then the position is unknown: got %v", err)
		}
	})
}

func TestFaults(t *testing.T) {
	tr, err := drivertest.Parse(t.Name(), []byte(`what: home, and one movement of a tenth of a second
recorded: never, written by hand
expect: no error

> "G21\n"
< "ok\n"
> "G90\n"
< "ok\n"
> "G28\n"
~ 2s
< "ok\n"
> "G1 X1.2 F720\n"
< "ok\n"
> "G4 P0\n"
~ 100ms
< "; note\nok\n"
`))
	if err != nil {
		t.Fatal(err)
	}
	drivertest.TestFaults(t, tr, func(ctx context.Context, port drivers.Port, clock drivers.Clock) error {
		m, err := Open("sticks", port, clock, plain)
		if err != nil {
			return err
		}
		if err := m.Home(ctx); err != nil {
			return err
		}
		seg, err := m.Move(ctx, map[string]float64{"left_x": 0.1}, 1)
		if err == nil && (seg.To["left_x"] != 0.1 || seg.End.Sub(seg.Start) < 100*time.Millisecond) {
			return fmt.Errorf("segment %+v", seg)
		}
		return err
	})
}

func TestSafe(t *testing.T) {
	t.Run("in the middle of a movement", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			g := &gantry{by: usual}
			m := homed(t, g)
			done := make(chan error, 1)
			go func() { _, err := m.Move(t.Context(), map[string]float64{"left_x": 1}, 1); done <- err }()
			time.Sleep(300 * time.Millisecond)
			start := time.Now()
			g.set(func(line string) (time.Duration, string) { return time.Millisecond, "ok\n" })
			if err := m.Safe(t.Context()); err != nil || time.Since(start) > 100*time.Millisecond {
				t.Errorf("Safe: %v after %v", err, time.Since(start))
			}
			if got := g.said(); !strings.HasPrefix(got, "G1 X12 F720|G4 P0|G4 P0") {
				t.Errorf("sent %q", got)
			}
			if err := <-done; !errors.Is(err, context.Canceled) {
				t.Errorf("the movement: got %v", err)
			}
			if _, err := m.Move(t.Context(), map[string]float64{"left_x": 0}, 1); drivers.KindOf(err) != drivers.Refused {
				t.Errorf("movement after Safe: got %v, want homing to be asked for", err)
			}
			g.set(usual)
			if err := m.Home(t.Context()); err != nil { // in spite of the acknowledgement that came late
				t.Errorf("home: %v", err)
			}
			seg, err := m.Move(t.Context(), map[string]float64{"left_x": 1}, 1)
			if err != nil || seg.End.Sub(seg.Start) != 1001*time.Millisecond {
				t.Errorf("movement: %v to %v, %v", seg.Start, seg.End, err)
			}
		})
	})
	t.Run("under a cancelled context, in the middle of homing", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			g := &gantry{by: func(line string) (time.Duration, string) {
				if line == "G28" {
					return time.Hour, ""
				}
				return time.Millisecond, "ok\n"
			}}
			m, err := Open("sticks", g.start(t), drivers.System, plain)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan error, 1)
			go func() { done <- m.Home(ctx) }()
			time.Sleep(time.Second)
			cancel()
			if err := m.Safe(ctx); err != nil {
				t.Error(err)
			}
			if err := <-done; !errors.Is(err, context.Canceled) {
				t.Errorf("homing: got %v", err)
			}
		})
	})
	t.Run("a dead machine", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			g := &gantry{by: usual}
			m := homed(t, g)
			g.set(func(string) (time.Duration, string) { return 0, "" })
			start := time.Now()
			err := m.Safe(t.Context())
			var e *drivers.Error
			if !errors.As(err, &e) || e.Kind != drivers.NoReply || !strings.HasSuffix(e.Hint, stopHint) || time.Since(start) > 500*time.Millisecond {
				t.Errorf("got %v after %v", err, time.Since(start))
			}
		})
	})
	t.Run("a call that never lets go", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			g := &gantry{by: usual}
			m := homed(t, g)
			if err := m.guard.Enter(t.Context()); err != nil {
				t.Fatal(err)
			}
			start := time.Now()
			if err := m.Safe(t.Context()); drivers.KindOf(err) != drivers.Busy || time.Since(start) > 500*time.Millisecond {
				t.Errorf("got %v after %v", err, time.Since(start))
			}
			synctest.Wait()
			if got := g.said(); got != "" {
				t.Errorf("sent %q, and it has no stop", got)
			}
		})
	})
}

func TestParseReply(t *testing.T) {
	m := Models()[2]
	for line, want := range map[string]struct {
		kind kind
		text string
	}{
		"ok": {acknowledged, ""}, " ok\r": {acknowledged, ""}, "ok T:0": {acknowledged, "T:0"},
		"error 15": {failed, "15"}, "error: soft limit X": {failed, "soft limit X"}, "error": {failed, ""},
		"; stick machine, 4 axes": {skipped, ""}, "<Idle|0,0,0>": {skipped, ""}, "": {skipped, ""}, "  ": {skipped, ""},
		"okay": {unknown, ""}, "errors": {unknown, ""}, "o": {unknown, ""}, "OK": {acknowledged, ""}, "Error:15": {failed, "15"}, "ALARM:1": {alarmed, "1"}, "\xca\xce": {unknown, ""},
	} {
		if k, text := m.parseReply(line); k != want.kind || text != want.text {
			t.Errorf("%q: got %d %q, want %d %q", line, k, text, want.kind, want.text)
		}
	}
}

// FuzzReply feeds any bytes as answers: the driver ends, and believes only a
// line that says ok.
func FuzzReply(f *testing.F) {
	for _, s := range []string{"ok\n", "error 3\n", "; x\n<y>\nok\n", "o", "\n\n\n", "ok", "error\nok\n", strings.Repeat("x", 600)} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 4096 {
			return
		}
		m, err := Open("sticks", &replay{data: b}, drivers.System, plain)
		if err != nil {
			t.Fatal(err)
		}
		err = m.acknowledged(context.Background(), drivers.Within(drivers.System, time.Minute))
		believed := false
		for line := range strings.Lines(string(b)) {
			if !strings.HasSuffix(line, "\n") {
				break
			}
			k, _ := m.model.parseReply(strings.TrimSuffix(line, "\n"))
			if k == unknown && len(position(strings.TrimSpace(line))) > 0 {
				continue
			}
			if believed = k == acknowledged; k != skipped {
				break
			}
		}
		if (err == nil) != believed && len(b) < maxLine {
			t.Fatalf("%q: %v", b, err)
		}
		if err != nil && drivers.KindOf(err) == "" {
			t.Fatalf("%q: %v has no kind", b, err)
		}
	})
}

// replay is a port with these bytes and no more.
type replay struct {
	drivers.Port
	data []byte
}

func (r *replay) Read(_ context.Context, p []byte, _ time.Duration) (int, error) {
	if len(r.data) == 0 {
		return 0, drivers.Errorf("wire", "read", drivers.NoReply, "nothing")
	}
	n := copy(p[:min(len(p), 7)], r.data)
	r.data = r.data[n:]
	return n, nil
}

// A run ended by another device's refusal: this machine has not refused, and
// may stand anywhere.
func TestCancelledByAnothersFailure(t *testing.T) {
	for _, kind := range []drivers.Kind{drivers.NoReply, drivers.Refused} {
		synctest.Test(t, func(t *testing.T) {
			cause := drivers.Errorf("supply", "set voltage", kind, "its own affair")
			g := &gantry{by: usual}
			m := homed(t, g)
			g.set(func(string) (time.Duration, string) { return time.Minute, "ok\n" })
			ctx, cancel := context.WithCancelCause(t.Context())
			go func() { time.Sleep(100 * time.Millisecond); cancel(cause) }()
			start := time.Now()
			_, err := m.Move(ctx, map[string]float64{"left_x": 1}, 1)
			if !errors.Is(err, cause) || drivers.KindOf(err) == kind || time.Since(start) != 100*time.Millisecond {
				t.Errorf("got %v (%q) after %v", err, drivers.KindOf(err), time.Since(start))
			}
			if m.homed.Load() || !m.stale.Load() {
				t.Errorf("position known %v, acknowledgements owed %v: want neither taken for granted", m.homed.Load(), m.stale.Load())
			}
			time.Sleep(2 * time.Minute) // what was owed has come
		})
	}
}
