//go:build !unix

package tcpport

import (
	"errors"
	"net"
	"os"
	"time"
)

// readReady reads what has arrived; 0, nil if nothing has. Here that takes a
// millisecond's wait.
func readReady(conn net.Conn, b []byte) (int, error) {
	_ = conn.SetReadDeadline(time.Now().Add(time.Millisecond))
	n, err := conn.Read(b)
	if n > 0 || errors.Is(err, os.ErrDeadlineExceeded) {
		return n, nil
	}
	return 0, err
}
