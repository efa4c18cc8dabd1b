package bench

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"fullthrow/drivers"
)

// within is the patience of these tests: what is waited for is an event, and the
// time-out of the whole test stands behind it.
const within = time.Hour

// says waits for a line that begins so.
func says(begin string) drivers.Awaited {
	return drivers.Awaited{As: begin, Within: within,
		Fits: func(b []byte) (bool, error) { return bytes.HasPrefix(b, []byte(begin)), nil }}
}

// speaker is a unit that answers each line that ends with CR, like a shell, until its
// side of the wire is closed.
func speaker(c io.ReadWriter) {
	r := bufio.NewReader(c)
	for {
		line, err := r.ReadString('\r')
		if err != nil {
			return
		}
		line = strings.TrimSuffix(line, "\r")
		answer := "? " + line
		if line == "version" {
			answer = "version 2.7"
		}
		if _, err := io.WriteString(c, line+"\r\n"+answer+"\r\nk8> "); err != nil {
			return
		}
	}
}

// framer answers frames of two bytes: the second is one more.
func framer(c io.ReadWriter) {
	var b [2]byte
	for {
		if _, err := io.ReadFull(c, b[:]); err != nil {
			return
		}
		b[1]++
		if _, err := c.Write(b[:]); err != nil {
			return
		}
	}
}

// terminal is a pseudo-terminal at a path of ours, with something behind it; unplug
// takes it away as a USB device goes.
func terminal(t *testing.T, path string, serve func(io.ReadWriter)) (unplug func()) {
	t.Helper()
	master, tty, err := pty.Open()
	require.NoError(t, err)
	defer master.Close()
	fd, err := unix.Dup(int(master.Fd()))
	require.NoError(t, err)
	require.NoError(t, unix.SetNonblock(fd, true)) // so that Close ends a read
	device := os.NewFile(uintptr(fd), "unit")
	_, err = term.MakeRaw(int(tty.Fd()))
	require.NoError(t, err)
	require.NoError(t, os.Symlink(tty.Name(), path))
	done := make(chan struct{})
	go func() { defer close(done); serve(device) }()
	gone := false
	unplug = func() {
		if gone {
			return
		}
		gone = true
		_ = os.Remove(path)
		_ = tty.Close()
		_ = device.Close()
		<-done
	}
	t.Cleanup(unplug)
	return unplug
}

// socket is a TCP port, with something behind each connection.
func socket(t *testing.T, serve func(io.ReadWriter)) (addr string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() { defer c.Close(); serve(c) }()
		}
	}()
	return l.Addr().String()
}

// opened is a bench with one device, as its keys say.
func opened(t *testing.T, keys string) *Opened {
	t.Helper()
	b, err := Parse("bench.toml", []byte("station = \"LQ-1\"\nproduct = \"buoy\"\n[[nest]]\nname = \"A\"\n"+
		"interlock = \"none\"\n[nest.device.it]\n"+keys+"\n"))
	require.NoError(t, err)
	n, err := b.Open(t.Context(), 0, Machine())
	require.NoError(t, err)
	t.Cleanup(func() { n.Close() })
	return n
}

const shellKeys = "driver = \"text\"\nline_end = \"CR\"\nprompt = \"k8> \"\necho = true\nunit = true\n"

