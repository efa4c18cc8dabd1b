package receiver

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func same(v uint16) (ch [Channels]uint16) {
	for i := range ch {
		ch[i] = v
	}
	return ch
}

// "check" is the CRC of the ASCII digits 123456789. DVB-S2 and SMBUS: RevEng
// catalogue as in akhilles/crc-catalog; polynomial BA (CRSF commands, not in
// the catalogue) and the single bytes [re-computed].
func TestCRC8(t *testing.T) {
	for _, c := range []struct {
		name string
		poly byte
		in   string
		want byte
	}{
		{"DVB-S2 check", 0xD5, "123456789", 0xBC},
		{"DVB-S2 one byte", 0xD5, "a", 0xEC},
		{"DVB-S2 empty", 0xD5, "", 0x00},
		{"SMBUS check", 0x07, "123456789", 0xF4},
		{"SMBUS one byte", 0x07, "a", 0x20},
		{"polynomial BA", 0xBA, "123456789", 0x20},
	} {
		if got := crc8(crc8Table(c.poly), []byte(c.in)); got != c.want {
			t.Errorf("%s: got %02X, want %02X", c.name, got, c.want)
		}
	}
}

func TestSBUSPublished(t *testing.T) {
	steps := [Channels]uint16{}
	for i := range steps {
		steps[i] = uint16(128 * i)
	}
	for _, c := range []struct {
		name, bytes string
		want        SBUSFrame
	}{
		// ArduPilot RCProtocolTest.cpp has the bytes; raw values [re-computed].
		{"ArduPilot test frame", "0F 4C 1C 5F 32 34 38 DD 89 83 0F 7C 00 00 00 00 00 00 00 00 00 00 00 00 00",
			SBUSFrame{Channels: [Channels]uint16{1100, 995, 201, 1050, 1491, 1811, 992, 992}}},
		// [re-computed] with an independent packer.
		{"all centre", "0F E0 03 1F F8 C0 07 3E F0 81 0F 7C E0 03 1F F8 C0 07 3E F0 81 0F 7C 00 00", SBUSFrame{Channels: same(992)}},
		{"all low", "0F AC 60 05 2B 58 C1 0A 56 B0 82 15 AC 60 05 2B 58 C1 0A 56 B0 82 15 00 00", SBUSFrame{Channels: same(172)}},
		{"128 i", "0F 00 00 04 40 00 03 20 40 01 0C 70 00 04 24 40 01 0B 60 40 03 1C F0 00 00", SBUSFrame{Channels: steps}},
		{"lost and failsafe", "0F E0 03 1F F8 C0 07 3E F0 81 0F 7C E0 03 1F F8 C0 07 3E F0 81 0F 7C 0C 00",
			SBUSFrame{Channels: same(992), Lost: true, Failsafe: true}},
		// Flag bits as in bolderflight/sbus README.
		{"channels 17 and 18", "0F E0 03 1F F8 C0 07 3E F0 81 0F 7C E0 03 1F F8 C0 07 3E F0 81 0F 7C 03 00",
			SBUSFrame{Channels: same(992), Ch17: true, Ch18: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := unhex(t, c.bytes)
			n := 0
			d := NewSBUSDecoder(func(f *SBUSFrame) {
				n++
				if *f != c.want {
					t.Errorf("got %+v, want %+v", *f, c.want)
				}
			})
			d.Decode(b)
			if n != 1 || d.Counts() != (Counts{Frames: 1}) {
				t.Errorf("%d frames, %+v; want one whole frame", n, d.Counts())
			}
			if got := AppendSBUS(nil, &c.want); !bytes.Equal(got, b) {
				t.Errorf("packed: got % X, want % X", got, b)
			}
		})
	}
}

// The CRSF convention (tbs-crsf-spec crsf.md, TICKS_TO_US; EdgeTX and
// betaflight use it for SBUS too): 992 is 1500 us. ArduPilot's SBUS has +875
// instead of +880: its 1562 us for raw 1100 is 1567.5 us here.
func TestScale(t *testing.T) {
	for _, c := range []struct {
		raw uint16
		us  float64
	}{{992, 1500}, {172, 987.5}, {1811, 2011.875}, {1100, 1567.5}, {0, 880}} {
		f := drivers.Frames{Gain: Gain, Offset: Offset, Frames: []drivers.Frame{{Channels: []uint16{c.raw}}}}
		if got := f.Microseconds(0, 1); got != c.us {
			t.Errorf("raw %d: got %v us, want %v", c.raw, got, c.us)
		}
		if ticks := float64(c.raw)*5/8 - 992*5.0/8 + 1500; ticks != c.us {
			t.Errorf("raw %d: TICKS_TO_US gives %v, want %v", c.raw, ticks, c.us)
		}
	}
}

