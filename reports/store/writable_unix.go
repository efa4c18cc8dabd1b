//go:build unix

package store

import "golang.org/x/sys/unix"

// writable says whether a file or folder may be written to.
func writable(path string) bool { return unix.Access(path, unix.W_OK) == nil }
