package serialport

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// plug makes a pseudo-terminal: its path, and the device's end of it, whose
// Close is the pull of the plug.
func plug(t *testing.T) (path string, device *os.File) {
	t.Helper()
	device, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	path = tty.Name()
	t.Cleanup(func() { _ = device.Close(); _ = tty.Close() })
	return path, device
}

func openPTY(t *testing.T, opts Options) (*Port, *os.File) {
	t.Helper()
	path, device := plug(t)
	opts.LockDir = t.TempDir()
	p, err := Open(Address{Path: path}, opts)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.Close() })
	return p, device
}

func TestPortPromises(t *testing.T) {
	drivertest.TestPort(t, func(t *testing.T) (drivers.Port, io.ReadWriteCloser) {
		return openPTY(t, Options{writeTime: drivertest.Patience})
	})
}

func TestStuck(t *testing.T) {
	drivertest.TestStuck(t, func(t *testing.T) (drivers.Port, io.ReadWriteCloser) {
		return openPTY(t, Options{})
	})
}

func TestWriteWorksAgainAfterStuck(t *testing.T) {
	p, device := openPTY(t, Options{})
	err := p.Write(t.Context(), make([]byte, 1<<20))
	if drivers.KindOf(err) != drivers.NoReply || !strings.Contains(err.Error(), "no more taken in 1s") {
		t.Fatalf("got %v", err)
	}
	go func() { _, _ = io.Copy(io.Discard, device) }()
	for err != nil { // for ever: the device reads again, but Write does not see it
		if err = p.Write(t.Context(), []byte("x")); err != nil && drivers.KindOf(err) != drivers.NoReply {
			t.Fatalf("the device reads again, but Write says %v", err)
		}
	}
}

// The rates and formats of the receivers' wires (SBUS 100000 8E2, CRSF 420000)
// must be accepted and set. A pseudo-terminal keeps the rate; its driver
// forces 8 bits without parity, so the format is only accepted here.
func TestLineSettings(t *testing.T) {
	for _, c := range []struct {
		opts  Options
		speed uint32
	}{
		{Options{}, 115200},
		{Options{Baud: 9600, DataBits: 7, Parity: Odd, StopBits: 1}, 9600},
		{Options{Baud: 100000, DataBits: 8, Parity: Even, StopBits: 2}, 100000},
		{Options{Baud: 420000}, 420000},
	} {
		t.Run(fmt.Sprintf("%d baud", c.speed), func(t *testing.T) {
			p, device := openPTY(t, c.opts)
			tio, err := unix.IoctlGetTermios(int(device.Fd()), unix.TCGETS2)
			if err != nil {
				t.Fatal(err)
			}
			if tio.Ospeed != c.speed {
				t.Errorf("rate is %d, want %d", tio.Ospeed, c.speed)
			}
			if err := p.Write(t.Context(), []byte("x")); err != nil {
				t.Error(err)
			}
		})
	}
	for _, bad := range []Options{{Baud: -1}, {DataBits: 9}, {Parity: "strange"}, {StopBits: 3}} {
		if _, err := Open(Address{Path: "/nowhere"}, bad); drivers.KindOf(err) != drivers.OutOfRange {
			t.Errorf("%+v: got %v, want out of range", bad, err)
		}
	}
}

func TestOpenErrors(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(Address{Path: filepath.Join(dir, "ttyNONE")}, Options{LockDir: dir})
	var e *drivers.Error
	if !errors.As(err, &e) || e.Kind != drivers.Gone || e.Hint == "" {
		t.Errorf("no such file: %v (kind %q)", err, drivers.KindOf(err))
	}
	if _, err = Open(Address{Path: file}, Options{LockDir: dir}); drivers.KindOf(err) != drivers.Fault {
		t.Errorf("a plain file: %v (kind %q)", err, drivers.KindOf(err))
	}
}

func TestLock(t *testing.T) {
	path, _ := plug(t)
	dir := t.TempDir()
	p, err := Open(Address{Path: path}, Options{LockDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "by-id")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	_, err = Open(Address{Path: link}, Options{LockDir: dir})
	if drivers.KindOf(err) != drivers.Busy || !strings.Contains(err.Error(), fmt.Sprintf("held by process %d", os.Getpid())) {
		t.Errorf("second open by another name: %v", err)
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	p, err = Open(Address{Path: link}, Options{LockDir: dir})
	if err != nil {
		t.Fatalf("after the first has closed: %v", err)
	}
	_ = p.Close()
}

// fakePorts is a machine whose one USB adapter can be pulled and plugged.
type fakePorts []Info

func (f *fakePorts) list() ([]Info, error) { return *f, nil }

func TestReopenByIdentity(t *testing.T) {
	board := USB{Vendor: "cafe", Product: "4011", Serial: "LQ1"}
	for _, auto := range []bool{false, true} {
		t.Run(fmt.Sprintf("by itself %v", auto), func(t *testing.T) {
			path, device := plug(t)
			ports := &fakePorts{{Path: path, USB: board}}
			p, err := open(Address{USB: board}, Options{LockDir: t.TempDir(), Reopen: auto}, ports.list)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = p.Close() })
			if want := "usb cafe:4011 LQ1 at " + path; p.String() != want {
				t.Errorf("String is %q, want %q", p, want)
			}
			_ = device.Close()
			*ports = nil
			gone := func(what string, err error) {
				t.Helper()
				if drivers.KindOf(err) != drivers.Gone {
					t.Errorf("%s: got %v (kind %q), want gone", what, err, drivers.KindOf(err))
				}
			}
			_, err = p.Read(t.Context(), make([]byte, 1), drivertest.Patience)
			gone("unplugged", err)
			gone("write while unplugged", p.Write(t.Context(), []byte("A")))

			path2, device2 := plug(t)
			*ports = fakePorts{{Path: path2, USB: board}}
			_, err = p.Read(t.Context(), make([]byte, 1), drivertest.Patience)
			gone("a read never opens again", err)
			if !auto {
				gone("write without Reopen", p.Write(t.Context(), []byte("A")))
				if err := p.Reopen(); err != nil {
					t.Fatal(err)
				}
			}
			if err := p.Write(t.Context(), []byte("A")); err != nil {
				t.Fatalf("after plugging in again: %v", err)
			}
			b := make([]byte, 1)
			if _, err := io.ReadFull(device2, b); err != nil || b[0] != 'A' {
				t.Errorf("the device got %q, %v", b, err)
			}
			if !strings.HasSuffix(p.String(), path2) {
				t.Errorf("String is %q, want the new path %s", p, path2)
			}
		})
	}
}

