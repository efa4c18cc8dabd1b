package script

import (
	"fmt"
	"strings"
	"testing"

	must "github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/text"
)

// talking is a stage with a console, an own console of the unit, and a device of bytes.
func talking(t *testing.T, answer func(line string) string, reply func([]byte) []byte, frame *text.Layout) *stage {
	t.Helper()
	s := newStage()
	for role, unit := range map[string]bool{"console": false, "own": true} {
		c, err := text.Open(role, drivertest.Respond(role, s.clock, drivertest.Lines(answer)), s.clock,
			text.Options{Unit: unit})
		must.NoError(t, err)
		s.host.Devices[role] = c
	}
	d, err := text.OpenBytes("loader", drivertest.Respond("loader", s.clock, reply), s.clock,
		text.ByteOptions{Frame: frame})
	must.NoError(t, err)
	s.host.Devices["loader"] = d
	return s
}

func TestConsole(t *testing.T) {
	asked := 0
	answers := map[string]string{"version": "# warm\nversion 2.7 build 418", "set 9": "error 12 range", "long": strings.Repeat("a", 3000)}
	s := talking(t, func(line string) string {
		if line == "count" {
			asked++
			return fmt.Sprint("count ", asked/2)
		}
		return answers[line]
	}, nil, nil)
	must.NoError(t, s.run(t, body(`
		reading("version", bench.console:ask("version", "version (%d+%.%d+)"))
		local version, build = bench.console:ask("version", "version (%S+) build (%d+)")
		reading("build", version .. "/" .. build)
		local which, code = bench.console:ask("set 9", { "^ok$", "error (%d+)" }, { within = 0.5 })
		reading("twice", bench.console:ask("version", "version (%S+)", { twice = true }))
		reading("which", which .. ":" .. code)
		reading("whole", bench.console:ask("set 9"))
		reading("others", table.concat(bench.console:others(), "|"))
		bench.console:send("set 9")
		reading("expected", bench.console:expect("range"))
		reading("silent", tostring(bench.own:ask("off", "x", { within = 0.1 })))
		reading("silent_here", tostring(bench.console:ask("off", "x", { silence = "result" })))
		local ok, e = pcall(function() bench.own:ask("off", "x", { silence = "fault" }) end)
		reading("fault", e.kind .. " of " .. e.device)
		ok, e = pcall(function() bench.console:ask("set 9", "ok") end)
		reading("other", e.kind .. ": " .. e.message)
	`)))
	var got []string
	for _, r := range s.tape.readings {
		got = append(got, r.Name+"="+r.Value.String())
	}
	must.Equal(t, []string{"version=2.7", "build=2.7/418", "twice=2.7", "which=2:12", "whole=error 12 range", "others=# warm|# warm|# warm|# warm",
		"expected=range", "silent=nil", "silent_here=nil", "fault=no reply of own",
		`other=garbled: console: ask: no answer to "set 9" that fits "ok" in 2s; received "error 12 range"`}, got)

	for lua, want := range map[string]string{
		`bench.console:ask()`:                                      "what to say is nil",
		`bench.console:ask("a\nb")`:                                "holds a line end",
		`bench.console:ask("a", 3)`:                                "what to wait for is",
		`bench.console:ask("a", { silence = "fault" })`:            "no list of 1 to 16 patterns",
		`bench.console:ask("a", "x", { silence = "good" })`:        `silence is "good"`,
		`bench.console:ask("a", "x", { with = 1 })`:                `there is no option "with"`,
		`bench.console:ask("count", nil, { twice = true })`:        `console: ask: it answered "count 0" first, and then "count 1"`,
		`bench.console:ask("a", "[x")`:                             "unexpected EOS",
		`bench.console:ask("a", "x*x*x*x*x*x*x*x*y")`:              "could take too long on a line of 40 bytes",
		`bench.console:ask("long", "a*a*b")`:                       `no answer to "long" that fits "a*a*b"`,
		`bench.console:ask("nothing", "x")`:                        `console: ask: no reply in 2s to "nothing"`,
		`bench.console:expect(nil, { within = 0 })`:                "within is 0 s",
		`bench.console:ask("version", "version", { within = -1 })`: "within",
		`bench.console:tell("x")`:                                  "has no tell",
	} {
		must.ErrorContains(t, s.run(t, body(lua)), want, lua)
	}
}

// A chatty device cannot make a bearable pattern an endless one.
func TestPatternsOnManyLines(t *testing.T) {
	line := strings.Repeat("a", 120) + "\n"
	s := talking(t, func(string) string { return strings.Repeat(line, 1000) }, nil, nil)
	err := s.run(t, body(`bench.console:ask("x", "a-a-b")`))
	must.ErrorContains(t, err, "matching patterns took too long on the")
	var e *Error
	must.ErrorAs(t, err, &e)
	must.Equal(t, patternLimitsHint, e.Hint)
}

