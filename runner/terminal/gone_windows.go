package terminal

import "syscall"

// terminalGone is nothing that this system returns.
const terminalGone = syscall.Errno(1<<29 - 1)
