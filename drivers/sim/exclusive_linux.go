package sim

import (
	"encoding/binary"
	"os"
	"sync"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// A serial port that a program held exclusively (TIOCEXCL) is free when that program
// closes it or is killed. A pseudo-terminal is not: it keeps the mark as long as its
// master is open, and lets only root in again. So the mark is taken off whenever
// somebody has closed it.

// closings tells of pseudo-terminals that somebody closed.
type closings struct {
	fd    int
	mu    sync.Mutex
	slave map[int32]*os.File // by watch
	broke drivers.PanicOf
}

// watchClosings is the one watch of the process, nil where the system has none left;
// then a port stays marked after a kill, for all but root.
var watchClosings = sync.OnceValue(func() *closings {
	fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK)
	if err != nil {
		return nil
	}
	w := &closings{fd: fd, slave: map[int32]*os.File{}}
	go w.read(os.NewFile(uintptr(fd), "inotify"))
	return w
})

func (w *closings) read(f *os.File) {
	defer w.broke.Recover()
	buf := make([]byte, 4096)
	for {
		n, err := f.Read(buf)
		if err != nil {
			return
		}
		for b := buf[:n]; len(b) >= unix.SizeofInotifyEvent; {
			watch := int32(binary.NativeEndian.Uint32(b))
			name := int(binary.NativeEndian.Uint32(b[12:]))
			b = b[min(len(b), unix.SizeofInotifyEvent+name):]
			w.mu.Lock()
			if slave := w.slave[watch]; slave != nil {
				_ = unix.IoctlSetInt(int(slave.Fd()), unix.TIOCNXCL, 0) // gone: then nobody wants it
			}
			w.mu.Unlock()
		}
	}
}

// free takes the mark off a slave whenever somebody has closed it, until stop is
// called, which must be before slave is closed.
func (w *closings) free(slave *os.File) (stop func()) {
	if w == nil {
		return func() {}
	}
	w.broke.Raise()
	watch, err := unix.InotifyAddWatch(w.fd, slave.Name(), unix.IN_CLOSE)
	if err != nil {
		return func() {}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.slave[int32(watch)] = slave
	return func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.slave, int32(watch))
		_, _ = unix.InotifyRmWatch(w.fd, uint32(watch)) // gone with the terminal
	}
}
