package sound

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// From sound/asound.h, protocol 2.0.15.
const (
	ioctlInfo     = 0x81204101 // SNDRV_PCM_IOCTL_INFO
	ioctlPrepare  = 0x4140
	ioctlStart    = 0x4142
	ioctlDrop     = 0x4143
	ioctlHWParams = 0xC0004111 // SNDRV_PCM_IOCTL_HW_PARAMS, without the size of its argument

	accessInterleaved = 3
	paramAccess       = 0 // masks
	paramFormat       = 1
	firstInterval     = 8
	paramChannels     = 10
	paramRate         = 11
	paramPeriodTime   = 12 // us
)

// period is how often the hardware wakes us, if it can.
const period = 10 * time.Millisecond

// hwParams is struct snd_pcm_hw_params.
type hwParams struct {
	Flags     uint32
	Masks     [3][8]uint32
	_         [5][8]uint32
	Intervals [12]interval
	_         [9]interval
	Rmask     uint32
	Cmask     uint32
	Info      uint32
	Msbits    uint32
	RateNum   uint32
	RateDen   uint32
	FIFOSize  uintptr
	_         [64]byte
}

type interval struct {
	Min, Max uint32
	Flags    uint32 // bit 2: integers only
}

// pcmInfo is struct snd_pcm_info.
type pcmInfo struct {
	Device, Subdevice uint32
	Stream, Card      int32
	ID                [64]byte
	Name              [80]byte
	_                 [32 + 16 + 16 + 64]byte
}

// alsa is a /dev/snd/pcmC*D*c.
type alsa struct {
	path     string
	file     *os.File
	rate     uint32
	channels int
	width    width
	buf      []byte
}

var _ Source = (*alsa)(nil)

// List returns the sound inputs of this machine.
func List() ([]Info, error) { return list(os.DirFS("/proc")) }

// Open opens a sound input: "hw:1,0", "hw:CARD,0" by the card's short name, or
// a path of /dev/snd.
func Open(name, device string, clock drivers.Clock, opts Options) (*Recorder, error) {
	a, err := openALSA(device, opts)
	if err != nil {
		return nil, drivers.Wrap(name, "open", err)
	}
	return New(name, a, clock, opts.Calibration), nil
}

// devicePath turns "hw:1,0" into a path.
func devicePath(device string, proc fs.FS) (string, error) {
	if strings.HasPrefix(device, "/") {
		return device, nil
	}
	rest, isHW := strings.CutPrefix(device, "hw:")
	card, number, _ := strings.Cut(rest, ",")
	if number == "" {
		number = "0"
	}
	if _, err := strconv.ParseUint(number, 10, 16); !isHW || err != nil || card == "" {
		return "", drivers.Errorf(device, "open", drivers.OutOfRange, "%q is no sound input: want hw:1,0 or "+
			"hw:CARD,0 or a path", device)
	}
	if _, err := strconv.ParseUint(card, 10, 16); err != nil {
		infos, err := list(proc)
		if err != nil {
			return "", drivers.Errorf(device, "open", drivers.Fault, "%w", err)
		}
		var there []string
		found := ""
		for _, i := range infos {
			there = append(there, fmt.Sprintf("%s (%s)", i.Name, i.Card))
			if i.Card == card {
				found, _, _ = strings.Cut(strings.TrimPrefix(i.Name, "hw:"), ",")
			}
		}
		if found == "" {
			hint := "This computer has no sound inputs."
			if there != nil {
				hint = "There are: " + strings.Join(there, ", ") + "."
			}
			return "", drivers.Errorf(device, "open", drivers.Gone, "no sound card named %q", card).WithHint(hint)
		}
		card = found
	}
	return "/dev/snd/pcmC" + card + "D" + number + "c", nil
}

func openALSA(device string, opts Options) (*alsa, error) {
	fail := func(kind drivers.Kind, format string, args ...any) (*alsa, error) {
		return nil, drivers.Errorf(device, "open", kind, format, args...)
	}
	rate := opts.Rate
	if rate == 0 {
		rate = 48000
	}
	if !(rate >= 1000 && rate <= 768000) || rate != float64(uint32(rate)) {
		return fail(drivers.OutOfRange, "%v samples/s: want a whole number from 1000 to 768000", rate)
	}
	if opts.Channels < 0 || opts.Channels > 64 {
		return fail(drivers.OutOfRange, "%d channels: want 1..64", opts.Channels)
	}
	path, err := devicePath(device, os.DirFS("/proc"))
	if err != nil {
		return nil, err
	}
	// Not blocking: opening does not wait for another holder, and reads know
	// deadlines.
	f, err := os.OpenFile(path, os.O_RDONLY|unix.O_NONBLOCK, 0)
	switch {
	case errors.Is(err, unix.EBUSY) || errors.Is(err, unix.EAGAIN):
		return nil, drivers.Errorf(device, "open", drivers.Busy, "%w", err).
			WithHint("Another program records from this input; desktop sound servers do.")
	case errors.Is(err, os.ErrPermission):
		return nil, drivers.Errorf(device, "open", drivers.Fault, "%w", err).
			WithHint("The account may not record: add it to the group audio and log in again.")
	case errors.Is(err, os.ErrNotExist) || errors.Is(err, unix.ENODEV) || errors.Is(err, unix.ENXIO):
		return fail(drivers.Gone, "%w", err)
	case err != nil:
		return fail(drivers.Fault, "%w", err)
	}
	a := &alsa{path: path, file: f, rate: uint32(rate)}
	if err := a.setup(opts.Channels); err != nil {
		_ = f.Close()
		return nil, err
	}
	return a, nil
}

