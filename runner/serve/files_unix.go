//go:build unix

package serve

import "syscall"

// openFiles is how many files this program may have open, 0 unknown.
func openFiles() int {
	var l syscall.Rlimit
	if syscall.Getrlimit(syscall.RLIMIT_NOFILE, &l) != nil {
		return 0
	}
	return int(min(uint64(l.Cur), 1<<30))
}
