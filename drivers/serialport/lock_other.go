//go:build !unix

package serialport

// lock is nothing here: the system opens a port for one process only.
type lock struct{}

func takeLock(_, _ string) (*lock, error) { return &lock{}, nil }

func (l *lock) release() {}
