//go:build unix

package terminal

import "syscall"

// Gone is what writing to a terminal that has hung up returns.
const Gone = syscall.EIO
