package receiver

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// levels is a line that carries bytes: true is high, one level per bit.
func levels(b []byte, parity bool, stops int) (line []bool) {
	for _, x := range b {
		line = append(line, false)
		even := false
		for bit := range 8 {
			one := x>>bit&1 == 1
			line = append(line, one)
			even = even != one
		}
		if parity {
			line = append(line, even)
		}
		for range stops {
			line = append(line, true)
		}
	}
	return line
}

// uart is what a port hears of a line that rests at idle before and after: it
// begins a byte at a falling edge, and goes on behind the first stop bit, good or
// not.
func uart(line []bool, idle, parity bool) (b []byte) {
	line = append(append([]bool{idle}, line...), idle, idle, idle, idle, idle, idle, idle, idle, idle, idle, idle, idle)
	length := 10
	if parity {
		length++
	}
	for i := 1; i+length <= len(line); i++ {
		if !line[i-1] || line[i] {
			continue
		}
		var x byte
		for bit := range 8 {
			if line[i+1+bit] {
				x |= 1 << bit
			}
		}
		b = append(b, x)
		i += length - 1
	}
	return b
}

func upsideDown(line []bool) []bool {
	out := make([]bool, len(line))
	for i := range line {
		out[i] = !line[i]
	}
	return out
}

// What a port hears of an inverted line is worked out bit by bit; the driver says
// so, with what to do, and says nothing of the kind of a line that is right.
func TestInvertedLine(t *testing.T) {
	for _, format := range []string{"SBUS", "CRSF", "iBUS", "SUMD"} {
		frame := func(i int) []byte {
			switch format {
			case "SBUS":
				return AppendSBUS(nil, &SBUSFrame{Channels: wave(i)})
			case "CRSF":
				ch := wave(i)
				return AppendCRSFChannels(nil, &ch)
			}
			b, _ := other(format, i)
			return b
		}
		parity, stops := format == "SBUS", 1
		if parity {
			stops = 2
		}
		require.Equal(t, frame(1), uart(levels(frame(1), parity, stops), true, parity), "a line that is right")
		for name, c := range map[string]struct {
			heard func(i int) []byte
			text  string
		}{
			"right":    {frame, ""},
			"inverted": {func(i int) []byte { return uart(upsideDown(levels(frame(i), parity, stops)), false, parity) }, "the signal looks inverted: "},
			"noise":    {func(i int) []byte { return []byte{0x55, 0xAA, byte(i)} }, "and not one whole"},
		} {
			synctest.Test(t, func(t *testing.T) {
				port, peer := drivertest.Pipe("wire", drivers.System)
				r := open(t, port, format)
				go func() {
					for i := range 50 {
						send(peer, 7*time.Millisecond, c.heard(i))
					}
				}()
				_, err := r.Record(t.Context(), 340*time.Millisecond)
				if c.text == "" {
					require.NoError(t, err, format)
				} else {
					require.ErrorContains(t, err, c.text, "%s, %s", format, name)
					var e *drivers.Error
					require.True(t, errors.As(err, &e) && e.Hint != "" && e.Kind == drivers.Garbled)
					if strings.Contains(c.text, "inverted") {
						require.Contains(t, e.Hint, "turn the line round")
					}
				}
				require.NoError(t, port.Close())
				time.Sleep(time.Second)
			})
		}
	}
}

// The same values again and again, whose frames also fit at a wrong place: the
// silence before each frame says where it begins.
func TestRepeatedFramesThatFitElsewhere(t *testing.T) {
	// A frame whose byte 9 is 0x0F, and which, begun there, ends in 0x00 0x00.
	var ch [Channels]uint16
	b := AppendSBUS(nil, &SBUSFrame{})
	b[9] = sbusHeader
	unpack(&ch, b[1:])
	b = AppendSBUS(nil, &SBUSFrame{Channels: ch})
	require.Equal(t, byte(sbusHeader), b[9])
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		r := open(t, port, "SBUS")
		go func() {
			send(peer, time.Millisecond, b[5:]) // the capture begins in the middle of a frame
			for range 49 {
				send(peer, 7*time.Millisecond, b)
			}
		}()
		f, err := r.Record(t.Context(), 340*time.Millisecond)
		require.NoError(t, err)
		require.Len(t, f.Frames, 48)
		for _, fr := range f.Frames {
			require.Equal(t, ch[:], fr.Channels)
		}
		require.NoError(t, port.Close())
		time.Sleep(time.Second)
	})
	// Followed at the wrong place from the beginning, by a silence in the wrong place.
	synctest.Test(t, func(t *testing.T) {
		port, peer := drivertest.Pipe("wire", drivers.System)
		r := open(t, port, "SBUS")
		go func() {
			send(peer, time.Millisecond, append(append([]byte(nil), b[9:]...), b...))
			for range 48 {
				send(peer, 7*time.Millisecond, b)
			}
		}()
		_, err := r.Record(t.Context(), 335*time.Millisecond)
		require.ErrorContains(t, err, "begin in the middle")
		require.Equal(t, drivers.Garbled, drivers.KindOf(err))
		require.NoError(t, port.Close())
		time.Sleep(time.Second)
	})
}