func TestResolve(t *testing.T) {
	ports := fakePorts{
		{Path: "/dev/ttyS0"},
		{Path: "/dev/ttyUSB0", USB: USB{"cafe", "4011", "LQ1"}, About: "Invented Board"},
		{Path: "/dev/ttyUSB1", USB: USB{"cafe", "4011", "LQ2"}},
		{Path: "/dev/ttyACM0", USB: USB{"beef", "0001", ""}},
	}
	for _, c := range []struct {
		name string
		at   Address
		want string // path
		kind drivers.Kind
		hint string
	}{
		{"path", Address{Path: "/dev/ttyX"}, "/dev/ttyX", "", ""},
		{"serial number", Address{USB: USB{Serial: "LQ2"}}, "/dev/ttyUSB1", "", ""},
		{"upper case", Address{USB: USB{Vendor: "BEEF"}}, "/dev/ttyACM0", "", ""},
		{"several", Address{USB: USB{Vendor: "cafe", Product: "4011"}}, "", drivers.Fault, "/dev/ttyUSB0 (usb cafe:4011 LQ1) Invented Board; /dev/ttyUSB1 (usb cafe:4011 LQ2)"},
		{"none", Address{USB: USB{Vendor: "1234"}}, "", drivers.Gone, "There are: /dev/ttyUSB0"},
		{"nothing asked", Address{}, "", drivers.OutOfRange, ""},
		{"both", Address{Path: "/dev/ttyX", USB: USB{Vendor: "cafe"}}, "", drivers.OutOfRange, "Keep one"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := c.at.resolve(ports.list)
			if got != c.want || drivers.KindOf(err) != c.kind {
				t.Errorf("got %q, %v (kind %q); want %q, kind %q", got, err, drivers.KindOf(err), c.want, c.kind)
			}
			var e *drivers.Error
			if errors.As(err, &e) && !strings.Contains(e.Hint, c.hint) {
				t.Errorf("hint %q lacks %q", e.Hint, c.hint)
			}
		})
	}
}

// The tree below is /sys as Linux lays it out: an adapter of the usb-serial
// kind, a CDC-ACM one, a real and a placeholder built-in port, a console.
func TestListReadsSys(t *testing.T) {
	root := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		p := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	link := func(name, to string) {
		t.Helper()
		p := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.MkdirAll(filepath.Join(root, to), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(filepath.Join(root, to), p); err != nil {
			t.Fatal(err)
		}
	}
	write("devices/usb1/1-1/idVendor", "CAFE")
	write("devices/usb1/1-1/idProduct", "4011")
	write("devices/usb1/1-1/serial", "LQ1")
	write("devices/usb1/1-1/manufacturer", "Invented")
	write("devices/usb1/1-1/product", "Board")
	link("class/tty/ttyUSB0/device", "devices/usb1/1-1/1-1:1.0/ttyUSB0")
	write("devices/usb1/1-2/idVendor", "beef")
	write("devices/usb1/1-2/idProduct", "0001")
	link("class/tty/ttyACM0/device", "devices/usb1/1-2/1-2:1.0")
	link("class/tty/ttyS0/device", "devices/pnp0/00:01")
	write("class/tty/ttyS0/type", "4")
	link("class/tty/ttyS1/device", "devices/platform/serial8250")
	write("class/tty/ttyS1/type", "0")
	write("class/tty/console/dev", "5:1")

	got, err := listUnder(filepath.Join(root, "class/tty"))
	if err != nil {
		t.Fatal(err)
	}
	want := "[/dev/ttyACM0 (usb beef:0001) /dev/ttyS0 /dev/ttyUSB0 (usb cafe:4011 LQ1) Invented Board]"
	if fmt.Sprint(got) != want {
		t.Errorf("got  %v\nwant %s", got, want)
	}
	if got, err := listUnder(filepath.Join(root, "nothing")); err != nil || got != nil {
		t.Errorf("a machine without any: %v, %v", got, err)
	}
}
