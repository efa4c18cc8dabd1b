//go:build kernel

package joystick

import (
	"bytes"
	"encoding/binary"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// These tests need a kernel with uinput and evdev and run in the emulated computer
// of .ci/kernel: a virtual controller as linux/uinput.h describes it.

type virtual struct {
	t    *testing.T
	file *os.File
}

func (v *virtual) ioctl(number, arg uintptr) {
	v.t.Helper()
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, v.file.Fd(), number, arg)
	require.Zero(v.t, errno, "ioctl 0x%x", number)
}

func newVirtual(t *testing.T) *virtual {
	t.Helper()
	f, err := os.OpenFile("/dev/uinput", os.O_WRONLY, 0)
	require.NoError(t, err)
	v := &virtual{t, f}
	const setEvBit, setKeyBit, setAbsBit, create = 0x40045564, 0x40045565, 0x40045567, 0x5501
	v.ioctl(setEvBit, evKey)
	v.ioctl(setKeyBit, 0x120)
	v.ioctl(setEvBit, evAbs)
	var dev struct { // struct uinput_user_dev
		Name                          [80]byte
		Bus, Vendor, Product, Version uint16
		Effects                       uint32
		Max, Min, Fuzz, Flat          [64]int32
	}
	copy(dev.Name[:], "invented handset")
	dev.Bus, dev.Vendor, dev.Product = 3, 0x1209, 0x4f54
	for code := range 3 {
		v.ioctl(setAbsBit, uintptr(code))
		dev.Max[code] = 2047
	}
	var b bytes.Buffer
	require.NoError(t, binary.Write(&b, binary.NativeEndian, dev))
	_, err = f.Write(b.Bytes())
	require.NoError(t, err)
	v.ioctl(create, 0)
	return v
}

func (v *virtual) emit(typ, code uint16, value int32) {
	v.t.Helper()
	b := make([]byte, eventSize)
	binary.NativeEndian.PutUint16(b[16:], typ)
	binary.NativeEndian.PutUint16(b[18:], code)
	binary.NativeEndian.PutUint32(b[20:], uint32(value))
	_, err := v.file.Write(b)
	require.NoError(v.t, err)
}

func TestKernelController(t *testing.T) {
	id := Identity{Vendor: 0x1209, Product: 0x4f54}
	c := Open("handset", id, drivers.System)
	f, err := c.Record(t.Context(), 50*time.Millisecond)
	require.NoError(t, err)
	require.Empty(t, f.Frames, "it is not plugged in")

	v := newVirtual(t)
	for list, err := List(); ; list, err = List() { // until the kernel shows it
		require.NoError(t, err)
		if len(list) == 1 {
			require.Equal(t, "invented handset", list[0].Name)
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	began := time.Now()
	go func() {
		time.Sleep(200 * time.Millisecond)
		v.emit(evAbs, 0, 2047)
		v.emit(evAbs, 2, 512)
		v.emit(evKey, 0x120, 1)
		v.emit(evSyn, synReport, 0)
	}()
	f, err = c.Record(t.Context(), 2*time.Second)
	require.NoError(t, err)
	require.NotEmpty(t, f.Frames)
	require.Len(t, f.Frames[0].Channels, 4)
	change := time.Duration(0)
	for i, x := range f.Frames {
		if f.Microseconds(i, 1) > 1999 {
			change = x.At
			break
		}
	}
	end := len(f.Frames) - 1
	require.InDelta(t, 2000, f.Microseconds(end, 1), 0.02)
	require.InDelta(t, 1000, f.Microseconds(end, 2), 0.02)
	require.InDelta(t, 1000+1000*512/2047.0, f.Microseconds(end, 3), 0.02)
	require.InDelta(t, 2000, f.Microseconds(end, 4), 0.02)
	require.Greater(t, change, 200*time.Millisecond-f.Start.Sub(began), "not before it was sent: the clocks agree")

	// Events beyond the kernel's buffer while nobody reads are told of. The device
	// is opened and then not read.
	s, err := find(id)
	require.NoError(t, err)
	_, err = s.Axes()
	require.NoError(t, err)
	for i := range int32(5000) {
		v.emit(evAbs, 0, i%2)
		v.emit(evSyn, synReport, 0)
	}
	dropped := false
	for !dropped {
		events, err := s.Read(time.Now().Add(time.Second))
		require.NoError(t, err)
		for _, e := range events {
			dropped = dropped || e.Type == evSyn && e.Code == synDropped
		}
	}
	require.NoError(t, s.Close())

	// Two programs do not have one controller.
	s, err = find(id)
	require.NoError(t, err)
	_, err = c.Record(t.Context(), time.Second)
	require.Equal(t, drivers.Busy, drivers.KindOf(err), "%v", err)
	require.NoError(t, s.Close())

	go func() { time.Sleep(300 * time.Millisecond); v.file.Close() }()
	_, err = c.Record(t.Context(), 5*time.Second)
	require.Equal(t, drivers.Gone, drivers.KindOf(err), "%v", err)
}
