package store

import (
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// unanswered bounds how long sent data may go without an answer (RFC 5482).
func unanswered(gone time.Duration) func(network, address string, c syscall.RawConn) error {
	return func(network, _ string, c syscall.RawConn) error {
		if network == "unix" {
			return nil
		}
		var err error
		if cerr := c.Control(func(fd uintptr) {
			err = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(gone.Milliseconds()))
		}); cerr != nil {
			return cerr
		}
		return err
	}
}
