package sound

import (
	"testing"
	"testing/fstest"
	"unsafe"

	"fullthrow/drivers"
)

// Sizes, offsets and numbers as the C compiler gives them for sound/asound.h
// (protocol 2.0.15) on x86-64; the same on every 64-bit computer.
func TestLayout(t *testing.T) {
	if unsafe.Sizeof(uintptr(0)) != 8 {
		t.Skip("the figures are those of 64-bit computers")
	}
	var p hwParams
	for _, c := range []struct {
		name      string
		got, want uintptr
	}{
		{"snd_pcm_hw_params", unsafe.Sizeof(p), 608},
		{"masks", unsafe.Offsetof(p.Masks), 4},
		{"intervals", unsafe.Offsetof(p.Intervals), 260},
		{"rmask", unsafe.Offsetof(p.Rmask), 512},
		{"fifo_size", unsafe.Offsetof(p.FIFOSize), 536},
		{"snd_pcm_info", unsafe.Sizeof(pcmInfo{}), 288},
		{"name", unsafe.Offsetof(pcmInfo{}.Name), 80},
		{"IOCTL_HW_PARAMS", ioctlHWParams | unsafe.Sizeof(p)<<16, 0xC2604111},
		{"IOCTL_INFO", ioctlInfo, 0x80004101 | unsafe.Sizeof(pcmInfo{})<<16},
	} {
		if c.got != c.want {
			t.Errorf("%s: %#x, want %#x", c.name, c.got, c.want)
		}
	}
}

func TestHWParams(t *testing.T) {
	for _, w := range widths {
		p := newHWParams(48000, 2, w, period)
		if p.Masks[0] != [8]uint32{8} || p.Masks[1][w.format/32] != 1<<(w.format%32) || p.Masks[2][7] != ^uint32(0) {
			t.Errorf("%s: masks %x", w.name, p.Masks)
		}
		if p.Intervals[2] != (interval{2, 2, 4}) || p.Intervals[3] != (interval{48000, 48000, 4}) ||
			p.Intervals[4] != (interval{10000, ^uint32(0), 0}) || p.Intervals[0] != (interval{0, ^uint32(0), 0}) {
			t.Errorf("%s: intervals %+v", w.name, p.Intervals)
		}
	}
}

func TestDevicePath(t *testing.T) {
	proc := fstest.MapFS{
		"asound/cards": {Data: []byte(" 2 [Mic            ]: USB-Audio - Bench\n")},
		"asound/pcm":   {Data: []byte("02-01: USB Audio : USB Audio : capture 1\n")},
	}
	for _, c := range []struct {
		device, want string
		kind         drivers.Kind
	}{
		{"hw:1,3", "/dev/snd/pcmC1D3c", ""},
		{"hw:1", "/dev/snd/pcmC1D0c", ""},
		{"hw:Mic,1", "/dev/snd/pcmC2D1c", ""},
		{"/dev/snd/pcmC0D0c", "/dev/snd/pcmC0D0c", ""},
		{"hw:Other,1", "", drivers.Gone},
		{"hw:,1", "", drivers.OutOfRange},
		{"hw:1,x", "", drivers.OutOfRange},
		{"plughw:1,0", "", drivers.OutOfRange},
	} {
		got, err := devicePath(c.device, proc)
		if got != c.want || drivers.KindOf(err) != c.kind {
			t.Errorf("%s: %q, %v (kind %q), want %q, %q", c.device, got, err, drivers.KindOf(err), c.want, c.kind)
		}
	}
}

func TestOpenErrors(t *testing.T) {
	path := t.TempDir() + "/none"
	for _, c := range []struct {
		device string
		opts   Options
		kind   drivers.Kind
	}{
		{path, Options{}, drivers.Gone},
		{path, Options{Rate: 0.5}, drivers.OutOfRange},
		{path, Options{Rate: 44100.5}, drivers.OutOfRange},
		{path, Options{Channels: -1}, drivers.OutOfRange},
	} {
		if _, err := Open("mic", c.device, drivers.System, c.opts); drivers.KindOf(err) != c.kind {
			t.Errorf("%+v: %v (kind %q), want %q", c.opts, err, drivers.KindOf(err), c.kind)
		}
	}
}
