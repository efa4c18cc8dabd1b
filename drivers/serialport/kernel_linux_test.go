//go:build kernel

package serialport

import (
	"context"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// These tests need a kernel with dummy_hcd and g_serial, a USB device and its
// host in one, and run in the emulated computer of .ci/kernel. The device's end
// of the port is /dev/ttyGS0; it is unplugged by its hub.

var gadget = USB{Vendor: "cafe", Product: "4011", Serial: "LQ0001"}

func plugUSB(t *testing.T, in bool) {
	t.Helper()
	disable := "1"
	if in {
		disable = "0"
	}
	if err := os.WriteFile("/sys/bus/usb/devices/1-0:1.0/usb1-port1/disable", []byte(disable), 0o200); err != nil {
		t.Fatal(err)
	}
}

// there waits until the adapter is listed, or no longer is.
func there(t *testing.T, want bool) Info {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		list, err := List()
		if err != nil {
			t.Fatal(err)
		}
		found := false
		for _, i := range list {
			if gadget.matches(i.USB) {
				if found = true; want {
					return i
				}
			}
		}
		if !found && !want {
			return Info{}
		}
	}
	t.Fatalf("the adapter is still listed or not: want %v", want)
	return Info{}
}

func device(t *testing.T) *os.File {
	t.Helper()
	f, err := os.OpenFile("/dev/ttyGS0", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	raw := unix.Termios{Cflag: unix.CS8 | unix.CREAD | unix.CLOCAL}
	raw.Cc[unix.VMIN] = 1
	conn, err := f.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var e error
	if err := conn.Control(func(fd uintptr) { e = unix.IoctlSetTermios(int(fd), unix.TCSETS, &raw) }); err != nil || e != nil {
		t.Fatal(err, e)
	}
	return f
}

// talk sends a line each way.
func talk(t *testing.T, p *Port, d *os.File) {
	t.Helper()
	if err := p.Write(t.Context(), []byte("*IDN?\n")); err != nil {
		t.Fatal(err)
	}
	_ = d.SetReadDeadline(time.Now().Add(10 * time.Second))
	got := ""
	for b := make([]byte, 64); !strings.HasSuffix(got, "\n"); {
		n, err := d.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		got += string(b[:n])
	}
	if got != "*IDN?\n" {
		t.Errorf("the device got %q", got)
	}
	if _, err := d.WriteString("Gadget\n"); err != nil {
		t.Fatal(err)
	}
	got = ""
	for b := make([]byte, 64); !strings.HasSuffix(got, "\n"); {
		n, err := p.Read(t.Context(), b, 10*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		got += string(b[:n])
	}
	if got != "Gadget\n" {
		t.Errorf("the port got %q", got)
	}
}

func TestKernelUSB(t *testing.T) {
	info := there(t, true)
	if info.USB != gadget || !strings.HasPrefix(info.Path, "/dev/ttyACM") || info.About != "Invented Gadget" {
		t.Errorf("listed as %+v", info)
	}
	d := device(t)
	p, err := Open(Address{USB: gadget}, Options{Baud: 420000})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if want := "usb cafe:4011 LQ0001 at " + info.Path; p.String() != want {
		t.Errorf("called %q, want %q", p, want)
	}
	talk(t, p, d)
	if _, err := p.Read(t.Context(), make([]byte, 8), 30*time.Millisecond); drivers.KindOf(err) != drivers.NoReply {
		t.Errorf("silent: %v", err)
	}
	if _, err := Open(Address{Path: info.Path}, Options{}); drivers.KindOf(err) != drivers.Busy {
		t.Errorf("opened twice: %v", err)
	}
	ctx, cancel := context.WithCancelCause(t.Context())
	why := errors.New("operator stopped")
	time.AfterFunc(50*time.Millisecond, func() { cancel(why) })
	if _, err := p.Read(ctx, make([]byte, 8), time.Minute); !errors.Is(err, why) {
		t.Errorf("cancelled: %v", err)
	}

	for _, auto := range []bool{false, true} {
		p.opts.Reopen = auto
		time.AfterFunc(100*time.Millisecond, func() { plugUSB(t, false) })
		start := time.Now()
		_, err = p.Read(t.Context(), make([]byte, 8), time.Minute)
		t.Logf("unplugged while reading: %v after %v", err, time.Since(start))
		if drivers.KindOf(err) != drivers.Gone || time.Since(start) > 5*time.Second {
			t.Errorf("unplugged while reading: %v (kind %q)", err, drivers.KindOf(err))
		}
		there(t, false)
		if err := p.Write(t.Context(), []byte("x")); drivers.KindOf(err) != drivers.Gone {
			t.Errorf("write while unplugged: %v", err)
		}
		if err := p.Reopen(); drivers.KindOf(err) != drivers.Gone {
			t.Errorf("open while unplugged: %v", err)
		}
		plugUSB(t, true)
		again := there(t, true)
		t.Logf("plugged in again at %s", again.Path)
		if !auto {
			if err := p.Reopen(); err != nil {
				t.Fatal(err)
			}
		}
		_ = d.Close()
		d = device(t)
		talk(t, p, d)
	}

	// Unplugged between two conversations, and while a long text goes out.
	plugUSB(t, false)
	there(t, false)
	p.opts.Reopen = false
	if err := p.Write(t.Context(), []byte("x")); drivers.KindOf(err) != drivers.Gone {
		t.Errorf("write after unplugging: %v (kind %q)", err, drivers.KindOf(err))
	}
	plugUSB(t, true)
	there(t, true)
	if err := p.Reopen(); err != nil {
		t.Fatal(err)
	}
	_ = d.Close()
	time.AfterFunc(100*time.Millisecond, func() { plugUSB(t, false) })
	start := time.Now()
	for err = nil; err == nil && time.Since(start) < 10*time.Second; {
		err = p.Write(t.Context(), make([]byte, 4096))
	}
	t.Logf("unplugged while writing: %v after %v", err, time.Since(start))
	if drivers.KindOf(err) != drivers.Gone {
		t.Errorf("unplugged while writing: %v (kind %q)", err, drivers.KindOf(err))
	}
	plugUSB(t, true)
}
