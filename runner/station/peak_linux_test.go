package station

import (
	"fmt"
	"os"
	"syscall"
)

// peak is the most memory that a process had.
func peak(p *os.ProcessState) string {
	if u, ok := p.SysUsage().(*syscall.Rusage); ok {
		return fmt.Sprintf("peak of the process: %d MB", u.Maxrss/1000)
	}
	return "peak of the process: not known"
}
