//go:build unix

package serialport

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// lock holds a device for this process. The system frees it when the process
// ends, however it ends. The file stays: removing it could let two processes
// hold different files of the same name.
type lock struct{ file *os.File }

// takeLock locks the device at path, or says who has it.
func takeLock(dir, path string) (*lock, error) {
	const op = "open"
	device, err := filepath.EvalSymlinks(path)
	if err != nil {
		device = path // not there: opening it will say so
	}
	if dir == "" {
		dir = SharedDir()
	}
	name := filepath.Join(dir, "fullthrow"+strings.ReplaceAll(device, "/", "-")+".lock")
	// Without O_CREAT first: the system refuses that for another user's file in
	// a directory like /run/lock (fs.protected_regular).
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if errors.Is(err, os.ErrPermission) {
		f, err = os.OpenFile(name, os.O_RDONLY, 0)
	} else if errors.Is(err, os.ErrNotExist) {
		f, err = os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o666)
	}
	if err != nil {
		return nil, drivers.Errorf(path, op, drivers.Fault, "lock: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		defer f.Close()
		if !errors.Is(err, unix.EWOULDBLOCK) {
			return nil, drivers.Errorf(path, op, drivers.Fault, "lock %s: %w", name, err)
		}
		holder := "another process"
		if b, err := io.ReadAll(io.LimitReader(f, 32)); err == nil && len(b) > 0 {
			holder = "process " + strings.TrimSpace(string(b))
		}
		return nil, drivers.Errorf(path, op, drivers.Busy, "held by %s", holder).
			WithHint("Another runner uses this port: end it, or give this bench another port.")
	}
	if err := f.Truncate(0); err == nil { // fails on another user's file; the lock holds all the same
		_, _ = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	return &lock{f}, nil
}

// SharedDir is a directory for locks that all users share and a restart empties.
func SharedDir() string {
	const runLock = "/run/lock"
	if unix.Access(runLock, unix.W_OK) == nil {
		return runLock
	}
	return os.TempDir()
}

func (l *lock) release() {
	if l != nil {
		_ = l.file.Close()
	}
}
