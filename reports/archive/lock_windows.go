package archive

import (
	"os"

	"golang.org/x/sys/windows"
)

// lockFile takes the lock of f, which ends with the process however it ends.
// The locked byte lies far behind the text, which stays readable to others.
func lockFile(f *os.File) error {
	at := windows.Overlapped{OffsetHigh: 1 << 20}
	return windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY,
		0, 1, 0, &at)
}

// syncDir does nothing: NTFS keeps a journal of names, and a directory cannot
// be synced there.
func syncDir(string) error { return nil }

// diskFull is what the system says of a full disk: ERROR_DISK_FULL.
const diskFull = windows.ERROR_DISK_FULL