// setup finds the widest format the hardware has at that rate, with periods of
// 10 ms if it can.
func (a *alsa) setup(channels int) error {
	tries := []int{channels}
	if channels == 0 {
		tries = []int{1, 2}
	}
	var last error
	for _, c := range tries {
		for _, w := range widths {
			for _, p := range []time.Duration{period, 0} {
				params := newHWParams(a.rate, c, w, p)
				last = a.ioctl(ioctlHWParams|unsafe.Sizeof(*params)<<16, unsafe.Pointer(params))
				if last == nil {
					a.channels, a.width = c, w
					a.buf = make([]byte, int(a.rate)/10*c*w.bytes)
					return nil
				}
				if !errors.Is(last, unix.EINVAL) {
					return a.fail("set up", last)
				}
			}
		}
	}
	return drivers.Errorf(a.path, "set up", drivers.OutOfRange, "the input cannot do %d samples/s in %v channels "+
		"with 16, 24 or 32 bits: %w", a.rate, tries, last).
		WithHint("48000 and 44100 are usual; the file stream0 or hw_params of the card in /proc/asound says more.")
}

// newHWParams leaves everything open but what is asked. period 0: any.
func newHWParams(rate uint32, channels int, w width, period time.Duration) *hwParams {
	p := &hwParams{Rmask: ^uint32(0), Info: ^uint32(0)}
	for m := range p.Masks {
		for i := range p.Masks[m] {
			p.Masks[m][i] = ^uint32(0)
		}
	}
	for i := range p.Intervals {
		p.Intervals[i].Max = ^uint32(0)
	}
	p.Masks[paramAccess] = [8]uint32{1 << accessInterleaved}
	p.Masks[paramFormat] = [8]uint32{}
	p.Masks[paramFormat][w.format/32] = 1 << (w.format % 32)
	p.Intervals[paramChannels-firstInterval] = interval{uint32(channels), uint32(channels), 4}
	p.Intervals[paramRate-firstInterval] = interval{rate, rate, 4}
	if period > 0 {
		p.Intervals[paramPeriodTime-firstInterval].Min = uint32(period.Microseconds())
	}
	return p
}

func (a *alsa) ioctl(request uintptr, arg unsafe.Pointer) error {
	conn, err := a.file.SyscallConn()
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
	if err == nil && errno != 0 {
		err = errno
	}
	return err
}

// why asks the kernel for the error of a read that failed: where the card goes while
// it is waited for, the wait may say no more than that it cannot be waited for. nil
// where a read fails for want of samples alone, or does not fail.
func (a *alsa) why() error {
	conn, err := a.file.SyscallConn()
	if err != nil {
		return nil // closed: known by the read's own error
	}
	var errno error
	if conn.Control(func(fd uintptr) {
		_, errno = unix.Read(int(fd), make([]byte, a.channels*a.width.bytes))
	}) != nil || errno == unix.EAGAIN || errno == unix.EINTR {
		return nil
	}
	return errno
}

// fail gives an error of the kernel its kind.
func (a *alsa) fail(op string, err error) error {
	switch {
	case errors.Is(err, unix.EPIPE):
		return drivers.LateError(a.path, op, "samples were lost (overrun)")
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.EBADFD), errors.Is(err, unix.ESTRPIPE),
		errors.Is(err, io.EOF):
		return drivers.Errorf(a.path, op, drivers.Gone, "unplugged")
	case errors.Is(err, os.ErrClosed):
		return drivers.Errorf(a.path, op, drivers.Closed, "closed")
	case errors.Is(err, os.ErrDeadlineExceeded):
		return drivers.Errorf(a.path, op, drivers.NoReply, "no samples")
	}
	return drivers.Errorf(a.path, op, drivers.Fault, "%w", err)
}

func (a *alsa) Identity() (string, error) {
	var info pcmInfo
	if err := a.ioctl(ioctlInfo, unsafe.Pointer(&info)); err != nil {
		return "", a.fail("ask identity", err)
	}
	name, _, _ := bytes.Cut(info.Name[:], []byte{0})
	return fmt.Sprintf("%s, %s", name, a.width.name), nil
}

func (a *alsa) Begin() (float64, int, error) {
	for _, request := range []uintptr{ioctlPrepare, ioctlStart} {
		if err := a.ioctl(request, nil); err != nil {
			return 0, 0, a.fail("start", err)
		}
	}
	return float64(a.rate), a.channels, nil
}

func (a *alsa) Read(ctx context.Context, max int, timeout time.Duration) ([]float64, error) {
	if err := a.file.SetReadDeadline(time.Now().Add(timeout)); err != nil {
		return nil, a.fail("read", err)
	}
	moved := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		_ = a.file.SetReadDeadline(time.Unix(1, 0))
		close(moved)
	})
	n, err := a.file.Read(a.buf[:min(len(a.buf), max*a.channels*a.width.bytes)])
	if !stop() {
		<-moved
	}
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	if err != nil {
		return nil, a.fail("read", cmp.Or(a.why(), err))
	}
	values, err := a.width.decode(a.buf[:n], a.channels)
	if err != nil {
		return nil, drivers.Errorf(a.path, "read", drivers.Garbled, "%w", err)
	}
	return values, nil
}

func (a *alsa) End() error {
	if err := a.ioctl(ioctlDrop, nil); err != nil {
		return a.fail("stop", err)
	}
	return nil
}

func (a *alsa) Close() error { return a.file.Close() }
