//go:build unix

package demotest

import (
	"syscall"
	"time"
)

// CPUTime is the processor time that this process has taken.
// cpuTime is the processor time this process has taken so far.
func CPUTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
