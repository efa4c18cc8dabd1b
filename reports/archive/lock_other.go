//go:build !unix && !windows

package archive

import (
	"errors"
	"os"
	"syscall"
)

func lockFile(*os.File) error {
	return errors.New("an archive cannot be locked on this system")
}

func syncDir(string) error { return nil }

// diskFull is what the system says of a full disk.
const diskFull = syscall.ENOSPC
