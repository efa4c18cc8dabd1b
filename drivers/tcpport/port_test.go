package tcpport

import (
	"context"
	"errors"
	"io"
	"net"
	"testing"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// patient is for tests in which the other side answers, if late.
var patient = Options{DialTimeout: drivertest.Patience, writeTime: drivertest.Patience}

func listen(t *testing.T) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	return l
}

func connect(t *testing.T, l net.Listener, opts Options) (*Port, net.Conn) {
	t.Helper()
	p, err := Open(t.Context(), l.Addr().String(), opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	peer, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = peer.Close() })
	return p, peer
}

func TestPortPromises(t *testing.T) {
	drivertest.TestPort(t, func(t *testing.T) (drivers.Port, io.ReadWriteCloser) {
		return connect(t, listen(t), patient)
	})
}

func TestStuck(t *testing.T) {
	drivertest.TestStuck(t, func(t *testing.T) (drivers.Port, io.ReadWriteCloser) {
		return connect(t, listen(t), Options{})
	})
}

func TestBytesBeforeTheEndAreRead(t *testing.T) {
	p, peer := connect(t, listen(t), patient)
	_, _ = io.WriteString(peer, "last words\n")
	_ = peer.Close()
	b := make([]byte, 64)
	n, err := p.Read(t.Context(), b, drivertest.Patience)
	if err != nil || string(b[:n]) != "last words\n" {
		t.Fatalf("got %q, %v", b[:n], err)
	}
	if _, err := p.Read(t.Context(), b, drivertest.Patience); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("after the last bytes: %v", err)
	}
}

func TestReopen(t *testing.T) {
	for _, auto := range []bool{false, true} {
		l := listen(t)
		opts := patient
		opts.Reopen = auto
		p, peer := connect(t, l, opts)
		_ = peer.Close()
		if _, err := p.Read(t.Context(), make([]byte, 1), drivertest.Patience); drivers.KindOf(err) != drivers.Gone {
			t.Fatalf("got %v, want gone", err)
		}
		if _, err := p.Read(t.Context(), make([]byte, 1), drivertest.Patience); drivers.KindOf(err) != drivers.Gone {
			t.Errorf("a read must never connect anew: %v", err)
		}
		accepted := make(chan net.Conn, 1)
		go func() {
			c, err := l.Accept()
			if err == nil {
				accepted <- c
			}
		}()
		err := p.Write(t.Context(), []byte("*IDN?\n"))
		if !auto {
			if drivers.KindOf(err) != drivers.Gone {
				t.Errorf("without Reopen: %v", err)
			}
			if err := p.Reopen(t.Context()); err != nil {
				t.Fatal(err)
			}
			err = p.Write(t.Context(), []byte("*IDN?\n"))
		}
		if err != nil {
			t.Fatalf("after connecting anew: %v", err)
		}
		peer = <-accepted
		b := make([]byte, 6)
		if _, err := io.ReadFull(peer, b); err != nil || string(b) != "*IDN?\n" {
			t.Errorf("got %q, %v", b, err)
		}
		_ = peer.Close()
	}
}

func TestOpenErrors(t *testing.T) {
	l := listen(t)
	addr := l.Addr().String()
	_ = l.Close()
	for _, c := range []struct {
		name, addr string
		kind       drivers.Kind
	}{
		{"nobody listens", addr, drivers.Gone},
		{"no port", "127.0.0.1", drivers.Fault},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Open(t.Context(), c.addr, Options{})
			var e *drivers.Error
			if !errors.As(err, &e) || e.Kind != c.kind || e.Hint == "" {
				t.Errorf("got %v (%q), want kind %q and a hint", err, drivers.KindOf(err), c.kind)
			}
		})
	}
	why := errors.New("stopped")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(why)
	if _, err := Open(ctx, addr, Options{}); !errors.Is(err, why) {
		t.Errorf("cancelled: %v", err)
	}
}
