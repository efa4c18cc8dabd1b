package text

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// layouts are of every kind.
func layouts() []Layout {
	return []Layout{
		{Begin: []byte{0xA5}, LengthAt: 1, LengthSize: 1, LengthAdds: 4, Check: "CRC-16/XMODEM"},
		{Begin: []byte{0xA5, 0x5A}, LengthAt: 4, LengthSize: 2, LengthLittle: true, Check: "CRC-32", CheckLittle: true,
			CheckFrom: 2},
		{Fixed: 8, Check: "XOR-8"},
		{Begin: []byte{2}, End: []byte{3}, Check: "SUM-8", CheckFrom: 1},
		{End: []byte("\r\n")},
		{LengthAt: 0, LengthSize: 4, LengthAdds: 4},
		{Begin: []byte("$"), LengthAt: 1, LengthSize: 1, LengthAdds: -1, End: []byte("*"), Check: "CRC-8/SMBUS", Max: 40},
	}
}

func TestFramesFaults(t *testing.T) {
	layout := layouts()[0]
	drivertest.TestFaults(t, transcript(t, "frames.transcript"), func(ctx context.Context, port drivers.Port,
		clock drivers.Clock) error {
		d, err := OpenBytes("loader", port, clock, ByteOptions{Frame: &layout})
		require.NoError(t, err)
		a, err := d.Ask(ctx, []byte{0x10, 0x20, 0x30}, drivers.Awaited{})
		if err == nil && !bytes.Equal(a.Said, []byte{1, 2, 3}) {
			return fmt.Errorf("got % X", a.Said)
		}
		if err != nil && !strings.HasPrefix(err.Error(), "loader: ask: ") {
			return fmt.Errorf("%w does not name the device", err)
		}
		return err
	})
}

// What is made a frame is read back as it was, in pieces, among noise that holds no
// frame, and frame after frame.
func TestFramesComeBack(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for i, l := range layouts() {
		f, err := newFramer(l)
		require.NoError(t, err, "layout %d", i)
		made := 0
		for range 300 {
			data := make([]byte, rng.IntN(30))
			if l.Fixed > 0 {
				data = make([]byte, l.Fixed-f.least)
			}
			for i := range data {
				data[i] = byte(rng.Uint32())
			}
			b, err := f.frame(data)
			if err != nil { // its end among the data, or too short
				continue
			}
			made++
			twice := append(bytes.Clone(b), b...)
			for n := range b {
				_, rest, _, ok := f.next(twice[:n], false)
				require.False(t, ok && n < len(b) && l.Check != "" && f.check.size > 1, "layout %d: part of a frame", i)
				require.LessOrEqual(t, len(rest), n)
			}
			got, rest, passed, ok := f.next(twice, false)
			require.True(t, ok, "layout %d: % X", i, b)
			require.Equal(t, data, append([]byte{}, got...), "layout %d", i)
			require.Equal(t, b, rest, "layout %d", i)
			require.Zero(t, passed)
		}
		require.Greater(t, made, 50, "layout %d", i)
	}
}

// A frame that is damaged anywhere is no frame where the check sum is strong.
func TestDamagedFrames(t *testing.T) {
	f, err := newFramer(layouts()[1])
	require.NoError(t, err)
	b, err := f.frame([]byte("some data for it"))
	require.NoError(t, err)
	for i := range b {
		for bit := range 8 {
			bad := bytes.Clone(b)
			bad[i] ^= 1 << bit
			data, _, _, ok := f.next(bad, true)
			require.False(t, ok, "byte %d bit %d: %q", i, bit, data)
		}
	}
}

func TestLayouts(t *testing.T) {
	for _, l := range []Layout{{}, {Fixed: 4, End: []byte{1}, LengthSize: 1}, {LengthSize: 3}, {LengthSize: 1, Check: "CRC-99"},
		{Begin: []byte{1, 2}, LengthAt: 1, LengthSize: 1}, {Fixed: 2, Check: "CRC-32"}, {Fixed: 8, CheckFrom: 9, Check: "XOR-8"},
		{Fixed: 100_000}, {LengthSize: 1, Max: 1 << 20}, {LengthSize: 1, LengthAdds: 1 << 20}, {Fixed: -1}} {
		_, err := newFramer(l)
		require.Error(t, err, "%+v", l)
	}
	for _, n := range CheckNames() {
		_, err := newCheckSum(n)
		require.NoError(t, err, n)
	}
}

