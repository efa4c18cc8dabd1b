package sim

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// A port that a program held exclusively is free once it is closed, as a serial port
// is, also where that program was killed and took nothing back.
func TestClosedPortIsFree(t *testing.T) {
	b := NewBench(drivers.System, 1)
	ends, err := Serve(t.Context(), b, Options{})
	require.NoError(t, err)
	for _, e := range ends {
		if e.Kind != "pty" {
			continue
		}
		open := func() *os.File {
			f, err := os.OpenFile(e.Address, os.O_RDWR|unix.O_NOCTTY, 0)
			require.NoError(t, err)
			return f
		}
		exclusive := func(f *os.File) bool {
			n, err := unix.IoctlGetInt(int(f.Fd()), unix.TIOCGEXCL)
			require.NoError(t, err)
			return n != 0
		}
		if f := open(); exclusive(f) {
			t.Fatalf("%s is held from the beginning", e.Role)
		} else {
			require.NoError(t, unix.IoctlSetInt(int(f.Fd()), unix.TIOCEXCL, 0))
			require.True(t, exclusive(f), "%s is held", e.Role)
			require.NoError(t, f.Close())
		}
		for free := false; !free; time.Sleep(time.Millisecond) {
			// Without opening it: only root could.
			watch := watchClosings()
			require.NotNil(t, watch)
			watch.mu.Lock()
			for _, slave := range watch.slave {
				if slave.Name() == e.Address {
					free = !exclusive(slave)
				}
			}
			watch.mu.Unlock()
		}
		require.NoError(t, open().Close())
	}
}
