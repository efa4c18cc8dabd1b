package gpio

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"

	"fullthrow/drivers"
)

// Flags of a line, linux/gpio.h, enum gpio_v2_line_flag.
const (
	flagUsed        = 1 << 0
	flagInput       = 1 << 2
	flagOutput      = 1 << 3
	flagEdgeRising  = 1 << 4
	flagEdgeFalling = 1 << 5
)

// chip is a /dev/gpiochipN.
type chip struct {
	file  *os.File
	label string
	count int
}

// List returns the chips of this machine and their lines.
func List() ([]ChipInfo, error) {
	paths, err := filepath.Glob("/dev/gpiochip*")
	if err != nil {
		return nil, err
	}
	slices.Sort(paths)
	var list []ChipInfo
	var errs []error
	for _, p := range paths {
		c, err := openPath(p)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		lines, err := c.Lines()
		_ = c.Close()
		if err != nil {
			errs = append(errs, err)
			continue
		}
		list = append(list, ChipInfo{p, c.label, lines})
	}
	return list, errors.Join(errs...)
}

// openChip opens a chip by path, name or label.
func openChip(name string) (Chip, error) {
	if strings.HasPrefix(name, "/") {
		return openPath(name)
	}
	c, err := openPath("/dev/" + name)
	if err == nil || !errors.Is(err, os.ErrNotExist) || strings.ContainsRune(name, '/') {
		return c, err
	}
	list, _ := List()
	var found, there []string
	for _, i := range list {
		there = append(there, fmt.Sprintf("%s (%s)", strings.TrimPrefix(i.Path, "/dev/"), i.Label))
		if i.Label == name {
			found = append(found, i.Path)
		}
	}
	if len(found) == 1 {
		return openPath(found[0])
	}
	hint := "This computer has no GPIO chips."
	if len(there) > 0 {
		hint = "There are: " + strings.Join(there, ", ") + "."
	}
	return nil, drivers.Errorf(name, "open", drivers.Gone, "%d GPIO chips have this name or label",
		len(found)).WithHint(hint)
}

func openPath(path string) (*chip, error) {
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		if errors.Is(err, os.ErrPermission) {
			return nil, drivers.Errorf(path, "open", drivers.Fault, "%w", err).
				WithHint("The account may not use GPIO: add it to the group that owns " + path + " and log in again.")
		}
		return nil, err
	}
	var info unix.GPIOChipInfo
	if err := ioctl(f, unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Pointer(&info)); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("%s is no GPIO chip: %w", path, err)
	}
	return &chip{file: f, label: text(info.Label[:]), count: int(info.Lines)}, nil
}

func text(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	return string(b)
}

// ioctl calls the kernel on a file that may be closed meanwhile.
func ioctl(f *os.File, request uintptr, arg unsafe.Pointer) error {
	conn, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var errno unix.Errno
	err = conn.Control(func(fd uintptr) {
		for {
			_, _, errno = unix.Syscall(unix.SYS_IOCTL, fd, request, uintptr(arg))
			if errno != unix.EINTR {
				return
			}
		}
	})
	switch {
	case err != nil:
		return err
	case errno == unix.EBUSY:
		return errLineBusy
	case errno == unix.ENODEV:
		return errChipGone
	case errno != 0:
		return errno
	}
	return nil
}

func (c *chip) String() string { return c.file.Name() + " (" + c.label + ")" }
func (c *chip) Close() error   { return c.file.Close() }

func (c *chip) Lines() ([]LineInfo, error) {
	list := make([]LineInfo, c.count)
	for i := range list {
		var err error
		if list[i], err = c.lineInfo(i); err != nil {
			return nil, fmt.Errorf("%s: line %d: %w", c.file.Name(), i, err)
		}
	}
	return list, nil
}

func (c *chip) lineInfo(n int) (LineInfo, error) {
	info := unix.GPIOV2LineInfo{Offset: uint32(n)}
	if err := ioctl(c.file, unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&info)); err != nil {
		return LineInfo{}, err
	}
	return LineInfo{n, text(info.Name[:]), text(info.Consumer[:]), info.Flags&flagUsed != 0}, nil
}

// requestError is err of a request for line n, with who holds the line.
func (c *chip) requestError(n int, err error) error {
	if errors.Is(err, errLineBusy) {
		if info, e := c.lineInfo(n); e == nil && info.Consumer != "" {
			return fmt.Errorf("%w by %s", errLineBusy, info.Consumer)
		}
	}
	return fmt.Errorf("line %d: %w", n, err)
}

func (c *chip) Output(n int, consumer string, first gpio.Level) (Line, error) {
	return c.request(outputRequest(n, consumer, first))
}

func (c *chip) Input(n int, consumer string, edges bool) (Line, error) {
	return c.request(inputRequest(n, consumer, edges))
}

// outputRequest carries the first level with it.
func outputRequest(n int, consumer string, first gpio.Level) *unix.GPIOV2LineRequest {
	r := newRequest(n, consumer, flagOutput)
	r.Config.Num_attrs = 1
	r.Config.Attrs[0].Mask = 1
	r.Config.Attrs[0].Attr.Id = unix.GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES
	if first {
		r.Config.Attrs[0].Attr.Flags = 1 // a union in C: here the values
	}
	return r
}

func inputRequest(n int, consumer string, edges bool) *unix.GPIOV2LineRequest {
	r := newRequest(n, consumer, flagInput)
	if edges {
		r.Config.Flags |= flagEdgeRising | flagEdgeFalling
		r.Event_buffer_size = edgeQueue
	}
	return r
}

func newRequest(n int, consumer string, flags uint64) *unix.GPIOV2LineRequest {
	r := &unix.GPIOV2LineRequest{Num_lines: 1}
	r.Offsets[0] = uint32(n)
	copy(r.Consumer[:len(r.Consumer)-1], consumer)
	r.Config.Flags = flags
	return r
}

func (c *chip) request(r *unix.GPIOV2LineRequest) (Line, error) {
	if err := ioctl(c.file, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(r)); err != nil {
		return nil, c.requestError(int(r.Offsets[0]), err)
	}
	// Not blocking, so that reads know deadlines.
	if err := unix.SetNonblock(int(r.Fd), true); err != nil {
		_ = unix.Close(int(r.Fd))
		return nil, err
	}
	return &handle{file: os.NewFile(uintptr(r.Fd), fmt.Sprintf("gpio line %d", r.Offsets[0]))}, nil
}

// handle is a line the kernel has given us. One caller at a time waits for
// edges.
type handle struct {
	file *os.File
	last uint32 // number of the last event read
}

func (h *handle) Level() (gpio.Level, error) {
	v := unix.GPIOV2LineValues{Mask: 1}
	if err := ioctl(h.file, unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		return gpio.Low, err
	}
	return v.Bits&1 != 0, nil
}

func (h *handle) Out(l gpio.Level) error {
	v := unix.GPIOV2LineValues{Mask: 1}
	if l {
		v.Bits = 1
	}
	return ioctl(h.file, unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Pointer(&v))
}

func (h *handle) Halt() error { return h.file.Close() }
