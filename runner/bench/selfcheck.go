package bench

import (
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/modbus"
	"fullthrow/drivers/receiver"
	"fullthrow/drivers/scpi"
	"fullthrow/runner/selfcheck"
)

// SelfcheckFunctions are what the self-check asks of the drivers: bytes to values
// and back. Bytes are written in hexadecimal, with blanks.
func SelfcheckFunctions() map[string]selfcheck.Function {
	return map[string]selfcheck.Function{
		"modbus.CRC": func(a *selfcheck.Args) (selfcheck.Figures, error) {
			b, err := unhex(a.Text(0))
			return selfcheck.Figures{"CRC": fmt.Sprintf("%04X", modbus.CRC(b))}, err
		},
		// address, function code, data
		"modbus.Message": func(a *selfcheck.Args) (selfcheck.Figures, error) {
			data, err := unhex(a.Text(2))
			return selfcheck.Figures{"message": fmt.Sprintf("% X", modbus.Message(byte(a.Whole(0)), byte(a.Whole(1)), data...))}, err
		},
		// request and reply without their check sums, number of bits
		"modbus.ParseBits": func(a *selfcheck.Args) (selfcheck.Figures, error) {
			request, err := unhex(a.Text(0))
			if err != nil {
				return nil, err
			}
			reply, err := unhex(a.Text(1))
			if err != nil || len(reply) < 2 {
				return nil, notBytes(a.Text(1))
			}
			levels, err := modbus.ParseBits(request, modbus.Message(reply[0], reply[1], reply[2:]...), a.Whole(2))
			var text strings.Builder
			for _, l := range levels {
				text.WriteByte(map[bool]byte{false: '0', true: '1'}[l])
			}
			return selfcheck.Figures{"bits": text.String()}, err
		},
		// type, payload; to address C8
		"receiver.AppendCRSF": func(a *selfcheck.Args) (selfcheck.Figures, error) {
			kind, err := unhex(a.Text(0))
			if err != nil || len(kind) != 1 {
				return nil, notBytes(a.Text(0))
			}
			payload, err := unhex(a.Text(1))
			if err != nil || len(payload) > 60 {
				return nil, notBytes(a.Text(1))
			}
			f := receiver.AppendCRSF(nil, receiver.CRSFAddress, kind[0], payload)
			return selfcheck.Figures{"frame": fmt.Sprintf("% X", f), "CRC": fmt.Sprintf("%02X", f[len(f)-1])}, nil
		},
		"receiver.CRSFDecoder":        decodeCRSF,
		"receiver.SBUSDecoder":        decodeSBUS,
		"receiver.PPM":                decodePPM,
		"drivers.Frames.Microseconds": microseconds,
		"scpi.ParseBlock":             parseBlock,
		"scpi.ParseNumber":            parseNumber,
		"scpi.AppendReal32":           real32,
	}
}

func unhex(s string) ([]byte, error) { return hex.DecodeString(strings.ReplaceAll(s, " ", "")) }

// notBytes is the error for an argument that is too short, too long or not
// hexadecimal.
func notBytes(s string) error { return fmt.Errorf("%q are not the bytes needed", s) }

func decodeSBUS(a *selfcheck.Args) (selfcheck.Figures, error) {
	b, err := unhex(a.Text(0))
	if err != nil {
		return nil, err
	}
	f := selfcheck.Figures{}
	receiver.NewSBUSDecoder(func(s *receiver.SBUSFrame) {
		var flags []string
		for _, x := range []struct {
			set  bool
			name string
		}{{s.Ch17, "channel 17"}, {s.Ch18, "channel 18"}, {s.Lost, "lost"}, {s.Failsafe, "failsafe"}} {
			if x.set {
				flags = append(flags, x.name)
			}
		}
		f["channels"], f["flags"] = words(s.Channels), strings.Join(flags, " and ")
		f["packed again"] = fmt.Sprintf("% X", receiver.AppendSBUS(nil, s))
	}).Decode(b)
	return f, nil
}

