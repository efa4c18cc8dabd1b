package receiver

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"fullthrow/drivers"
)

// wave is the channels of frame i, different in every frame and channel.
func wave(i int) (ch [Channels]uint16) {
	for k := range ch {
		ch[k] = uint16(RawLow + (i*37+k*91)%(RawHigh-RawLow))
	}
	return ch
}

func sbusStream(n int) (b []byte) {
	for i := range n {
		b = AppendSBUS(b, &SBUSFrame{Channels: wave(i), Lost: i%10 == 9})
	}
	return b
}

func crsfStream(n int) (b []byte) {
	for i := range n {
		ch := wave(i)
		b = AppendCRSFChannels(b, &ch)
		if i%15 == 0 {
			b = AppendCRSFLink(b, CRSFLink{UpRSSI1: 50, UpQuality: 99, UpSNR: 9})
		}
	}
	return b
}

// filled is the first 16 of any number of channels.
func filled(ch []uint16) (out [Channels]uint16) { copy(out[:], ch); return out }

// other is a frame of iBUS or SUMD with the channels of a wave, as far as they go.
func other(kind string, i int) (b []byte, want [Channels]uint16) {
	want = wave(i)
	if kind == "SUMD" {
		return AppendSUMD(nil, SUMDFrame{Channels: want[:]}), want
	}
	ch := [IBUSChannels]uint16(want[:IBUSChannels])
	return AppendIBUS(nil, &ch), filled(want[:IBUSChannels])
}

// hear decodes b in portions of the sizes given, over and over, and returns the
// channel values of each frame.
func hear(kind string, b []byte, sizes ...int) (got [][Channels]uint16, n Counts) {
	var d decoder
	switch kind {
	case "SBUS":
		d = NewSBUSDecoder(func(f *SBUSFrame) { got = append(got, f.Channels) })
	case "iBUS":
		d = NewIBUSDecoder(func(ch *[IBUSChannels]uint16) { got = append(got, filled(ch[:])) })
	case "SUMD":
		d = NewSUMDDecoder(func(f *SUMDFrame) { got = append(got, filled(f.Channels)) })
	default:
		d = NewCRSFDecoder(func(ch *[Channels]uint16) { got = append(got, *ch) }, nil)
	}
	for i := 0; len(b) > 0; i++ {
		k := min(sizes[i%len(sizes)], len(b))
		d.Decode(b[:k])
		b = b[k:]
	}
	return got, d.Counts()
}

func TestAnyPortionsGiveTheSameFrames(t *testing.T) {
	for kind, b := range map[string][]byte{"SBUS": sbusStream(50), "CRSF": crsfStream(50)} {
		for _, sizes := range [][]int{{1}, {2, 3}, {25}, {24, 26}, {7, 64, 1}, {1 << 20}} {
			got, n := hear(kind, b, sizes...)
			if len(got) != 50 || n.Damaged != 0 || n.Skipped != 0 {
				t.Fatalf("%s in portions of %v: %d frames, %+v, want 50 whole ones", kind, sizes, len(got), n)
			}
			for i, ch := range got {
				if ch != wave(i) {
					t.Errorf("%s in portions of %v: frame %d is %v, want %v", kind, sizes, i, ch, wave(i))
				}
			}
		}
	}
}

