//go:build !linux

package archive

import "os"

// allocate gives f that many bytes of the disk, which nothing else can take.
func allocate(f *os.File, size int64) error { return fill(f, size) }
