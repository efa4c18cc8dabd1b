package gpio

import (
	"encoding/binary"
	"errors"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
	"periph.io/x/conn/v3/gpio"

	"fullthrow/drivers"
)

// Bits 16..29 of an ioctl number are the size of its argument
// (asm-generic/ioctl.h): the structures must have just that.
func TestLayout(t *testing.T) {
	for _, c := range []struct {
		name    string
		request uintptr
		size    uintptr
	}{
		{"chip info", unix.GPIO_GET_CHIPINFO_IOCTL, unsafe.Sizeof(unix.GPIOChipInfo{})},
		{"line info", unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Sizeof(unix.GPIOV2LineInfo{})},
		{"line request", unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Sizeof(unix.GPIOV2LineRequest{})},
		{"get values", unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Sizeof(unix.GPIOV2LineValues{})},
		{"set values", unix.GPIO_V2_LINE_SET_VALUES_IOCTL, unsafe.Sizeof(unix.GPIOV2LineValues{})},
	} {
		if want := c.request >> 16 & 0x3FFF; c.size != want {
			t.Errorf("%s: %d bytes, the kernel wants %d", c.name, c.size, want)
		}
	}
	// struct gpio_v2_line_event: 48 bytes in linux/gpio.h (8 + 4*4 + 6*4).
	if got := unsafe.Sizeof(unix.GPIOV2LineEvent{}); got != 48 {
		t.Errorf("event: %d bytes, want 48", got)
	}
}

// Flag values: linux/gpio.h, enum gpio_v2_line_flag.
func TestRequests(t *testing.T) {
	for _, high := range []bool{false, true} {
		r := outputRequest(17, "fullthrow relay", gpio.Level(high))
		want := uint64(0)
		if high {
			want = 1
		}
		a := r.Config.Attrs[0]
		if r.Offsets[0] != 17 || r.Num_lines != 1 || r.Config.Flags != 8 || r.Config.Num_attrs != 1 ||
			a.Mask != 1 || a.Attr.Id != 2 || a.Attr.Flags != want || text(r.Consumer[:]) != "fullthrow relay" {
			t.Errorf("output, high %v: %+v", high, r)
		}
	}
	if r := inputRequest(2, "a consumer whose name is longer than the field", true); r.Config.Flags != 4|16|32 || r.Event_buffer_size != 1024 || r.Config.Num_attrs != 0 || len(text(r.Consumer[:])) != 31 {
		t.Errorf("input with edges: %+v", r)
	}
	if r := inputRequest(2, "c", false); r.Config.Flags != 4 {
		t.Errorf("input: %+v", r)
	}
}

func TestDecodeEvent(t *testing.T) {
	var now unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &now); err != nil {
		t.Fatal(err)
	}
	bytes := func(stamp uint64, id uint32) []byte {
		b := make([]byte, 48)
		binary.NativeEndian.PutUint64(b, stamp)
		binary.NativeEndian.PutUint32(b[8:], id)
		binary.NativeEndian.PutUint32(b[16:], 70) // of the request
		binary.NativeEndian.PutUint32(b[20:], 77) // of the line
		return b
	}
	decode := func(b []byte) (drivers.Edge, error) {
		e, err := parseEvent(b)
		if err != nil {
			return drivers.Edge{}, err
		}
		return date(e), nil
	}
	before := time.Now()
	e, err := decode(bytes(uint64(now.Nano())-uint64(time.Second), unix.GPIO_V2_LINE_EVENT_RISING_EDGE))
	if err != nil || !e.Rising || e.Uncertainty < stampError || e.Uncertainty >= noStampError {
		t.Errorf("got %+v, %v", e, err)
	}
	if off := e.At.Sub(before.Add(-time.Second)); off < -100*time.Millisecond || off > 100*time.Millisecond {
		t.Errorf("an edge one second ago is %v off", off)
	}
	if got, err := parseEvent(bytes(5, unix.GPIO_V2_LINE_EVENT_FALLING_EDGE)); got.number != 77 || got.stamp != 5 || got.rising || err != nil {
		t.Errorf("got %+v, %v", got, err)
	}
	e, err = decode(bytes(0, unix.GPIO_V2_LINE_EVENT_FALLING_EDGE))
	if err != nil || e.Rising || e.Uncertainty != noStampError {
		t.Errorf("without a stamp: %+v, %v", e, err)
	}
	if _, err := decode(bytes(1, 7)); err == nil {
		t.Error("an unknown event is taken")
	}
	if _, err := decode(make([]byte, 47)); err == nil {
		t.Error("a short event is taken")
	}
}

func TestOpenWhatIsNoChip(t *testing.T) {
	path := t.TempDir() + "/none"
	if _, err := Open("board", path); drivers.KindOf(err) != drivers.Gone || !errors.Is(err, unix.ENOENT) {
		t.Errorf("no such file: %v", err)
	}
}
