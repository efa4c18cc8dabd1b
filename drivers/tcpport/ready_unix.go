//go:build unix

package tcpport

import (
	"io"
	"net"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// readReady reads what has arrived without waiting at all; 0, nil if nothing
// has.
func readReady(conn net.Conn, b []byte) (n int, err error) {
	_ = conn.SetReadDeadline(time.Time{})
	raw, err := conn.(syscall.Conn).SyscallConn()
	if err != nil {
		return 0, err
	}
	var result error
	err = raw.Read(func(fd uintptr) bool {
		for {
			n, result = unix.Read(int(fd), b)
			if result != unix.EINTR {
				return true
			}
		}
	})
	switch {
	case err != nil:
		return 0, err
	case result == unix.EAGAIN:
		return 0, nil
	case result != nil:
		return 0, result
	case n == 0:
		return 0, io.EOF
	}
	return n, nil
}
