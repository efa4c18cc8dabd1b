package receiver

import (
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"fullthrow/drivers/drivertest"
)

// crsfPeer writes and reads CRSF with a library by another hand.
func crsfPeer(t *testing.T) *drivertest.Program {
	t.Helper()
	node, folder := drivertest.Npm(t, "crsf-0.0.3")
	return drivertest.Start(t, exec.Command(node, "testdata/crsf.cjs", folder))
}

func words(values ...any) string { return strings.Trim(fmt.Sprint(values...), "[]") }

// Thousands of frames of a library by another hand, of five types, one behind the
// other, are decoded as they were meant, whatever the pieces that the bytes come in.
func TestCRSFOfAnotherHand(t *testing.T) {
	peer := crsfPeer(t)
	rng := rand.New(rand.NewPCG(16, 1))
	var want, got []string
	d := NewCRSFDecoder(
		func(ch *[Channels]uint16) { got = append(got, "rc "+words(ch[:])) },
		func(l CRSFLink) {
			got = append(got, fmt.Sprintln("link", l.UpRSSI1, l.UpRSSI2, l.UpQuality, l.UpSNR, l.Antenna, l.Profile, l.Power,
				l.DownRSSI, l.DownQuality, l.DownSNR))
		})
	d.Telemetry(func(b CRSFBattery) {
		got = append(got, fmt.Sprintln("battery", b.Voltage, b.Current, b.Used, b.Remaining))
	}, func(text string) { got = append(got, "mode "+text) })
	const frames = 4000
	var stream []byte
	for range frames {
		var ask string
		byte8 := func() int { return rng.IntN(256) }
		switch k := rng.IntN(10); {
		case k < 6:
			var ch [Channels]uint16
			for i := range ch {
				ch[i] = uint16(rng.IntN(2048))
			}
			ask = "rc " + words(ch[:])
		case k == 6:
			ask = fmt.Sprintln("link", byte8(), byte8(), byte8(), byte8()-128, byte8(), byte8(), byte8(), byte8(), byte8(),
				byte8()-128)
		case k == 7:
			ask = fmt.Sprintln("battery", rng.IntN(1<<16)+math.MinInt16, rng.IntN(1<<16)+math.MinInt16, rng.IntN(1<<24), byte8())
		case k == 8:
			ask = "mode " + strings.Repeat("ACRO!", 1+rng.IntN(11))
		default: // a type that is passed over
			ask = fmt.Sprintln("gps", rng.IntN(1<<31), rng.IntN(1<<31), rng.IntN(1<<16), rng.IntN(1<<16), rng.IntN(1<<16),
				byte8())
		}
		if !strings.HasPrefix(ask, "gps") {
			want = append(want, ask)
		}
		frame, err := hex.DecodeString(peer.Ask("%s", strings.TrimSpace(ask)))
		if err != nil {
			t.Fatal(err)
		}
		stream = append(stream, frame...)
	}
	for rest := stream; len(rest) > 0; {
		n := min(1+rng.IntN(100), len(rest))
		d.Decode(rest[:n])
		rest = rest[n:]
	}
	if len(got) != len(want) {
		t.Fatalf("%d frames decoded of %d", len(got), len(want))
	}
	for k := range want {
		if got[k] != want[k] {
			t.Fatalf("frame %d: got %s, want %s", k, got[k], want[k])
		}
	}
	if c := d.Counts(); c.Frames != frames || c.Skipped != 0 {
		t.Errorf("%+v of %d frames and nothing besides", c, frames)
	}
}

// Frames that we write, as the simulated receiver does, are read by the library.
func TestCRSFIsReadByAnotherHand(t *testing.T) {
	peer := crsfPeer(t)
	rng := rand.New(rand.NewPCG(16, 2))
	for range 200 {
		var stream []byte
		var want strings.Builder
		for range 5 {
			var ch [Channels]uint16
			for i := range ch {
				ch[i] = uint16(rng.IntN(2048))
				us := math.Floor(1500 + (float64(ch[i])-992)*0.625 + 0.5) // it rounds to whole microseconds
				fmt.Fprintf(&want, "%.0f%c", us, map[bool]byte{true: ';', false: ' '}[i == len(ch)-1])
			}
			stream = AppendCRSFChannels(stream, &ch)
		}
		if got := peer.Ask("read %x", stream); got != want.String() {
			t.Fatalf("% X:\ngot  %s\nwant %s", stream, got, want.String())
		}
	}
}