func TestDamage(t *testing.T) {
	for _, kind := range []string{"SBUS", "CRSF"} {
		var one func(i int) []byte
		var length, spoil int
		if kind == "SBUS" {
			one = func(i int) []byte { return AppendSBUS(nil, &SBUSFrame{Channels: wave(i)}) }
			length, spoil = 25, 24 // only the end byte shows damage
		} else {
			one = func(i int) []byte { ch := wave(i); return AppendCRSFChannels(nil, &ch) }
			length, spoil = 26, 10
		}
		whole := func(from, to int) (b []byte) {
			for i := from; i < to; i++ {
				b = append(b, one(i)...)
			}
			return b
		}
		bad := one(5)
		bad[spoil] ^= 0x81
		noise := bytes.Repeat([]byte{0x55, 0xAA, 0x13}, 7)
		for _, c := range []struct {
			name   string
			stream []byte
			want   []int // frames that must be heard
			counts Counts
		}{
			{"begins in the middle of a frame", whole(0, 4)[9:], []int{1, 2, 3}, Counts{3, 0, length - 9}},
			{"one frame spoilt", bytes.Join([][]byte{whole(0, 5), bad, whole(6, 9)}, nil), []int{0, 1, 2, 3, 4, 6, 7, 8}, Counts{8, 1, length}},
			{"bytes missing", bytes.Join([][]byte{whole(0, 5), bad[:11], whole(6, 9)}, nil), []int{0, 1, 2, 3, 4, 6, 7, 8}, Counts{8, 1, 11}},
			{"noise between frames", bytes.Join([][]byte{whole(0, 2), noise, whole(2, 4)}, nil), []int{0, 1, 2, 3}, Counts{4, 1, len(noise)}},
			{"ends in the middle of a frame", whole(0, 3)[:2*length+8], []int{0, 1}, Counts{2, 0, 0}},
			{"noise alone", noise, nil, Counts{0, 0, len(noise)}},
		} {
			got, n := hear(kind, c.stream, 5, 1, 12)
			if n != c.counts || len(got) != len(c.want) {
				t.Errorf("%s, %s: %d frames, %+v; want %d, %+v", kind, c.name, len(got), n, len(c.want), c.counts)
				continue
			}
			for k, i := range c.want {
				if got[k] != wave(i) {
					t.Errorf("%s, %s: frame %d is %v, want %v", kind, c.name, k, got[k], wave(i))
				}
			}
		}
	}
}

func TestSBUSEnds(t *testing.T) {
	for _, c := range []struct {
		flags, end byte
		frames     int
	}{{0, 0x00, 1}, {0, 0x04, 1}, {0, 0x14, 1}, {0, 0x24, 1}, {0, 0x34, 1}, {0, 0x44, 0}, {0, 0x01, 0}, {0, 0xFF, 0}, {0x10, 0, 0}, {0x0F, 0, 1}} {
		b := AppendSBUS(nil, &SBUSFrame{Channels: same(RawCentre)})
		b[23], b[24] = c.flags, c.end
		if got, _ := hear("SBUS", b, 25); len(got) != c.frames {
			t.Errorf("flags %02X, end %02X: %d frames, want %d", c.flags, c.end, len(got), c.frames)
		}
	}
}

func FuzzSBUS(f *testing.F) {
	f.Add(sbusStream(3), uint8(7))
	f.Add([]byte{0x0F, 0x0F, 0x00, 0x04}, uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, size uint8) { checkStream(t, "SBUS", b, int(size)) })
}

func FuzzCRSF(f *testing.F) {
	f.Add(crsfStream(3), uint8(7))
	f.Add([]byte{0xC8, 0x02, 0x14, 0x00, 0xC8, 0x3E}, uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, size uint8) { checkStream(t, "CRSF", b, int(size)) })
}

// checkStream holds for any bytes: the cut of the stream does not matter, no
// byte is counted twice, values stay within 11 bits, and a good frame after
// enough idle bytes is always found.
func checkStream(t *testing.T, kind string, b []byte, size int) {
	whole, n := hear(kind, b, max(len(b), 1))
	parts, m := hear(kind, b, size+1)
	if n != m || len(whole) != len(parts) {
		t.Fatalf("in one: %d frames, %+v; in portions of %d: %d frames, %+v", len(whole), n, size+1, len(parts), m)
	}
	if n.Skipped > len(b) || len(whole) > n.Frames {
		t.Fatalf("%+v of %d bytes, %d channel frames", n, len(b), len(whole))
	}
	for i := range whole {
		if whole[i] != parts[i] {
			t.Fatalf("frame %d differs with the cut", i)
		}
		for _, v := range whole[i] {
			if most := map[string]uint16{"iBUS": 4095, "SUMD": 65535}[kind]; v > max(most, 2047) {
				t.Fatalf("value %d", v)
			}
		}
	}
	last := wave(3)
	idle := append(append([]byte(nil), b...), bytes.Repeat([]byte{0xFF}, 80)...)
	switch kind {
	case "SBUS":
		idle = AppendSBUS(idle, &SBUSFrame{Channels: last})
	case "iBUS", "SUMD":
		var b []byte
		b, last = other(kind, 3)
		idle = append(idle, b...)
	default:
		idle = AppendCRSFChannels(idle, &last)
	}
	if got, _ := hear(kind, idle, len(idle)); len(got) == 0 || got[len(got)-1] != last {
		t.Fatalf("the frame after garbage and 80 idle bytes was not found")
	}
}