func TestBytesMisbehave(t *testing.T) {
	layout := layouts()[0]
	f, err := newFramer(layout)
	require.NoError(t, err)
	good, err := f.frame([]byte{7})
	require.NoError(t, err)
	bad := bytes.Clone(good)
	bad[2]++
	for _, k := range []struct {
		name  string
		reply func(sent []byte) []byte
		o     ByteOptions
		want  drivers.Awaited
		kind  drivers.Kind
		says  string
	}{
		{"silent", func([]byte) []byte { return nil }, ByteOptions{Frame: &layout}, drivers.Awaited{}, drivers.NoReply,
			"no reply in 2s"},
		{"damaged", func([]byte) []byte { return bad }, ByteOptions{Frame: &layout}, drivers.Awaited{}, drivers.Garbled,
			fmt.Sprintf("no whole answer in 2s; received % X", bad)},
		{"half", func([]byte) []byte { return good[:3] }, ByteOptions{Frame: &layout}, drivers.Awaited{}, drivers.Garbled,
			fmt.Sprintf("received % X", good[:3])},
		{"its own echo", func(b []byte) []byte { return b }, ByteOptions{Frame: &layout}, drivers.Awaited{}, drivers.Garbled,
			"it sent back what it was sent"},
		{"an echo alone", func(b []byte) []byte { return b }, ByteOptions{Frame: &layout, Echo: true}, drivers.Awaited{},
			drivers.NoReply, "no reply"},
		{"a damaged echo", func(b []byte) []byte { return append([]byte{b[0] ^ 1}, good...) },
			ByteOptions{Frame: &layout, Echo: true}, drivers.Awaited{}, drivers.Garbled, "came back otherwise"},
		{"too few", func([]byte) []byte { return []byte{1, 2} }, ByteOptions{}, drivers.Awaited{Length: 4}, drivers.Garbled,
			"received 01 02"},
		{"no length", func([]byte) []byte { return []byte{1, 2} }, ByteOptions{}, drivers.Awaited{}, drivers.OutOfRange,
			"an answer of 0 bytes"},
		{"without end", func([]byte) []byte { return make([]byte, 1<<20) }, ByteOptions{Frame: &layout}, drivers.Awaited{},
			drivers.Garbled, "without end"},
	} {
		t.Run(k.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d, err := OpenBytes("loader", drivertest.Respond("wire", drivers.System, k.reply), drivers.System, k.o)
				require.NoError(t, err)
				a, err := d.Ask(t.Context(), []byte{9}, k.want)
				require.Equal(t, k.kind, drivers.KindOf(err), "%v, % X", err, a.Said)
				require.ErrorContains(t, err, "loader: ask: ")
				require.ErrorContains(t, err, k.says)
			})
		})
	}
}

// A wrong length in noise does not hide the frame behind it.
func TestFrameBehindNoise(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		layout := layouts()[0]
		f, err := newFramer(layout)
		require.NoError(t, err)
		good, err := f.frame([]byte{7, 8})
		require.NoError(t, err)
		d, err := OpenBytes("loader", drivertest.Respond("wire", drivers.System, func(b []byte) []byte {
			return append(append(bytes.Clone(b), 0xA5, 0xF0, 1), good...)
		}), drivers.System, ByteOptions{Frame: &layout, Echo: true})
		require.NoError(t, err)
		a, err := d.Ask(t.Context(), []byte{9}, drivers.Awaited{})
		require.NoError(t, err)
		require.Equal(t, []byte{7, 8}, a.Said)
	})
}

// A stream in which every byte may begin a long frame ends as well.
func TestHopelessStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		layout := Layout{LengthSize: 1, LengthAdds: 60_000, Check: "CRC-32", Max: maxFrame}
		d, err := OpenBytes("loader", drivertest.Respond("wire", drivers.System, func([]byte) []byte {
			return make([]byte, 200_000)
		}), drivers.System, ByteOptions{Frame: &layout})
		require.NoError(t, err)
		_, err = d.Ask(t.Context(), make([]byte, 60_000), drivers.Awaited{})
		require.ErrorContains(t, err, "loader: ask: too much came that is no frame; received 00 00")
	})
}

func TestByteDevice(t *testing.T) {
	layout := layouts()[0]
	drivertest.TestDevice(t, func(t *testing.T) drivers.Device {
		d, err := OpenBytes("loader", drivertest.Respond("wire", drivers.System, func([]byte) []byte { return nil }),
			drivers.System, ByteOptions{Frame: &layout, Safe: [][]byte{{0}}})
		require.NoError(t, err)
		return d
	})
}

// Whatever comes, the reader ends, loses nothing but what it counts, and gives
// nothing whose check sum does not fit.
func FuzzFrames(f *testing.F) {
	for i, l := range layouts() {
		fr, err := newFramer(l)
		if err != nil {
			f.Fatal(err)
		}
		if b, err := fr.frame([]byte("datadat")); err == nil {
			f.Add(uint8(i), append([]byte{0xA5, 0xFF}, b...))
		}
		f.Add(uint8(i), []byte{})
	}
	f.Fuzz(func(t *testing.T, which uint8, b []byte) {
		if len(b) > 1000 {
			return
		}
		list := layouts()
		fr, err := newFramer(list[int(which)%len(list)])
		if err != nil {
			t.Fatal(err)
		}
		for _, final := range []bool{false, true} {
			rest := bytes.Clone(b)
			for {
				before := len(rest)
				fr.work = 0
				data, after, passed, ok := fr.next(rest, final)
				if passed < 0 || passed+len(after) > before || !ok && passed+len(after) != before {
					t.Fatalf("%d bytes: %d passed over, %d left, frame %v", before, passed, len(after), ok)
				}
				if !ok {
					if final && len(after) != 0 {
						t.Fatalf("% X left at the end", after)
					}
					break
				}
				frame := rest[passed : before-len(after)]
				if made, err := fr.frame(data); err != nil || !bytes.Equal(made, frame) {
					t.Fatalf("% X was read as % X, which makes % X, %v", frame, data, made, err)
				}
				rest = after
			}
		}
	})
}

// Lines of whatever comes hold no line ends and are bounded, and none is lost.
func FuzzLines(f *testing.F) {
	f.Add([]byte("a\r\nb\n\x00\x1b[31mc\x1b[0m\rd"))
	f.Add([]byte("\x1b["))
	f.Fuzz(func(t *testing.T, b []byte) {
		rest := bytes.Clone(b)
		for {
			before := len(rest)
			l, after, ok := cutLine(rest)
			if !ok {
				break
			}
			if len(after) >= before || len(l.text) == 0 || len(l.text) > maxLine || bytes.ContainsAny(l.text, "\r\n") {
				t.Fatalf("%q of %d, %d left", l.text, before, len(after))
			}
			rest = after
		}
		if got := shorten(bytes.Clone(b)); len(got) > len(b) || !bytes.HasPrefix(b, got) {
			t.Fatalf("%q was shortened to %q", b, got)
		}
	})
}
