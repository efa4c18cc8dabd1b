//go:build kernel

package gpio

import (
	"os"
	"os/exec"
	"slices"
	"testing"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/host/v3/gpioioctl"

	"fullthrow/drivers"
)

// The package looks for chips once in the life of a program, so all of them
// are made first, and closes descriptor 0, so that comes last.
func TestKernelPeriph(t *testing.T) {
	names := map[int]string{1: "ONE", 2: "TWO", 3: "THREE", 4: "FOUR"}
	s, gone, raw := newSim(t, "sim-a", names), newSim(t, "sim-b", map[int]string{1: "B1", 2: "B2", 3: "B3", 4: "B4"}),
		newSim(t, "sim-c", map[int]string{2: "C2", 3: "C3", 5: "C5"})
	open := func(t *testing.T, s *simChip) *Lines {
		t.Helper()
		d, err := OpenPeriph("board", s.path)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = d.Close() })
		return d
	}

	t.Run("second name of a chip", func(t *testing.T) {
		if err := os.Symlink(s.path, "/dev/gpiochip99"); err != nil {
			t.Fatal(err)
		}
		defer os.Remove("/dev/gpiochip99")
		if _, err := OpenPeriph("board", s.path); drivers.KindOf(err) != drivers.Fault {
			t.Errorf("got %v", err)
		}
		child := exec.Command("/proc/self/exe", "-test.v", "-test.run", "^TestKernelSecondName$")
		child.Env = append(os.Environ(), "FULLTHROW_CHILD=1")
		out, err := child.CombinedOutput()
		if err != nil {
			t.Errorf("%v: %s", err, out)
		}
	})
	t.Run("outputs", func(t *testing.T) {
		for _, c := range []struct {
			activeLow, safe bool
			kind            drivers.Kind
		}{{false, false, ""}, {true, true, ""}, {false, true, drivers.OutOfRange}, {true, false, drivers.OutOfRange}} {
			d := open(t, s)
			var out drivers.Output
			var err error
			got := traced(t, func() { out, err = d.Output("relay", 3, c.activeLow, c.safe) })
			if drivers.KindOf(err) != c.kind || slices.Contains(got, "set 1") {
				t.Errorf("%+v: %v (kind %q), kernel did %q", c, err, drivers.KindOf(err), got)
			}
			if err != nil {
				if len(got) != 0 {
					t.Errorf("refused, but kernel did %q", got)
				}
				continue
			}
			if err := out.Set(t.Context(), !c.safe); err != nil || !s.high(3) {
				t.Errorf("set: %v, high %v", err, s.high(3))
			}
			if err := d.Safe(t.Context()); err != nil || s.high(3) {
				t.Errorf("safe: %v, high %v", err, s.high(3))
			}
			if err := out.Set(t.Context(), !c.safe); err != nil {
				t.Error(err)
			}
			got = traced(t, func() { err = d.Close() })
			if err != nil || len(got) == 0 || got[0] != "set 0" || slices.Contains(got, "set 1") {
				t.Errorf("closed: %v, kernel did %q", err, got)
			}
		}
	})
	t.Run("inputs", func(t *testing.T) {
		d := open(t, s)
		in, err := d.Input("guard", 2, true)
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := in.(drivers.EdgeRecorder); ok {
			t.Error("offers to record edges, of which periph gives no time stamps")
		}
		for _, high := range []bool{true, false, true} {
			s.pull(2, high)
			if got, err := in.Level(t.Context()); got == high || err != nil {
				t.Errorf("high %v: %v, %v", high, got, err)
			}
		}
		if _, err := d.Input("nameless", 6, false); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("a line without a name: %v", err)
		}
		other := openSim(t, s)
		if _, err := other.Input("guard", 2, false); drivers.KindOf(err) != drivers.Busy {
			t.Errorf("held by periph, asked for directly: %v", err)
		}
		if _, err := other.Input("guard", 4, false); err != nil {
			t.Error(err)
		}
		if _, err := d.Input("guard", 4, false); drivers.KindOf(err) != drivers.Busy {
			t.Errorf("held directly, asked for by periph: %v", err)
		}
	})
	t.Run("edges", func(t *testing.T) { testEdges(t, s, open(t, s), noStampError) })
	t.Run("gone", func(t *testing.T) { testGone(t, gone, open(t, gone)) })

	// What the package does if used as it stands: the reasons for the
	// restrictions above. When one of these fails, the restriction can go.
	t.Run("reasons", func(t *testing.T) {
		if _, err := driverreg.Init(); err != nil {
			t.Fatal(err)
		}
		var chip *gpioioctl.GPIOChip
		for _, c := range gpioioctl.Chips {
			if c.Path() == raw.path {
				chip = c
			}
		}
		raw.pull(2, true)
		raw.pull(5, true)
		got := traced(t, func() {
			set, err := chip.LineSet(gpioioctl.LineOutput, gpio.NoEdge, gpio.PullNoChange, "C2")
			if err == nil {
				err = set.Out(1, 1)
			}
			if err != nil {
				t.Fatal(err)
			}
		})
		t.Logf("line set made an output and set high, held high from outside: %q", got)
		if first := slices.IndexFunc(got, func(s string) bool { return s == "set 0" || s == "set 1" }); first < 0 || got[first] != "set 0" {
			t.Error("the output of a line set was not low first")
		}
		got = traced(t, func() {
			if err := chip.ByName("C5").Out(gpio.High); err != nil {
				t.Fatal(err)
			}
		})
		t.Logf("single line set high, held high from outside: %q", got)
		if !slices.Contains(got, "set 0") {
			t.Error("the output of a single line was not low first")
		}

		set, err := chip.LineSet(gpioioctl.LineInput, gpio.NoEdge, gpio.PullNoChange, "")
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("asked for the line \"\": got line %d", set.Lines()[0].Number())
		_ = set.Close()

		line := chip.ByName("C3")
		raw.pull(3, true)
		if err := line.In(gpio.PullNoChange, gpio.NoEdge); err != nil || line.Read() != gpio.High {
			t.Fatalf("%v, want high", err)
		}
		raw.remove()
		if line.Read() != gpio.Low {
			t.Error("the lost line does not read low")
		}

		if _, err := unix.FcntlInt(0, unix.F_GETFD, 0); err != nil {
			t.Fatal(err)
		}
		chip.Close()
		if _, err := unix.FcntlInt(0, unix.F_GETFD, 0); err != unix.EBADF {
			t.Errorf("descriptor 0 after closing the chip: %v", err)
		}
		if f, err := os.Open(os.DevNull); err != nil || f.Fd() != 0 {
			t.Errorf("%v", err)
		}
	})
}

// TestKernelSecondName runs in a process of its own, beside a second name of a
// chip.
func TestKernelSecondName(t *testing.T) {
	if os.Getenv("FULLTHROW_CHILD") == "" {
		t.Skip("run by TestKernelPeriph")
	}
	if _, err := unix.FcntlInt(0, unix.F_GETFD, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := driverreg.Init(); err != nil {
		t.Fatal(err)
	}
	if _, err := unix.FcntlInt(0, unix.F_GETFD, 0); err != unix.EBADF {
		t.Errorf("descriptor 0 after the package's start: %v; the refusal can go", err)
	}
}
