package terminal

import "syscall"

// TerminalGone is nothing that this system returns.
const TerminalGone = syscall.Errno(1<<29 - 1)
