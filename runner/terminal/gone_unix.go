//go:build unix

package terminal

import "syscall"

// TerminalGone is what writing to a terminal that has hung up returns.
const TerminalGone = syscall.EIO
