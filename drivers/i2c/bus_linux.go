package i2c

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"fullthrow/drivers"
)

// adapter is /dev/i2c-N. Parts of one process share it; another process is held
// off by a lock.
type adapter struct {
	path string
	file *os.File
	can  uint64 // functions, linux/i2c.h
	mu   sync.Mutex
	uses int
}

var (
	adaptersMu sync.Mutex
	adapters   = map[string]*adapter{}
)

// bus is one part's hold on an adapter.
type bus struct {
	*adapter
	once sync.Once
}

var _ i2c.BusCloser = (*bus)(nil)

// Of linux/i2c-dev.h and linux/i2c.h.
const (
	i2cSlaveForce = 0x0706 // address of the SMBus transactions to follow
	i2cFuncs      = 0x0705
	i2cRdwr       = 0x0707
	i2cSMBus      = 0x0720

	funcI2C = 1 << 0
	flagRd  = 1

	smbusWrite, smbusRead = 0, 1
	smbusByte             = 1
	smbusByteData         = 2
	smbusWordData         = 3
	smbusI2CBlock         = 8
	blockMax              = 32
)

// message is struct i2c_msg.
type message struct {
	addr, flags, length uint16
	_                   uint16
	buf                 *byte
}

// messages is struct i2c_rdwr_ioctl_data.
type messages struct {
	list  *message
	count uint32
}

// smbusData is union i2c_smbus_data behind struct i2c_smbus_ioctl_data.
type smbusData [blockMax + 2]byte

type smbusCall struct {
	direction uint8
	command   uint8
	size      uint32
	data      *smbusData
}

// OpenBus opens an I2C bus of this computer by number or path ("1",
// "/dev/i2c-1"). What is opened again in this process is shared; another process
// is told Busy.
func OpenBus(name string) (i2c.BusCloser, error) {
	path := name
	if !strings.HasPrefix(path, "/") {
		path = "/dev/i2c-" + name
	}
	adaptersMu.Lock()
	defer adaptersMu.Unlock()
	if a := adapters[path]; a != nil {
		a.uses++
		return &bus{adapter: a}, nil
	}
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		e := drivers.Errorf(path, "open", drivers.Gone, "%w", err)
		switch {
		case errors.Is(err, os.ErrPermission):
			e.Kind, e.Hint = drivers.Fault, "The account may not use the bus: add it to the group that owns "+path+
				" and log in again."
		case errors.Is(err, os.ErrNotExist):
			e.Hint = "Is the bus switched on, and the kernel's module i2c-dev loaded?"
		}
		return nil, e
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, drivers.Errorf(path, "open", drivers.Busy, "held by another process").
			WithHint("Another runner uses this bus: end it, or give this bench another bus.")
	}
	a := &adapter{path: path, file: f, uses: 1}
	if err := a.ioctl(i2cFuncs, unsafe.Pointer(&a.can)); err != nil {
		_ = f.Close()
		return nil, drivers.Errorf(path, "open", drivers.Fault, "this is no I2C bus: %w", err)
	}
	adapters[path] = a
	return &bus{adapter: a}, nil
}

func (a *adapter) String() string { return a.path }

// Close gives the hold back, and the adapter with the last.
func (b *bus) Close() (err error) {
	b.once.Do(func() {
		adaptersMu.Lock()
		defer adaptersMu.Unlock()
		if b.uses--; b.uses == 0 {
			delete(adapters, b.path)
			err = b.file.Close()
		}
	})
	return err
}

// SetSpeed is what the kernel's device tree does, not a program.
func (a *adapter) SetSpeed(physic.Frequency) error {
	return fmt.Errorf("%s: the speed is set in the system's configuration", a.path)
}

func (a *adapter) ioctl(request uintptr, arg unsafe.Pointer) error {
	return a.control(func(fd uintptr) syscall.Errno {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, request, uintptr(arg))
		return errno
	})
}

func (a *adapter) control(f func(fd uintptr) syscall.Errno) error {
	conn, err := a.file.SyscallConn()
	if err != nil {
		return err
	}
	var errno syscall.Errno
	err = conn.Control(func(fd uintptr) {
		for errno = unix.EINTR; errno == unix.EINTR; {
			errno = f(fd)
		}
	})
	if err == nil && errno != 0 {
		err = errno
	}
	return err
}

// Tx is one transaction: w is written, then r read after a repeated start.
func (a *adapter) Tx(addr uint16, w, r []byte) error {
	if len(w) == 0 && len(r) == 0 {
		return nil
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.can&funcI2C == 0 {
		return a.smbus(addr, w, r)
	}
	var list [2]message
	n := 0
	if len(w) > 0 {
		list[n] = message{addr: addr, length: uint16(len(w)), buf: &w[0]}
		n++
	}
	if len(r) > 0 {
		list[n] = message{addr: addr, flags: flagRd, length: uint16(len(r)), buf: &r[0]}
		n++
	}
	m := messages{&list[0], uint32(n)}
	return a.ioctl(i2cRdwr, unsafe.Pointer(&m))
}

// smbus does a transaction as adapters know it that speak SMBus only (those of
// most PCs, some USB adapters): a register's byte, word or block. Anything else
// they cannot.
func (a *adapter) smbus(addr uint16, w, r []byte) error {
	var data smbusData
	call := smbusCall{data: &data}
	switch {
	case len(w) == 0 && len(r) == 1:
		call.direction, call.size = smbusRead, smbusByte
	case len(w) == 1 && len(r) == 0:
		call.command, call.size = w[0], smbusByte
	case len(w) == 1 && len(r) <= blockMax:
		call.direction, call.command, call.size = smbusRead, w[0], sizes(len(r), &data)
	case len(r) == 0 && len(w) <= blockMax+1:
		call.command, call.size = w[0], sizes(len(w)-1, &data)
		copy(data[dataAt(call.size):], w[1:])
	default:
		return unix.EOPNOTSUPP
	}
	err := a.control(func(fd uintptr) syscall.Errno {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, fd, i2cSlaveForce, uintptr(addr))
		return errno
	})
	if err == nil {
		err = a.ioctl(i2cSMBus, unsafe.Pointer(&call))
	}
	if err == nil {
		copy(r, data[dataAt(call.size):])
	}
	return err
}

// sizes is the kind of transaction for n bytes. A block's length stands before
// it.
func sizes(n int, data *smbusData) uint32 {
	switch n {
	case 1:
		return smbusByteData
	case 2:
		return smbusWordData // low byte first, as on the wire
	}
	data[0] = byte(n)
	return smbusI2CBlock
}

func dataAt(size uint32) int {
	if size == smbusI2CBlock {
		return 1
	}
	return 0
}