func TestCRSFPublished(t *testing.T) {
	type seen struct {
		ch   *[Channels]uint16
		link *CRSFLink
	}
	decode := func(b []byte) (got seen, n Counts) {
		d := NewCRSFDecoder(func(ch *[Channels]uint16) { c := *ch; got.ch = &c }, func(l CRSFLink) { got.link = &l })
		d.Decode(b)
		return got, d.Counts()
	}
	betaflight := [Channels]uint16{2047, 31, 0, 172, 0, 992, 0, 1811}
	for _, c := range []struct {
		name, bytes string
		want        [Channels]uint16
	}{
		// [re-computed]
		{"all centre", "C8 18 16 E0 03 1F F8 C0 07 3E F0 81 0F 7C E0 03 1F F8 C0 07 3E F0 81 0F 7C AD", same(992)},
		{"all low", "C8 18 16 AC 60 05 2B 58 C1 0A 56 B0 82 15 AC 60 05 2B 58 C1 0A 56 B0 82 15 5B", same(172)},
		{"all zero", "C8 18 16" + strings.Repeat(" 00", 22) + " EF", same(0)},
		// betaflight rx_crsf_unittest.cc has the payload; CRC [re-computed].
		{"betaflight unpack test", "C8 18 16 FF FF 00 00 58 01 00 F0 01 60 E2" + strings.Repeat(" 00", 11) + " 9A", betaflight},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := unhex(t, c.bytes)
			got, n := decode(b)
			if got.ch == nil || *got.ch != c.want || n != (Counts{Frames: 1}) {
				t.Fatalf("got %v, %+v, want %v in one frame", got.ch, n, c.want)
			}
			if p := AppendCRSFChannels(nil, &c.want); !bytes.Equal(p, b) {
				t.Errorf("packed: got % X, want % X", p, b)
			}
		})
	}
	for _, c := range []struct {
		name, bytes string
		want        CRSFLink
		rssi        float64
	}{
		// EdgeTX radio/src/tests/crossfire.cpp; field order tbs-crsf-spec.
		{"EdgeTX test frame", "00 0C 14 00 00 00 00 FF 01 03 00 00 00 F4", CRSFLink{Antenna: 0xFF, Profile: 1, Power: 3}, 0},
		// [re-computed]
		{"own example", "C8 0C 14 2D 30 64 0A 00 05 03 37 63 FC 30", CRSFLink{UpRSSI1: 45, UpRSSI2: 48, UpQuality: 100, UpSNR: 10,
			Profile: 5, Power: 3, DownRSSI: 55, DownQuality: 99, DownSNR: -4}, -45},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := unhex(t, c.bytes)
			got, n := decode(b)
			if got.link == nil || n != (Counts{Frames: 1}) {
				t.Fatalf("no link statistics, %+v", n)
			}
			if *got.link != c.want || got.link.RSSI() != c.rssi {
				t.Errorf("got %+v, %v dBm, want %+v, %v dBm", *got.link, got.link.RSSI(), c.want, c.rssi)
			}
			if p := AppendCRSFLink(nil, c.want); !bytes.Equal(p[1:], b[1:]) {
				t.Errorf("packed: got % X, want % X", p, b)
			}
		})
	}
	// Frames of other types are passed over whole. Ping and bind: EdgeTX layout,
	// CRC [re-computed]; the others: ExpressLRS tests.
	for name, text := range map[string]string{
		"ping devices": "C8 04 28 00 EA 54",
		"bind":         "C8 07 32 EE EA 10 01 14 EB",
		"battery":      "C8 0A 08 00 00 00 00 00 00 00 00 6D",
		"command":      "C8 04 32 62 6C 0A",
		"parameter":    "C8 04 2C 62 6C 55",
		"attitude":     "C8 08 1E 00 00 00 00 00 00 30",
	} {
		b := unhex(t, text)
		got, n := decode(b)
		if got != (seen{}) || n != (Counts{Frames: 1}) {
			t.Errorf("%s: got %+v, %+v, want one frame and no values", name, got, n)
		}
		if p := AppendCRSF(nil, b[0], b[2], b[3:len(b)-1]); !bytes.Equal(p, b) {
			t.Errorf("%s packed: got % X, want % X", name, p, b)
		}
	}
	// The CRC over a command itself (polynomial BA) in the bind frame above.
	if got := crc8(crc8Table(0xBA), []byte{0x32, 0xEE, 0xEA, 0x10, 0x01}); got != 0x14 {
		t.Errorf("command CRC: got %02X, want 14", got)
	}
}

func TestRSSIOfTheBetterAntenna(t *testing.T) {
	for _, c := range []struct {
		a, b uint8
		want float64
	}{{45, 48, -45}, {90, 60, -60}, {70, 0, -70}, {0, 70, -70}, {0, 0, 0}} {
		if got := (CRSFLink{UpRSSI1: c.a, UpRSSI2: c.b}).RSSI(); got != c.want {
			t.Errorf("antennas %d and %d: got %v dBm, want %v", c.a, c.b, got, c.want)
		}
	}
}