func FuzzIBUS(f *testing.F) {
	b, _ := other("iBUS", 1)
	f.Add(append(b, b...), uint8(7))
	f.Add([]byte{0x20, 0x20, 0x40, 0x20}, uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, size uint8) { checkStream(t, "iBUS", b, int(size)) })
}

func FuzzSUMD(f *testing.F) {
	b, _ := other("SUMD", 1)
	f.Add(append(b, b...), uint8(7))
	f.Add([]byte{0xA8, 0xA8, 0x01, 0x20, 0xA8, 0x81}, uint8(1))
	f.Fuzz(func(t *testing.T, b []byte, size uint8) { checkStream(t, "SUMD", b, int(size)) })
}

func FuzzPPM(f *testing.F) {
	f.Add([]byte{15, 15, 15, 15, 105, 15, 15, 15, 15, 105, 15}, false)
	f.Add([]byte{0, 255, 22, 23, 27}, true)
	f.Fuzz(func(t *testing.T, intervals []byte, falling bool) {
		at := epoch
		var edges []drivers.Edge
		for _, i := range intervals {
			at = at.Add(time.Duration(int(i)-2) * 100 * time.Microsecond)
			edges = append(edges, drivers.Edge{At: at, Rising: !falling}, drivers.Edge{At: at, Rising: falling})
		}
		out := PPM(edges, epoch, falling)
		for i, fr := range out.Frames {
			if n := len(fr.Channels); n < ppmMinChannels || n > ppmMaxChannels || n != len(out.Frames[0].Channels) {
				t.Fatalf("frame %d has %d channels", i, n)
			}
			for ch := range fr.Channels {
				if us := out.Microseconds(i, ch+1); us < 750 || us > 2250 {
					t.Fatalf("channel of %v us", us)
				}
			}
		}
		if len(out.Frames)+out.Damaged > len(intervals) {
			t.Fatalf("%d frames and %d damaged of %d intervals", len(out.Frames), out.Damaged, len(intervals))
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	const frames = 1000
	for _, kind := range []string{"SBUS", "CRSF"} {
		for _, size := range []int{1, 25, 4096} {
			b.Run(fmt.Sprintf("%s portions of %d", kind, size), func(b *testing.B) {
				stream := sbusStream(frames)
				n := 0
				var d decoder = NewSBUSDecoder(func(*SBUSFrame) { n++ })
				if kind == "CRSF" {
					stream = crsfStream(frames)
					d = NewCRSFDecoder(func(*[Channels]uint16) { n++ }, nil)
				}
				b.ReportAllocs()
				for b.Loop() {
					for i := 0; i < len(stream); i += size {
						d.Decode(stream[i:min(i+size, len(stream))])
					}
				}
				b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
			})
		}
	}
}

func BenchmarkPPM(b *testing.B) {
	frames := make([][]float64, 1000)
	for i := range frames {
		frames[i] = eight(1000 + 900*rand.New(rand.NewPCG(1, uint64(i))).Float64())
	}
	edges := train(PPMPeriod, frames...)
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		n += len(PPM(edges, epoch, false).Frames)
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
}

// AppendCRSFLink appends a frame of type 0x14.
func AppendCRSFLink(dst []byte, l CRSFLink) []byte {
	return AppendCRSF(dst, CRSFAddress, CRSFLinkType, []byte{l.UpRSSI1, l.UpRSSI2, l.UpQuality, byte(l.UpSNR),
		l.Antenna, l.Profile, l.Power, l.DownRSSI, l.DownQuality, byte(l.DownSNR)})
}
