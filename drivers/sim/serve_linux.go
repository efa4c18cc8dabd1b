//go:build linux

package sim

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"fullthrow/drivers"
)

// serial are the roles served on pseudo-terminals; the others are on TCP.
var serial = map[string]bool{Board: true, Attenuator: true, Sticks: true, Receiver: true, Console: true}

// Serve puts the bench, which must run on [drivers.System], on real wires:
// pseudo-terminals for board, attenuator, sticks and receiver, TCP on the
// loopback address for supply, meter and microphone. It returns when all are
// there; they stay until ctx ends, or until they are unplugged (then wait for
// Done). All wires of the bench must be free.
//
// A terminal may be closed and opened again. What the receiver says while
// nobody reads is lost, all but the first 2 kB. TCP serves one connection
// after another.
func Serve(ctx context.Context, b *Bench, o Options) (ends []Endpoint, err error) {
	if b.virtual {
		return nil, errVirtual
	}
	defer func() {
		if err != nil {
			for _, e := range ends {
				e.Unplug()
			}
			ends = nil
		}
	}()
	for _, role := range b.Wires() {
		p, err := b.Port(role)
		if err != nil {
			return ends, err
		}
		var e Endpoint
		if serial[role] {
			e, err = serveTerminal(ctx, p, role, o.Dir)
		} else {
			e, err = serveTCP(ctx, p, role)
		}
		if err != nil {
			p.Close()
			return ends, fmt.Errorf("serve %s: %w", role, err)
		}
		ends = append(ends, e)
	}
	return ends, nil
}

// unread is how much of the receiver's stream may wait for a reader.
const unread = 2048

func serveTerminal(ctx context.Context, p drivers.Port, role, dir string) (Endpoint, error) {
	opened, slave, err := pty.Open()
	if err != nil {
		return Endpoint{}, err
	}
	defer opened.Close()
	// Without blocking, so that deadlines and Close end a read.
	fd, err := unix.Dup(int(opened.Fd()))
	if err == nil {
		err = unix.SetNonblock(fd, true)
	}
	if err == nil {
		_, err = term.MakeRaw(int(slave.Fd()))
	}
	if err != nil {
		slave.Close()
		return Endpoint{}, err
	}
	unix.CloseOnExec(fd)
	master := os.NewFile(uintptr(fd), opened.Name())
	address, link := slave.Name(), ""
	if dir != "" {
		link = filepath.Join(dir, role)
		if was, err := os.Lstat(link); err == nil && was.Mode()&os.ModeSymlink != 0 {
			os.Remove(link) // left by a run that was killed
		}
		if err := os.Symlink(address, link); err != nil {
			master.Close()
			slave.Close()
			return Endpoint{}, err
		}
		address = link
	}
	free := watchClosings().free(slave)
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	context.AfterFunc(ctx, func() { master.Close() })
	write := func(data []byte) error {
		wait := 2 * time.Second
		if role == Receiver {
			// Nobody reads: drop, as a wire does.
			if n, err := unix.IoctlGetInt(int(slave.Fd()), unix.TIOCINQ); err == nil && n > unread {
				return nil
			}
			wait = 5 * time.Millisecond
		}
		master.SetWriteDeadline(time.Now().Add(wait))
		if _, err := master.Write(data); err != nil && !os.IsTimeout(err) {
			return err
		}
		return nil
	}
	go func() {
		defer close(done)
		// Our own hold on the slave keeps the terminal up while nobody else
		// has it open.
		defer slave.Close()
		defer free()
		defer cancel()
		pump(ctx, p, master.Read, write)
		master.Close()
		p.Close()
		if link != "" {
			os.Remove(link)
		}
	}()
	return Endpoint{Role: role, Kind: "pty", Address: address, Done: done, unplug: cancel}, nil
}

func serveTCP(ctx context.Context, p drivers.Port, role string) (Endpoint, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return Endpoint{}, err
	}
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	context.AfterFunc(ctx, func() { l.Close() })
	go func() {
		defer close(done)
		defer cancel()
		defer p.Close()
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			stop := context.AfterFunc(ctx, func() { conn.Close() })
			p.Discard()
			pump(ctx, p, conn.Read, func(data []byte) error {
				conn.SetWriteDeadline(time.Now().Add(5 * time.Second))
				_, err := conn.Write(data)
				if err != nil {
					conn.Close()
				}
				return err
			})
			stop()
			conn.Close()
		}
	}()
	return Endpoint{Role: role, Kind: "tcp", Address: l.Addr().String(), Done: done, unplug: cancel}, nil
}
