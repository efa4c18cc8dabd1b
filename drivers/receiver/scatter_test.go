package receiver

import (
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// handset is n frames of a handset whose first stick swings, whose second has
// noise, and whose other channels stand still.
func handset(n int) []drivers.Frame {
	rng := rand.New(rand.NewPCG(1, 1))
	frames := make([]drivers.Frame, n)
	for i := range frames {
		ch := make([]uint16, Channels)
		for k := range ch {
			ch[k] = RawCentre
		}
		ch[0] = uint16(RawLow + 23*(i%70))
		ch[1] = uint16(RawCentre + rng.IntN(9) - 4)
		ch[4] = RawLow
		frames[i].Channels = ch
	}
	return frames
}

func TestScattered(t *testing.T) {
	for _, c := range []struct {
		name string
		harm func(f []drivers.Frame)
		want int
	}{
		{"sound", func([]drivers.Frame) {}, 0},
		{"a stick's contact that fails for one frame", func(f []drivers.Frame) {
			for _, i := range []int{30, 55, 90} {
				f[i].Channels[1] = 0
			}
		}, 0},
		{"a switch's contact that fails for one frame", func(f []drivers.Frame) {
			for _, i := range []int{30, 55, 90} {
				f[i].Channels[4] = RawHigh
			}
		}, 0},
		{"a switch that is thrown", func(f []drivers.Frame) {
			for i := 50; i < len(f); i++ {
				f[i].Channels[4] = RawHigh
			}
		}, 0},
		{"one byte that stands in two channels", func(f []drivers.Frame) {
			f[40].Channels[8], f[40].Channels[9] = RawCentre^0x700, RawCentre^0x0FF
		}, 2},
		{"a byte of a stick, and one of a channel at rest", func(f []drivers.Frame) {
			f[40].Channels[1], f[77].Channels[12] = 40, 40
		}, 2},
		{"converter noise on a channel at rest", func(f []drivers.Frame) {
			for i := 6; i < len(f); i += 11 {
				f[i].Channels[10]++
				f[i+3].Channels[11]--
			}
		}, 0},
	} {
		f := handset(100)
		c.harm(f)
		if got := scattered(f); got != c.want {
			t.Errorf("%s: got %d, want %d", c.name, got, c.want)
		}
	}
	if got := scattered(nil); got != 0 {
		t.Errorf("no frames: got %d", got)
	}
}

// One byte of one frame is hit on its way: in sight, a fault of the bench, never
// a frame that the handset lost.
func TestRecordDamaged(t *testing.T) {
	for _, format := range []string{"SBUS", "CRSF"} {
		synctest.Test(t, func(t *testing.T) {
			port, peer := drivertest.Pipe("wire", drivers.System)
			go func() {
				for i := range 60 {
					ch := wave(i)
					b, hit := AppendSBUS(nil, &SBUSFrame{Channels: ch}), 24
					if format == "CRSF" {
						b, hit = AppendCRSFChannels(nil, &ch), 12
					}
					if i == 30 {
						b[hit] ^= 0x40
					}
					send(peer, 7*time.Millisecond, b)
				}
			}()
			_, err := open(t, port, format).Record(t.Context(), 300*time.Millisecond)
			if drivers.KindOf(err) != drivers.Garbled || !strings.Contains(err.Error(), "frames were damaged on the wire") {
				t.Errorf("%s: got %v", format, err)
			}
			_ = port.Close()
			time.Sleep(time.Second)
		})
	}
}