func decodeCRSF(a *selfcheck.Args) (selfcheck.Figures, error) {
	b, err := unhex(a.Text(0))
	if err != nil {
		return nil, err
	}
	f := selfcheck.Figures{}
	receiver.NewCRSFDecoder(func(ch *[receiver.Channels]uint16) {
		f["channels"] = words(*ch)
		f["packed again"] = fmt.Sprintf("% X", receiver.AppendCRSFChannels(nil, ch))
	}, func(l receiver.CRSFLink) {
		f["link"] = fmt.Sprintf("RSSI %d %d, quality %d, SNR %d, antenna %d, profile %d, power %d, down %d %d %d",
			l.UpRSSI1, l.UpRSSI2, l.UpQuality, l.UpSNR, l.Antenna, l.Profile, l.Power, l.DownRSSI, l.DownQuality, l.DownSNR)
	}).Decode(b)
	return f, nil
}

func words(channels [receiver.Channels]uint16) string {
	return strings.Trim(fmt.Sprint(channels), "[]")
}

// microseconds is what a raw value of SBUS or CRSF stands for.
func microseconds(a *selfcheck.Args) (selfcheck.Figures, error) {
	f := drivers.Frames{Gain: receiver.Gain, Offset: receiver.Offset, Frames: []drivers.Frame{{Channels: []uint16{uint16(a.Whole(0))}}}}
	return selfcheck.Figures{"microseconds": f.Microseconds(0, 1)}, nil
}

// decodePPM reads four frames of eight channels of the same width, in µs, at
// the period given, in µs.
func decodePPM(a *selfcheck.Args) (selfcheck.Figures, error) {
	start := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)
	var edges []drivers.Edge
	for frame := range 4 {
		at := start.Add(time.Duration(frame) * time.Duration(a.Number(1)*float64(time.Microsecond)))
		for pulse := range 9 {
			up := at.Add(time.Duration(pulse) * time.Duration(a.Number(0)*float64(time.Microsecond)))
			edges = append(edges, drivers.Edge{At: up, Rising: true}, drivers.Edge{At: up.Add(300 * time.Microsecond)})
		}
	}
	got := receiver.PPM(edges, start, false)
	f := selfcheck.Figures{"frames": float64(len(got.Frames))}
	if len(got.Frames) > 0 && len(got.Frames[0].Channels) == 8 {
		f["microseconds"] = got.Microseconds(0, 8)
	}
	return f, nil
}

// lineEnds writes the ends of lines as \r and \n, lineBytes reads them.
var (
	lineEnds  = strings.NewReplacer("\r", `\r`, "\n", `\n`)
	lineBytes = strings.NewReplacer(`\r`, "\r", `\n`, "\n")
)

func parseBlock(a *selfcheck.Args) (selfcheck.Figures, error) {
	data, rest, err := scpi.ParseBlock([]byte(lineBytes.Replace(a.Text(0))))
	if err != nil { // the answer to a block that is none, or not whole
		return selfcheck.Figures{"data": "refused"}, nil
	}
	return selfcheck.Figures{"data": lineEnds.Replace(string(data)), "rest": lineEnds.Replace(string(rest))}, nil
}

func parseNumber(a *selfcheck.Args) (selfcheck.Figures, error) {
	v, err := scpi.ParseNumber(a.Text(0))
	return selfcheck.Figures{"value": v}, err
}

// real32 reads four bytes, "big" or "little" end first.
func real32(a *selfcheck.Args) (selfcheck.Figures, error) {
	b, err := unhex(a.Text(0))
	if err != nil || len(b) != 4 {
		return nil, notBytes(a.Text(0))
	}
	return selfcheck.Figures{"value": scpi.AppendReal32(nil, b, a.Text(1) == "little")[0]}, nil
}
