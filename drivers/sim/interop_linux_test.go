//go:build linux

package sim

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// hosted is the stick machine with a controller, in real time at the end of a serial
// line, and the path of the other end. Every so-manieth numbered line to the machine has
// a damaged byte, three of them; 0: none; -1: there are no lines, but bytes that act at
// once.
func hosted(t *testing.T, h SticksHabit, damage int) string {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	b := NewBench(drivers.System, 1)
	if err := b.SetSticks(h); err != nil {
		t.Fatal(err)
	}
	ends, err := Serve(ctx, b, Options{Dir: t.TempDir()})
	if err != nil {
		cancel()
		t.Skipf("no pseudo-terminals or sockets here: %v", err)
	}
	t.Cleanup(func() {
		cancel()
		for _, e := range ends {
			<-e.Done
		}
	})
	ours, theirs := drivertest.Cable(t)
	host := line(t, ours)
	for _, e := range ends {
		if e.Role != Sticks {
			continue
		}
		machine := line(t, e.Address)
		go func() { _, _ = io.Copy(host, machine) }()
		go func() {
			in, numbered := bufio.NewReader(host), 0
			for damage >= 0 {
				text, err := in.ReadBytes('\n')
				if err != nil {
					return
				}
				if i := bytes.IndexByte(text, '*'); i > 0 && !bytes.Contains(text, []byte("M110")) {
					if numbered++; damage > 0 && numbered%damage == 0 && numbered <= 3*damage {
						text[i-1] ^= 1
					}
				}
				if _, err := machine.Write(text); err != nil {
					return
				}
			}
			_, _ = io.Copy(machine, host) // bytes that are no lines
		}()
	}
	return theirs
}

// line is a pseudo-terminal whose Close ends a Read.
func line(t *testing.T, path string) *os.File {
	t.Helper()
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	f := os.NewFile(uintptr(fd), path)
	t.Cleanup(func() { _ = f.Close() })
	return f
}

// A sender of G-code by another hand, with line numbers, check sums and requests to
// send again, works with the simulated controller that takes lines into a queue: each
// line is carried out once, whether or not some were damaged on their way.
func TestQueueControllerServesAnotherHost(t *testing.T) {
	packages := filepath.Join(drivertest.Kept(t, "printrun-common-2.0.0"), "usr/lib/python3/dist-packages")
	python := drivertest.Python(t, "serial")
	for _, damage := range []int{0, 7} {
		t.Run(fmt.Sprint("damaged ", damage), func(t *testing.T) {
			theirs := hosted(t, SticksHabit{Controller: QueueControl}, damage)
			host := drivertest.Start(t, exec.Command(python, "testdata/printer_host.py", packages, theirs))
			job := []string{"G21", "G90", "G28", "G1 X0 F6000", "G91"}
			for range 40 {
				job = append(job, "G1 X0.1 F6000")
			}
			job = append(job, "M400", "G90")
			again := host.Ask("job %s", strings.Join(job, "|"))
			if damaged := again != "0"; damaged != (damage > 0) {
				t.Errorf("%s lines sent again", again)
			}
			if where := host.Ask("send X: M114"); !strings.HasPrefix(where, "X:4.00 ") {
				t.Errorf("after 40 steps of 0.1 mm it is at %s", where)
			}
			host.Ask("job G91|G1 X-0.1 F6000|M400|G90") // counting begins anew: its first line must not be lost
			if where := host.Ask("send X: M114"); !strings.HasPrefix(where, "X:3.90 ") {
				t.Errorf("after a step back it is at %s", where)
			}
			if got := host.Ask("send FIRMWARE_NAME: M115"); !strings.Contains(got, "FIRMWARE_NAME:") {
				t.Errorf("it says of itself %s", got)
			}
		})
	}
}

// What a sender for milling machines by another hand takes for answers, states,
// positions, errors and alarms is what the simulated controller of that habit says.
func TestStateControllerServesAnotherHost(t *testing.T) {
	sender := filepath.Join(drivertest.Kept(t, "bcnc-0.9.14.318"), "usr/share/bcnc/bCNC")
	python := drivertest.Python(t, "serial")
	theirs := hosted(t, SticksHabit{Controller: StateControl}, -1)
	host := drivertest.Start(t, exec.Command(python, "testdata/milling_host.py", sender, theirs))
	for _, c := range []struct{ ask, want string }{
		{"status", "Alarm|*|0|"},
		{"send G1 X1 F600", "Alarm|*|0|error:9"}, // locked until it is homed
		{"send $H", "Idle|0.000|0.000|0.000|0|"},
		{"send G21", "Idle|0.000|0.000|0.000|0|"},
		{"send G90", "Idle|0.000|0.000|0.000|0|"},
		{"send G1 X1.5 Y-2 F6000", "*|0|"},
		{"send G4 P0", "Idle|1.500|-2.000|0.000|0|"},
		{"send G1 X1 Q3 F600", "Idle|1.500|-2.000|0.000|0|error:20"},
		{"send G1 X900 F600", "ALARM:2|*|0|ALARM:2"},
		{"reset", "Alarm|*|0|"},
		{"send $H", "Idle|0.000|0.000|0.000|0|"},
		{"send G1 X5 F3", "Run|*|0|"},
		{"byte 21", "Hold:*|0|"},
		{"reset", "*|0|*"},
	} {
		if got := host.Ask("%s", c.ask); !like(got, c.want) {
			t.Errorf("%s: it understands %q, want %q", c.ask, got, c.want)
		}
	}
}

// like says whether text is as pattern, in which * stands for anything.
func like(text, pattern string) bool {
	before, after, ok := strings.Cut(pattern, "*")
	if !ok {
		return text == pattern
	}
	if !strings.HasPrefix(text, before) {
		return false
	}
	for k := len(before); k <= len(text); k++ {
		if like(text[k:], after) {
			return true
		}
	}
	return false
}