func TestByteDevices(t *testing.T) {
	frame := &text.Layout{Begin: []byte{0xA5}, LengthAt: 1, LengthSize: 1, LengthAdds: 4, Check: "CRC-16/XMODEM"}
	crc, err := drivers.CRCNamed("CRC-16/XMODEM")
	must.NoError(t, err)
	made := func(data string) []byte {
		b := append([]byte{0xA5, byte(len(data))}, data...)
		sum := crc.Sum(b)
		return append(b, byte(sum>>8), byte(sum))
	}
	s := talking(t, nil, func(sent []byte) []byte {
		switch sent[2] {
		case 1:
			return append(made("\x7fbusy"), made("\x01\x00\x02\xff")...)
		case 2:
			b := made("\x02")
			b[2] ^= 4
			return b
		}
		return nil
	}, frame)
	must.NoError(t, s.run(t, body(`
		local kind, a, b = bytes.unpack("B>Hb", bench.loader:ask(bytes.pack("B>H", 1, 500), { starts = "\1" }))
		reading("a", kind .. " " .. a .. " " .. b)
		bench.loader:send("\3")
		reading("silent", tostring(bench.loader:expect({ within = 0.1, silence = "result" })))
	`)))
	must.Equal(t, "1 2 -1", s.tape.readings[0].Value.String())
	for lua, want := range map[string]string{
		`bench.loader:ask("\2")`:                 "loader: ask: no whole answer in 2s; received A5 01 06",
		`bench.loader:ask("\3")`:                 "loader: ask: no reply in 2s",
		`bench.loader:ask("\3", { length = 2 })`: "gives this device frames",
		`bench.loader:ask(3)`:                    "what to say is",
	} {
		must.ErrorContains(t, s.run(t, body(lua)), want, lua)
	}
	s = talking(t, nil, func(sent []byte) []byte { return []byte("\x01\x02\x03\x04") }, nil)
	must.NoError(t, s.run(t, body(`reading("x", bytes.hex(bench.loader:ask("\2", { length = 3 })))`)))
	must.Equal(t, "01 02 03", s.tape.readings[0].Value.String())
	must.ErrorContains(t, s.run(t, body(`bench.loader:ask("\2")`)), "how many bytes the answer has is not said")
	must.ErrorContains(t, s.run(t, body(`bench.loader:ask("\2", { length = 5 })`)), "no whole answer in 2s; received 01 02 03 04")
}

// The first values are those of the reference manual of Lua 5.3, 6.4.2, worked out by
// hand and by Python's struct.
func TestPack(t *testing.T) {
	for lua, want := range map[string]string{
		`bytes.hex(bytes.pack("<BHI4", 1, 515, 67305985))`:                                                   "01 03 02 01 02 03 04",
		`bytes.hex(bytes.pack(">bhi4x", -1, -2, -3))`:                                                        "FF FF FE FF FF FF FD 00",
		`bytes.hex(bytes.pack(">I3 <I3", 66051, 66051))`:                                                     "01 02 03 03 02 01",
		`bytes.hex(bytes.pack(">f<d", 1.5, -0.1))`:                                                           "3F C0 00 00 9A 99 99 99 99 99 B9 BF",
		`bytes.hex(bytes.pack("s1zc4", "ab", "c", "d"))`:                                                     "02 61 62 63 00 64 00 00 00",
		`bytes.hex(bytes.pack("<i8", -2))`:                                                                   "FE FF FF FF FF FF FF FF",
		`table.concat({ bytes.unpack("<i8", bytes.of("FEFFFFFFFFFFFFFF")) }, " ")`:                           "-2 9",
		`table.concat({ bytes.unpack(">bhi3", bytes.of("FF FF FE FF FF FD")) }, " ")`:                        "-1 -2 -3 7",
		`table.concat({ bytes.unpack("s1zc2", bytes.of("02 61 62 63 00 64 65")) }, " ")`:                     "ab c de 8",
		`table.concat({ bytes.unpack(">f", bytes.of("00 3F C0 00 00"), 2) }, " ")`:                           "1.5 6",
		`string.format("%X %X", bytes.crc("CRC-16/MODBUS", "123456789"), bytes.crc("CRC-32C", "123456789"))`: "4B37 E3069283",
	} {
		s := newStage()
		must.NoError(t, s.run(t, body(`reading("x", `+lua+`)`)), lua)
		must.Equal(t, want, s.tape.readings[0].Value.String(), lua)
	}
	for lua, want := range map[string]string{
		`bytes.pack("B", 256)`:                      "value 1 is 256: it must be from 0 to 255",
		`bytes.pack("b", -129)`:                     "from -128 to 127",
		`bytes.pack("I8", 2^60)`:                    "from 0 to 9.00",
		`bytes.pack("B", 1.5)`:                      "no whole number",
		`bytes.pack("B", 0/0)`:                      "value 1",
		`bytes.pack("BB", 1)`:                       "the format has 2 values, and 1 are given",
		`bytes.pack("B", 1, 2)`:                     "the format has 1 values, and 2 are given",
		`bytes.pack("B", "1")`:                      "must be a number",
		`bytes.pack("i9", 1)`:                       "is not a format",
		`bytes.pack("s", "a")`:                      "is not a format",
		`bytes.pack("q", 1)`:                        "is not a format",
		`bytes.pack("c99999999999", "a")`:           "is not a format",
		`bytes.pack(("c65536"):rep(40), "", "")`:    "more than 65536 bytes",
		`bytes.pack(("B"):rep(300))`:                "a format of 300 bytes",
		`bytes.pack("c1", "ab")`:                    "2 bytes, which do not fit",
		`bytes.pack("z", "a\0")`:                    "holds a byte of 0",
		`bytes.unpack("I4", "abc")`:                 "3 bytes, and the format wants more: 4 at byte 1",
		`bytes.unpack("s4", "\255\255\255\255abc")`: "the format wants more",
		`bytes.unpack("z", "abc")`:                  "no byte of 0 ends the text",
		`bytes.unpack("I8", ("\255"):rep(8))`:       "more than a number holds exactly",
		`bytes.unpack("B", "a", 3)`:                 "where to begin",
		`bytes.crc("CRC-16/MODBUSS", "a")`:          `no check sum is named "CRC-16/MODBUSS"`,
		`bytes.of("A")`:                             `bytes.of: "A"`,
		`bytes.of(3)`:                               "must be a text",
	} {
		must.ErrorContains(t, newStage().run(t, body(lua)), want, lua)
	}
}