// Devices of text and of bytes, by a bench file, on a real terminal and a real socket.
func TestTalkOnRealPorts(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	terminal(t, filepath.Join(dir, "text"), speaker)
	terminal(t, filepath.Join(dir, "bytes"), framer)
	for _, port := range []string{filepath.Join(dir, "text"), "tcp:" + socket(t, speaker)} {
		c := opened(t, shellKeys+"port = \""+port+"\"").Devices["it"].(drivers.Console)
		_, err := c.Ready(t.Context())
		require.NoError(t, err, port)
		for range 20 {
			a, err := c.Ask(t.Context(), "version", says("version "))
			require.NoError(t, err, port)
			assert.Equal(t, "version 2.7", string(a.Said))
		}
		a, err := c.Ask(t.Context(), "x", says("? "))
		require.NoError(t, err, port)
		assert.Equal(t, "? x", string(a.Said))
	}
	for _, port := range []string{filepath.Join(dir, "bytes"), "tcp:" + socket(t, framer)} {
		d := opened(t, "driver = \"bytes\"\nunit = true\nframe = { fixed = 2 }\nport = \""+port+"\"").
			Devices["it"].(drivers.ByteDevice)
		_, err := d.Ready(t.Context())
		require.NoError(t, err, port)
		for i := range byte(20) {
			a, err := d.Ask(t.Context(), []byte{7, i}, drivers.Awaited{Within: within,
				Fits: func(b []byte) (bool, error) { return b[0] == 7, nil }})
			require.NoError(t, err, port)
			assert.Equal(t, []byte{7, i + 1}, a.Said)
		}
	}
}

// The unit's own console is there only while the unit has power: the bench is opened
// without it, it is found when it is used, and again after each power cycle; while it is
// away, that is what the error says, and it is a result where silence is one.
func TestPortOpenedWhenUsed(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "console")
	n := opened(t, shellKeys+"open = \"when used\"\nport = \""+path+"\"")
	c := n.Devices["it"].(drivers.Console)
	_, err := c.Ready(t.Context())
	require.NoError(t, err, "a run begins without power")
	require.NoError(t, c.Safe(t.Context()))

	short := drivers.Awaited{As: "boot", Within: 200 * time.Millisecond, Fits: says("boot").Fits}
	_, err = c.Expect(t.Context(), short)
	assert.Equal(t, drivers.Gone, drivers.KindOf(err))
	assert.ErrorContains(t, err, "it is not there")
	var e *drivers.Error
	require.ErrorAs(t, err, &e)
	assert.Contains(t, e.Hint, "only while the unit has power")
	short.Silence = true
	a, err := c.Expect(t.Context(), short)
	require.NoError(t, err, "a unit that does not start is silent")
	assert.Empty(t, a.Said)

	for cycle := range 3 {
		unplug := terminal(t, path, func(rw io.ReadWriter) {
			io.WriteString(rw, "boot 1\r\n")
			speaker(rw)
		})
		if cycle == 1 { // what it says first is heard, without asking
			_, err := c.Expect(t.Context(), says("boot "))
			require.NoError(t, err)
		}
		for range 3 {
			a, err := c.Ask(t.Context(), "version", says("version "))
			require.NoError(t, err, "cycle %d", cycle)
			assert.Equal(t, "version 2.7", string(a.Said))
		}
		unplug()
		_, err := c.Ready(t.Context())
		require.NoError(t, err, "off again")
	}

	// It comes while it is waited for.
	came := make(chan error, 1)
	go func() {
		_, err := c.Expect(context.WithoutCancel(t.Context()), says("boot "))
		came <- err
	}()
	terminal(t, path, func(rw io.ReadWriter) {
		io.WriteString(rw, "boot 2\r\n")
		speaker(rw)
	})
	require.NoError(t, <-came)
}

// Only the unit's own port can be away.
func TestWhenUsedIsOfTheUnit(t *testing.T) {
	for keys, want := range map[string]string{
		shellKeys + `open = "sometimes"`:                                "none of when used",
		"driver = \"text\"\nopen = \"when used\"\ndrives = \"nothing\"": "only the port of the unit itself",
		shellKeys + "open = \"when used\"\nsafe = [\"off\"]":            "only the port of the unit itself",
		"driver = \"receiver\"\nopen = \"when used\"":                   "takes no open",
	} {
		_, err := Parse("bench.toml", []byte("station = \"LQ-1\"\nproduct = \"buoy\"\n[[nest]]\nname = \"A\"\n"+
			"interlock = \"none\"\n[nest.device.it]\nport = \"/dev/ttyACM0\"\n"+keys+"\n"))
		assert.ErrorContains(t, err, want, keys)
	}
}
