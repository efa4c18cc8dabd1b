package modbus

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"

	"fullthrow/drivers"
)

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// CRC catalogue (RevEng) entry CRC-16/MODBUS: check 4B37, residue 0; single
// byte and empty [re-computed].
func TestCRC(t *testing.T) {
	for _, c := range []struct {
		text string
		want uint16
	}{{"123456789", 0x4B37}, {"a", 0xA87E}, {"", 0xFFFF}, {"123456789\x37\x4B", 0}} {
		if got := crc16([]byte(c.text)); got != c.want {
			t.Errorf("%q: %04X, want %04X", c.text, got, c.want)
		}
	}
}

// Examples of the standards. Those of MODBUS Application Protocol V1.1b3 are
// without address and CRC there; both were added [re-computed]. MODBUS over
// Serial Line V1.02 gives 02 07 with its CRC 1241.
func TestPublishedMessages(t *testing.T) {
	for _, c := range []struct {
		name string
		got  []byte
		want string
	}{
		{"serial line V1.02, CRC example", message(2, 7), "02 07 41 12"},
		{"V1.1b3 6.1, FC 01 request", request(1, readCoils, 0x13, 0x13), "01 01 00 13 00 13 8C 02"},
		{"V1.1b3 6.2, FC 02 request", request(2, readInputs, 0xC4, 0x16), "02 02 00 C4 00 16 B8 0A"},
		{"V1.1b3 6.3, FC 03 request", request(0x11, 3, 0x6B, 3), "11 03 00 6B 00 03 76 87"},
		{"V1.1b3 6.5, FC 05 request", request(0x11, writeSingleCoil, 0xAC, coilOn), "11 05 00 AC FF 00 4E 8B"},
		{"V1.1b3 6.6, FC 06 request", request(0x11, 6, 1, 3), "11 06 00 01 00 03 9A 9B"},
		{"exception", message(1, 0x83, 2), "01 83 02 C0 F1"},
	} {
		if want := unhex(t, c.want); !bytes.Equal(c.got, want) {
			t.Errorf("%s: % X, want % X", c.name, c.got, want)
		}
	}
}

// Replies of V1.1b3 6.1 and 6.2: data CD 6B 05 and AC DB 35 are coils 20..38
// and inputs 197..218.
func TestPublishedReplies(t *testing.T) {
	for _, c := range []struct {
		sent []byte
		data string
		n    int
		want string // lowest address first
	}{
		{request(1, readCoils, 0x13, 0x13), "03 CD 6B 05", 19, "1011001111010110101"},
		{request(2, readInputs, 0xC4, 0x16), "03 AC DB 35", 22, "0011010111011011101011"},
	} {
		got, bad := checkReply(c.sent, message(c.sent[0], c.sent[1], unhex(t, c.data)...))
		if bad != nil {
			t.Fatal(bad)
		}
		levels, bad := bits(got, c.n)
		if bad != nil {
			t.Fatal(bad)
		}
		var s string
		for _, l := range levels {
			s += map[bool]string{false: "0", true: "1"}[l]
		}
		if s != c.want {
			t.Errorf("%s: %s, want %s", c.data, s, c.want)
		}
	}
}

func TestBadReplies(t *testing.T) {
	sent := request(1, readCoils, 0, 8)
	good := message(1, readCoils, 1, 0x05)
	for _, c := range []struct {
		name string
		got  []byte
		kind drivers.Kind
		want string
	}{
		{"bit flipped", append([]byte{1, 1, 1, 0x04}, good[4:]...), drivers.Garbled, "wrong CRC"},
		{"other address", message(2, readCoils, 1, 5), drivers.Garbled, "a reply of address 2, asked was 1"},
		{"other function", message(1, 3, 2, 0, 0), drivers.Garbled, "a reply to function 3"},
		{"short", good[:4], drivers.Garbled, "a reply of 4 bytes"},
		{"empty", nil, drivers.Garbled, "a reply of 0 bytes"},
		{"busy", message(1, 0x81, 6), drivers.Refused, "exception 6, server device busy"},
		{"unknown exception", message(1, 0x81, 0x77), drivers.Refused, "exception 119, not in the standard"},
	} {
		_, bad := checkReply(sent, c.got)
		if bad == nil || bad.kind != c.kind || !strings.Contains(bad.text, c.want) {
			t.Errorf("%s: got %+v, want %s: %s", c.name, bad, c.kind, c.want)
		}
	}
	if _, bad := bits([]byte{2, 0, 0}, 8); bad == nil || bad.kind != drivers.Garbled {
		t.Errorf("two bytes for eight bits: %v", bad)
	}
}

func FuzzCheckReply(f *testing.F) {
	f.Add(byte(1), message(1, readCoils, 1, 5))
	f.Add(byte(5), message(1, 0x85, 4))
	f.Fuzz(func(t *testing.T, function byte, got []byte) {
		sent := request(1, function, 0, 8)
		data, bad := checkReply(sent, got)
		if bad == nil && (crc16(got) != 0 || got[0] != 1 || got[1] != function || len(data) != len(got)-4) {
			t.Errorf("% X taken for a reply to % X: data % X", got, sent, data)
		}
		if n := replyLength(got, function); n > 0 && n < 5 {
			t.Errorf("a reply of %d bytes is expected", n)
		}
	})
}
