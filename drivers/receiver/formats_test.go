package receiver

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// A frame heard from a real receiver, as several drivers of others have it in
// their tests, and its values.
func TestIBUSPublished(t *testing.T) {
	b := unhex(t, "2040DB05DC055405DC05E803D007D205E803DC05DC05DC05DC05DC05DC05DAF3")
	want := [IBUSChannels]uint16{1499, 1500, 1364, 1500, 1000, 2000, 1490, 1000, 1500, 1500, 1500, 1500, 1500, 1500}
	var got [][IBUSChannels]uint16
	d := NewIBUSDecoder(func(ch *[IBUSChannels]uint16) { got = append(got, *ch) })
	d.Decode(b)
	require.Equal(t, [][IBUSChannels]uint16{want}, got)
	require.Equal(t, b, AppendIBUS(nil, &want))
	for i := range b { // the sum finds every changed byte
		bad := slices.Clone(b)
		bad[i] ^= 0x10
		d := NewIBUSDecoder(func(*[IBUSChannels]uint16) { t.Errorf("byte %d changed, and the frame taken", i) })
		d.Decode(bad)
	}
}

// The check value of CRC-16/XMODEM in the catalogue of CRCs, and 0x2EE0 for 1500 us.
func TestSUMDPublished(t *testing.T) {
	require.Equal(t, uint16(0x31C3), crc16(xmodem(), []byte("123456789")))
	for status, failsafe := range map[byte]bool{0x01: false, 0x03: false, 0x81: true} {
		b := []byte{0xA8, status, 4, 0x2E, 0xE0, 0x22, 0x60, 0x3B, 0x60, 0x1C, 0x20}
		crc := crc16(xmodem(), b)
		b = append(b, byte(crc>>8), byte(crc))
		var got []SUMDFrame
		d := NewSUMDDecoder(func(f *SUMDFrame) { got = append(got, SUMDFrame{slices.Clone(f.Channels), f.Failsafe}) })
		d.Decode(b)
		require.Len(t, got, 1)
		require.Equal(t, failsafe, got[0].Failsafe)
		for i, us := range []float64{1500, 1100, 1900, 900} {
			require.Equal(t, us, float64(got[0].Channels[i])*SUMDGain)
		}
		if status != 0x03 {
			require.Equal(t, b, AppendSUMD(nil, got[0]))
		}
	}
	d := NewSUMDDecoder(func(*SUMDFrame) { t.Error("SUMH is not SUMD") })
	b := []byte{0xA8, 0x00, 2, 0, 0, 0, 0}
	crc := crc16(xmodem(), b)
	d.Decode(append(b, byte(crc>>8), byte(crc)))
}

// Damaged and lost bytes leave the frames around whole.
func TestOtherStreams(t *testing.T) {
	for _, kind := range []string{"iBUS", "SUMD"} {
		var b []byte
		var want [][Channels]uint16
		for i := range 9 {
			f, ch := other(kind, i)
			if i == 4 {
				f[9] ^= 1
			} else {
				want = append(want, ch)
			}
			b = append(b, f...)
		}
		for _, size := range []int{1, 7, 1000} {
			got, n := hear(kind, b, size)
			require.Equal(t, want, got, kind)
			require.Equal(t, 8, n.Frames)
			require.Equal(t, 1, n.Damaged)
		}
	}
}

// Silence is no fault where a receiver may be silent; bytes without a frame are.
func TestRecordOtherFormats(t *testing.T) {
	for kind, gain := range map[string]float64{"iBUS": 1, "SUMD": SUMDGain} {
		synctest.Test(t, func(t *testing.T) {
			port, peer := drivertest.Pipe("wire", drivers.System)
			r := open(t, port, kind)
			said, err := r.Ready(t.Context())
			require.NoError(t, err)
			require.Empty(t, said)
			f, err := r.Record(t.Context(), 300*time.Millisecond)
			require.NoError(t, err)
			require.Empty(t, f.Frames)

			go func() {
				for i := range 40 {
					b, _ := other(kind, i)
					send(peer, 7*time.Millisecond, b)
				}
			}()
			f, err = r.Record(t.Context(), 290*time.Millisecond)
			require.NoError(t, err)
			require.Len(t, f.Frames, 40)
			require.Equal(t, gain, f.Gain)
			require.Zero(t, f.Offset)
			require.Equal(t, 7*time.Millisecond, f.Frames[20].At-f.Frames[19].At)

			go send(peer, 7*time.Millisecond, []byte("no frame at all, at another rate"), make([]byte, 30))
			_, err = r.Record(t.Context(), 200*time.Millisecond)
			require.Equal(t, drivers.Garbled, drivers.KindOf(err))
			require.NoError(t, port.Close())
		})
	}
}

// The examples of the published description: 25.2 V is 0x00FC, 18.9 A 0x00BD,
// 2199 mAh 0x000897, 20 % 0x14; a mode's text ends with a zero byte.
func TestCRSFTelemetry(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		r := open(t, port, "CRSF")
		battery := AppendCRSF(nil, 0xC8, 0x08, []byte{0x00, 0xFC, 0x00, 0xBD, 0x00, 0x08, 0x97, 0x14})
		mode := func(text string) []byte { return AppendCRSF(nil, 0xC8, 0x21, []byte(text)) }
		link := AppendCRSFLink(nil, CRSFLink{UpRSSI1: 70, UpQuality: 98, UpSNR: -3})
		go func() {
			send(peer, 50*time.Millisecond, battery, mode("ACRO\x00rest"), mode("ACRO\x00"), link, mode("A\x1b\xffB\x00"), battery)
		}()
		f, err := r.Record(t.Context(), 290*time.Millisecond)
		require.NoError(t, err)
		require.Equal(t, []drivers.Battery{{At: 50 * time.Millisecond, Voltage: 25.2, Current: 18.9, Charge: 7916.4, Remaining: 20}},
			f.Battery)
		require.Equal(t, []drivers.FlightMode{{At: 100 * time.Millisecond, Text: "ACRO"}, {At: 250 * time.Millisecond, Text: "A??B"}}, f.Modes)
		require.Equal(t, []drivers.LinkStatistics{{At: 200 * time.Millisecond, RSSI: -70, Quality: 98, SNR: -3}}, f.Link)
		require.NoError(t, port.Close())
		time.Sleep(time.Second)
	})
	var got []CRSFBattery
	d := NewCRSFDecoder(nil, nil)
	d.Telemetry(func(b CRSFBattery) { got = append(got, b) }, nil)
	d.Decode(AppendCRSF(nil, 0xC8, 0x08, []byte{0, 1, 0xFF, 0xFF, 1, 0, 0, 0})) // charging
	d.Decode(AppendCRSF(nil, 0xC8, 0x08, []byte{0, 1, 0xFF, 0xFF, 1, 0, 0}))    // too short
	d.Decode(AppendCRSF(nil, 0xC8, 0x21, nil))
	require.Equal(t, []CRSFBattery{{1, -1, 65536, 0}}, got)
}