var epoch = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

// train makes the edges of frames of a fixed period: each channel from rising
// edge to rising edge, a pulse of 300 us at each.
func train(period time.Duration, frames ...[]float64) []drivers.Edge {
	var out []drivers.Edge
	at := epoch
	pulse := func(at time.Time) {
		out = append(out, drivers.Edge{At: at, Rising: true}, drivers.Edge{At: at.Add(300 * time.Microsecond)})
	}
	for _, f := range frames {
		p := at
		pulse(p)
		for _, us := range f {
			p = p.Add(time.Duration(us * float64(time.Microsecond)))
			pulse(p)
		}
		at = at.Add(period)
	}
	return out
}

func eight(us float64) []float64 { return []float64{us, us, us, us, us, us, us, us} }

// Frame 22.5 ms, centre 1500 us, sync at least 3 ms when sent (EdgeTX pulses.h,
// ppm.cpp); accepted: sync from 2700 us, channel 750..2250 us, 4 channels or
// more (betaflight rx_pwm.c). Common practice, there is no standard.
func TestPPMPublished(t *testing.T) {
	for _, c := range []struct {
		us   float64
		sync time.Duration // [re-computed]: 22.5 ms less eight channels
	}{{1500, 10500 * time.Microsecond}, {2000, 6500 * time.Microsecond}, {1000, 14500 * time.Microsecond}} {
		edges := train(PPMPeriod, eight(c.us), eight(c.us), eight(c.us), eight(c.us))
		if gap := edges[18].At.Sub(edges[16].At); gap != c.sync {
			t.Errorf("eight channels at %v us: sync %v, want %v", c.us, gap, c.sync)
		}
		for _, falling := range []bool{false, true} {
			f := PPM(edges, epoch, falling)
			if len(f.Frames) != 2 || f.Damaged != 0 {
				t.Fatalf("%v us: %d frames, %d damaged, want the 2 that lie between gaps", c.us, len(f.Frames), f.Damaged)
			}
			for i := range f.Frames {
				for ch := 1; ch <= 8; ch++ {
					if got := f.Microseconds(i, ch); got != c.us {
						t.Errorf("frame %d channel %d: got %v us, want %v", i, ch, got, c.us)
					}
				}
			}
		}
	}
}

func TestPPM(t *testing.T) {
	good := []float64{1000, 1234.5, 1500, 2000}
	for _, c := range []struct {
		name            string
		middle          []float64
		frames, damaged int
	}{
		{"whole", good, 3, 0},
		{"shortest and longest channel", []float64{750, 2250, 750, 2250}, 3, 0},
		{"too short an interval", []float64{1000, 749, 1500, 2000}, 2, 1},
		{"neither channel nor gap", []float64{1000, 2500, 1500, 2000}, 2, 1},
		{"three channels", []float64{1000, 1500, 2000}, 2, 1},
		{"five channels where others have four", []float64{1000, 1500, 2000, 1500, 1500}, 2, 1},
		{"seventeen channels", append(append(eight(800), eight(800)...), 800), 2, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := PPM(train(PPMPeriod, good, good, c.middle, good, good), epoch, false)
			if len(f.Frames) != c.frames || f.Damaged != c.damaged {
				t.Errorf("%d frames, %d damaged; want %d, %d", len(f.Frames), f.Damaged, c.frames, c.damaged)
			}
			if f.Format != "PPM" || f.Period != 0 {
				t.Errorf("format %q, period %v", f.Format, f.Period)
			}
			if at, want := f.Frames[0].At, PPMPeriod+5734500*time.Nanosecond; at != want {
				t.Errorf("first frame at %v, want %v, its last edge", at, want)
			}
		})
	}
	for name, edges := range map[string][]drivers.Edge{
		"no edges":        nil,
		"one edge":        {{At: epoch, Rising: true}},
		"one frame":       train(PPMPeriod, good),
		"wrong direction": {{At: epoch}, {At: epoch.Add(time.Second)}, {At: epoch.Add(2 * time.Second)}},
	} {
		if f := PPM(edges, epoch, false); len(f.Frames) != 0 || f.Damaged != 0 {
			t.Errorf("%s: got %d frames, %d damaged, want none", name, len(f.Frames), f.Damaged)
		}
	}
	back := train(PPMPeriod, good, good, good)
	back[14].At = back[12].At.Add(-time.Millisecond)
	if f := PPM(back, epoch, false); len(f.Frames) != 0 || f.Damaged == 0 {
		t.Errorf("an edge that goes back in time: got %d frames, %d damaged, want none and damage", len(f.Frames), f.Damaged)
	}
}
