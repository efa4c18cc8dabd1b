package terminal

import "syscall"

// Gone is nothing that this system returns.
const Gone = syscall.Errno(1<<29 - 1)
