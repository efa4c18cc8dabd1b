package joystick

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// device is a /dev/input/eventN.
type device struct {
	file *os.File
	// epoch is the zero of the kernel's monotonic clock on ours.
	epoch time.Time
	axes  []Axis
}

// eventSize is that of struct input_event where a long has 64 bits.
const eventSize = int(unsafe.Sizeof(unix.Timeval{})) + 8

// request makes an ioctl's number: direction (1 write, 2 read), 'E', number, size.
func request(direction, number, size uintptr) uintptr {
	return direction<<30 | size<<16 | 'E'<<8 | number
}

func (d *device) ioctl(request uintptr, arg unsafe.Pointer) error {
	return d.control(func(fd uintptr) syscall.Errno {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, request, uintptr(arg))
		return errno
	})
}

// call is an ioctl whose argument is a number.
func (d *device) call(request, arg uintptr) error {
	return d.control(func(fd uintptr) syscall.Errno {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, request, arg)
		return errno
	})
}

func (d *device) control(f func(fd uintptr) syscall.Errno) error {
	conn, err := d.file.SyscallConn()
	if err != nil {
		return err
	}
	var errno syscall.Errno
	if err := conn.Control(func(fd uintptr) { errno = f(fd) }); err != nil {
		return err
	}
	if errno != 0 {
		return errno
	}
	return nil
}

// bits reads the codes of a type that a device has (EVIOCGBIT), or the buttons
// that are down (EVIOCGKEY).
func (d *device) bits(number uintptr) ([]uint16, error) {
	var b [96]byte // KEY_MAX is 0x2ff
	if err := d.ioctl(request(2, number, uintptr(len(b))), unsafe.Pointer(&b[0])); err != nil {
		return nil, err
	}
	var list []uint16
	for i := range len(b) * 8 {
		if b[i/8]&(1<<(i%8)) != 0 {
			list = append(list, uint16(i))
		}
	}
	return list, nil
}

// openDevice opens an input device and has its times told by the monotonic clock.
func openDevice(path string) (*device, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_CLOEXEC|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	d := &device{file: f}
	clock := int32(unix.CLOCK_MONOTONIC)
	if err := d.ioctl(request(1, 0xA0, 4), unsafe.Pointer(&clock)); err != nil {
		return nil, errors.Join(fmt.Errorf("%s is no input device: %w", path, err), f.Close())
	}
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	d.epoch = time.Now().Add(-time.Duration(now.Nano()))
	// Nobody else is to react to the sticks: a desktop would.
	if err := d.call(request(1, 0x90, 4), 1); err != nil {
		return nil, errors.Join(drivers.Errorf(path, "open", drivers.Busy, "another program has it: %w", err), f.Close())
	}
	return d, nil
}

// Axes asks for spans and present values.
func (d *device) Axes() ([]Axis, error) {
	absolute, err := d.bits(0x20 + evAbs)
	if err != nil {
		return nil, err
	}
	for _, code := range absolute {
		var info [6]int32 // value, minimum, maximum, fuzz, flat, resolution
		if err := d.ioctl(request(2, 0x40+uintptr(code), unsafe.Sizeof(info)), unsafe.Pointer(&info)); err != nil {
			return nil, err
		}
		d.axes = append(d.axes, Axis{evAbs, code, info[1], info[2], info[0]})
	}
	buttons, err := d.bits(0x20 + evKey)
	if err != nil {
		return nil, err
	}
	down, err := d.bits(0x18)
	if err != nil {
		return nil, err
	}
	for _, code := range buttons {
		if code < firstButton {
			continue
		}
		a := Axis{evKey, code, 0, 1, 0}
		if slices.Contains(down, code) {
			a.Value = 1
		}
		d.axes = append(d.axes, a)
	}
	return d.axes, nil
}

// Read waits for events.
func (d *device) Read(until time.Time) ([]Event, error) {
	if err := d.file.SetReadDeadline(until); err != nil {
		return nil, err
	}
	b := make([]byte, 64*eventSize)
	n, err := d.file.Read(b)
	if err != nil {
		return nil, err
	}
	var list []Event
	for ; n >= eventSize; n -= eventSize {
		at := time.Duration(int64(binary.NativeEndian.Uint64(b)))*time.Second +
			time.Duration(int64(binary.NativeEndian.Uint64(b[8:])))*time.Microsecond
		list = append(list, Event{d.epoch.Add(at), binary.NativeEndian.Uint16(b[16:]), binary.NativeEndian.Uint16(b[18:]),
			int32(binary.NativeEndian.Uint32(b[20:]))})
		b = b[eventSize:]
	}
	return list, nil
}

func (d *device) Close() error { return d.file.Close() }

// Listed is a controller of this computer.
type Listed struct {
	Path, Name, Serial string
	Vendor, Product    uint16
}

// List finds the game controllers that are plugged in: devices with at least one
// axis and a button of controllers. It opens none.
func List() ([]Listed, error) {
	paths, err := filepath.Glob("/sys/class/input/event*")
	var list []Listed
	for _, p := range paths {
		text := func(name string) string {
			b, _ := os.ReadFile(filepath.Join(p, "device", name))
			return string(bytes.TrimSpace(b))
		}
		l := Listed{Path: "/dev/input/" + filepath.Base(p), Name: text("name"), Serial: text("uniq")}
		_, err1 := fmt.Sscanf(text("id/vendor"), "%x", &l.Vendor)
		_, err2 := fmt.Sscanf(text("id/product"), "%x", &l.Product)
		var axes uint64
		_, err3 := fmt.Sscanf(text("capabilities/abs"), "%x", &axes)
		if err1 == nil && err2 == nil && err3 == nil && axes&3 != 0 && text("capabilities/key") != "0" {
			list = append(list, l)
		}
	}
	return list, err
}

// find opens the controller of an identity; nil where it is not plugged in.
func find(id Identity) (Source, error) {
	path := id.Path
	if path == "" {
		list, err := List()
		if err != nil {
			return nil, err
		}
		list = slices.DeleteFunc(list, func(l Listed) bool {
			return l.Vendor != id.Vendor || l.Product != id.Product || id.Serial != "" && l.Serial != id.Serial
		})
		if len(list) > 1 {
			return nil, drivers.Errorf("controller", "find", drivers.Fault, "%d controllers of %04x:%04x are plugged in",
				len(list), id.Vendor, id.Product).WithHint("Unplug the others, or name one by its serial number.")
		}
		if len(list) == 0 {
			return nil, nil
		}
		path = list[0].Path
	}
	d, err := openDevice(path)
	if errors.Is(err, os.ErrNotExist) || errors.Is(err, syscall.ENODEV) {
		return nil, nil
	}
	if err != nil {
		return nil, told(err)
	}
	return d, nil
}
