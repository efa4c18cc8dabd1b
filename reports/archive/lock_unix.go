//go:build unix

package archive

import (
	"os"
	"syscall"
)

// lockFile takes the lock of f, which ends with the process however it ends.
func lockFile(f *os.File) error {
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
}

// syncDir makes the names in dir last.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// diskFull is what the kernel says of a full disk.
const diskFull = syscall.ENOSPC
