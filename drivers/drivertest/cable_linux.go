package drivertest

import (
	"io"
	"os"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// Cable makes two serial ports that are joined like those at the ends of a
// null-modem cable: two pseudo-terminals, and their paths. A program at one end may
// end and another begin; the cable stays until the test ends.
func Cable(t *testing.T) (ours, theirs string) {
	t.Helper()
	var ends [2]*os.File
	var paths [2]string
	for k := range ends {
		device, tty, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := term.MakeRaw(int(tty.Fd())); err != nil {
			t.Fatal(err)
		}
		// Not a file that blocks, so that its Close ends the copying.
		fd, err := unix.Dup(int(device.Fd()))
		if err == nil {
			err = unix.SetNonblock(fd, true)
		}
		if err != nil {
			t.Fatal(err)
		}
		_ = device.Close()
		ends[k], paths[k] = os.NewFile(uintptr(fd), device.Name()), tty.Name()
		t.Cleanup(func() { _ = ends[k].Close(); _ = tty.Close() })
	}
	for k := range ends {
		// Ends with the pseudo-terminals.
		go func() { _, _ = io.Copy(ends[k], ends[1-k]) }()
	}
	return paths[0], paths[1]
}
