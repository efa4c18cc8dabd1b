package drivertest

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"
	"time"

	"fullthrow/drivers"
)

// Patience is a time-out that is not the subject of a test: what is waited for
// comes when the machine gets round to it, or go test's own time-out ends the
// test and shows where it stood.
const Patience = time.Hour

// TestPort checks the promises of [drivers.Port], but for the one of
// [TestStuck]. open gives a fresh port and the device's end of it: what is
// written to one must arrive at the other, and closing the device's end must
// look like an unplugged device. The device always reads here, only perhaps
// late: where the port can, it gives its writes [Patience].
func TestPort(t *testing.T, open func(t *testing.T) (drivers.Port, io.ReadWriteCloser)) {
	ctx := context.Background()
	run := func(name string, f func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser)) {
		t.Run(name, func(t *testing.T) {
			p, peer := open(t)
			t.Cleanup(func() { _ = p.Close(); _ = peer.Close() })
			f(t, p, peer)
		})
	}

	run("String names the port", func(t *testing.T, p drivers.Port, _ io.ReadWriteCloser) {
		if p.String() == "" {
			t.Error("String is empty")
		}
	})
	run("Write sends all, every byte value", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		want := allBytes(16 << 10)
		got := make([]byte, len(want))
		done := make(chan error, 1)
		go func() { _, err := io.ReadFull(peer, got); done <- err }()
		if err := p.Write(ctx, want); err != nil {
			t.Fatalf("Write of %d bytes to a device that reads: %v", len(want), err)
		}
		if err := <-done; err != nil || !bytes.Equal(got, want) { // for ever: not all bytes arrived
			t.Errorf("Write returned nil, but other bytes arrived (read error %v)", err)
		}
	})
	run("Read returns what is there, every byte value", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		want := allBytes(4 << 10)
		go func() { _, _ = peer.Write(want) }()
		var got []byte
		buf := make([]byte, 100)
		for len(got) < len(want) {
			n, err := p.Read(ctx, buf, Patience)
			if n == 0 && err == nil {
				t.Fatal("Read returned 0, nil")
			}
			if n != 0 && err != nil {
				t.Fatalf("Read returned %d bytes and an error: %v", n, err)
			}
			if err != nil {
				t.Fatalf("after %d of %d bytes: %v", len(got), len(want), err)
			}
			got = append(got, buf[:n]...)
		}
		if !bytes.Equal(got, want) {
			t.Error("Read returned other bytes than were sent")
		}
	})
	run("Read does not wait for a full buffer", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		send(t, peer, "x")
		n, err := p.Read(ctx, make([]byte, 64), Patience)
		if n != 1 || err != nil {
			t.Errorf("one byte is there: got %d, %v", n, err)
		}
	})
	run("Silence is NoReply, after the time-out", func(t *testing.T, p drivers.Port, _ io.ReadWriteCloser) {
		const timeout = 30 * time.Millisecond
		start := time.Now()
		n, err := p.Read(ctx, make([]byte, 8), timeout)
		wantKind(t, "nothing within the time-out", err, drivers.NoReply)
		if n != 0 {
			t.Errorf("%d bytes with an error", n)
		}
		if took := time.Since(start); took < timeout-time.Millisecond {
			t.Errorf("gave up after %v, before the time-out of %v", took, timeout)
		}
	})
	run("A time-out of 0 takes what is there", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		_, err := p.Read(ctx, make([]byte, 8), 0)
		wantKind(t, "nothing is there", err, drivers.NoReply)
		send(t, peer, "ab")
		b := make([]byte, 8)
		if n, err := p.Read(ctx, b[:1], Patience); n != 1 || err != nil {
			t.Fatalf("got %d, %v", n, err)
		}
		var n int
		for { // the second may still be on its way
			if n, err = p.Read(ctx, b, -1); drivers.KindOf(err) != drivers.NoReply {
				break
			}
		}
		if err != nil || string(b[:n]) != "b" {
			t.Errorf("the second byte is there: got %q, %v", b[:n], err)
		}
	})
	run("A cancelled context is obeyed at once", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		send(t, peer, "x")
		why := errors.New("stopped")
		cancelled, cancel := context.WithCancelCause(ctx)
		cancel(why)
		if _, err := p.Read(cancelled, make([]byte, 8), Patience); !errors.Is(err, why) {
			t.Errorf("Read: got %v, want the cause of the context", err)
		}
		if err := p.Write(cancelled, []byte("x")); !errors.Is(err, why) {
			t.Errorf("Write: got %v, want the cause of the context", err)
		}
	})
	run("Cancelling ends a waiting Read", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		why := errors.New("stopped")
		waiting, cancel := context.WithCancelCause(ctx)
		time.AfterFunc(20*time.Millisecond, func() { cancel(why) })
		if _, err := p.Read(waiting, make([]byte, 8), Patience); !errors.Is(err, why) {
			t.Errorf("got %v, want the cause of the context", err)
		}
		send(t, peer, "y")
		b := make([]byte, 8)
		if n, err := p.Read(ctx, b, Patience); err != nil || string(b[:n]) != "y" {
			t.Errorf("the port must be usable after a cancelled Read: got %q, %v", b[:n], err)
		}
	})
	run("Discard drops what was received", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		// A port does not tell how much has arrived. What came after Discard
		// is not its fault: give the rest twice as long, until it was in time.
		for rest := 20 * time.Millisecond; ; rest *= 2 {
			send(t, peer, "stale")
			if n, err := p.Read(ctx, make([]byte, 1), Patience); n != 1 || err != nil {
				t.Fatalf("got %d, %v", n, err)
			}
			time.Sleep(rest)
			if err := p.Discard(); err != nil {
				t.Fatalf("Discard: %v", err)
			}
			send(t, peer, "new")
			var got []byte
			for b := make([]byte, 16); !bytes.HasSuffix(got, []byte("new")); {
				n, err := p.Read(ctx, b, Patience)
				if err != nil {
					t.Fatalf("after Discard: %v, having read %q", err, got)
				}
				got = append(got, b[:n]...)
			}
			if string(got) == "new" {
				return
			}
			t.Logf("Discard %v after the first byte: then came %q", rest, got)
		}
	})
	run("Discard of nothing is no error", func(t *testing.T, p drivers.Port, _ io.ReadWriteCloser) {
		if err := p.Discard(); err != nil {
			t.Errorf("Discard: %v", err)
		}
	})
	run("Unplugged while reading is Gone", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		time.AfterFunc(20*time.Millisecond, func() { _ = peer.Close() })
		n, err := p.Read(ctx, make([]byte, 8), Patience)
		wantKind(t, "unplugged during Read", err, drivers.Gone)
		if n != 0 {
			t.Errorf("%d bytes with an error", n)
		}
		_, err = p.Read(ctx, make([]byte, 8), Patience)
		wantKind(t, "Read after unplugging", err, drivers.Gone)
	})
	run("Unplugged before writing is Gone", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		_ = peer.Close()
		var err error
		for err == nil { // the first ones may go into the wire
			err = p.Write(ctx, []byte("anyone?"))
		}
		wantKind(t, "writes after unplugging", err, drivers.Gone)
	})
	run("Close is Closed, also during Read", func(t *testing.T, p drivers.Port, _ io.ReadWriteCloser) {
		time.AfterFunc(20*time.Millisecond, func() { _ = p.Close() })
		_, err := p.Read(ctx, make([]byte, 8), Patience)
		wantKind(t, "our Close during Read", err, drivers.Closed)
		_, err = p.Read(ctx, make([]byte, 8), Patience)
		wantKind(t, "Read after Close", err, drivers.Closed)
		wantKind(t, "Write after Close", p.Write(ctx, []byte("x")), drivers.Closed)
		wantKind(t, "Discard after Close", p.Discard(), drivers.Closed)
		if err := p.Close(); err != nil {
			t.Errorf("a second Close: %v", err)
		}
	})
}

