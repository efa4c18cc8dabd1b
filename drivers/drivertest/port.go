package drivertest

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

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
		assert.NotEmpty(t, p.String(), "String is empty")
	})
	run("Write sends all, every byte value", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		want := allBytes(16 << 10)
		got := make([]byte, len(want))
		done := make(chan error, 1)
		go func() { _, err := io.ReadFull(peer, got); done <- err }()
		require.NoError(t, p.Write(ctx, want), "Write to a device that reads")
		require.NoError(t, <-done) // for ever: not all bytes arrived
		assert.Equal(t, want, got, "Write returned nil, but other bytes arrived")
	})
	run("Read returns what is there, every byte value", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		want := allBytes(4 << 10)
		go func() { _, _ = peer.Write(want) }()
		var got []byte
		buf := make([]byte, 100)
		for len(got) < len(want) {
			n, err := p.Read(ctx, buf, Patience)
			require.Equal(t, err == nil, n > 0, "Read returned %d bytes, %v", n, err)
			require.NoError(t, err, "after %d of %d bytes", len(got), len(want))
			got = append(got, buf[:n]...)
		}
		assert.Equal(t, want, got, "Read returned other bytes than were sent")
	})
	run("Read does not wait for a full buffer", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		send(t, peer, "x")
		n, err := p.Read(ctx, make([]byte, 64), Patience)
		assert.NoError(t, err)
		assert.Equal(t, 1, n, "one byte is there")
	})
	run("Silence is NoReply, after the time-out", func(t *testing.T, p drivers.Port, _ io.ReadWriteCloser) {
		const timeout = 30 * time.Millisecond
		start := time.Now()
		n, err := p.Read(ctx, make([]byte, 8), timeout)
		wantKind(t, "nothing within the time-out", err, drivers.NoReply)
		assert.Zero(t, n, "bytes with an error")
		assert.GreaterOrEqual(t, time.Since(start), timeout-time.Millisecond, "gave up before the time-out")
	})
	run("A time-out of 0 takes what is there", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		_, err := p.Read(ctx, make([]byte, 8), 0)
		wantKind(t, "nothing is there", err, drivers.NoReply)
		send(t, peer, "ab")
		b := make([]byte, 8)
		n, err := p.Read(ctx, b[:1], Patience)
		require.NoError(t, err)
		require.Equal(t, 1, n)
		for { // the second may still be on its way
			if n, err = p.Read(ctx, b, -1); drivers.KindOf(err) != drivers.NoReply {
				break
			}
		}
		assert.NoError(t, err)
		assert.Equal(t, "b", string(b[:n]), "the second byte is there")
	})
	run("A cancelled context is obeyed at once", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		send(t, peer, "x")
		why := errors.New("stopped")
		cancelled, cancel := context.WithCancelCause(ctx)
		cancel(why)
		_, err := p.Read(cancelled, make([]byte, 8), Patience)
		assert.ErrorIs(t, err, why)
		assert.ErrorIs(t, p.Write(cancelled, []byte("x")), why)
	})
	run("Cancelling ends a waiting Read", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		why := errors.New("stopped")
		waiting, cancel := context.WithCancelCause(ctx)
		time.AfterFunc(20*time.Millisecond, func() { cancel(why) })
		_, err := p.Read(waiting, make([]byte, 8), Patience)
		assert.ErrorIs(t, err, why)
		send(t, peer, "y")
		b := make([]byte, 8)
		n, err := p.Read(ctx, b, Patience)
		assert.NoError(t, err)
		assert.Equal(t, "y", string(b[:n]), "the port must be usable after a cancelled Read")
	})
	run("Discard drops what was received", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		// A port does not tell how much has arrived. What came after Discard
		// is not its fault: give the rest twice as long, until it was in time.
		for rest := 20 * time.Millisecond; ; rest *= 2 {
			send(t, peer, "stale")
			n, err := p.Read(ctx, make([]byte, 1), Patience)
			require.NoError(t, err)
			require.Equal(t, 1, n)
			time.Sleep(rest)
			require.NoError(t, p.Discard(), "Discard")
			send(t, peer, "new")
			var got []byte
			for b := make([]byte, 16); !bytes.HasSuffix(got, []byte("new")); {
				n, err := p.Read(ctx, b, Patience)
				require.NoError(t, err, "after Discard, having read %q", got)
				got = append(got, b[:n]...)
			}
			if string(got) == "new" {
				return
			}
			t.Logf("Discard %v after the first byte: then came %q", rest, got)
		}
	})
	run("Discard of nothing is no error", func(t *testing.T, p drivers.Port, _ io.ReadWriteCloser) {
		assert.NoError(t, p.Discard(), "Discard")
	})
	run("Unplugged while reading is Gone", func(t *testing.T, p drivers.Port, peer io.ReadWriteCloser) {
		time.AfterFunc(20*time.Millisecond, func() { _ = peer.Close() })
		n, err := p.Read(ctx, make([]byte, 8), Patience)
		wantKind(t, "unplugged during Read", err, drivers.Gone)
		assert.Zero(t, n, "bytes with an error")
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
		assert.NoError(t, p.Close(), "a second Close")
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
	assert.Equal(t, want, drivers.KindOf(err), "%s: got %v", promise, err)
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
	_, err := io.WriteString(w, s)
	require.NoError(t, err, "the device's end")
}