// TestStuck checks that a device which takes nothing does not hold Write for
// ever: it comes back, with NoReply. open gives a fresh
// port as it is used, on a wire that holds a bounded number of bytes, and the
// device's end of it, which nobody reads.
func TestStuck(t *testing.T, open func(t *testing.T) (drivers.Port, io.ReadWriteCloser)) {
	p, peer := open(t)
	t.Cleanup(func() { _ = p.Close(); _ = peer.Close() })
	data := allBytes(1 << 20)
	var err error
	for err == nil { // the wire takes some
		err = p.Write(context.Background(), data)
	}
	wantKind(t, "nobody reads", err, drivers.NoReply)
}

func wantKind(t *testing.T, promise string, err error, want drivers.Kind) {
	t.Helper()
	if got := drivers.KindOf(err); got != want {
		t.Errorf("%s: got %v (kind %q), want kind %q", promise, err, got, want)
	}
}

// allBytes is n bytes in which every value occurs, line ends and control
// characters among them.
func allBytes(n int) []byte {
	p := make([]byte, n)
	for i := range p {
		p[i] = byte(i + i>>8)
	}
	return p
}

func send(t *testing.T, w io.Writer, s string) {
	t.Helper()
	if _, err := io.WriteString(w, s); err != nil {
		t.Fatalf("the device's end: %v", err)
	}
}
