package bench

import (
	"fmt"
	"net"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"fullthrow/drivers/joystick"
)

// Port is a port as a bench file writes it.
type PortName struct {
	kind string // "serial", "usb", "tcp", "sim", "gpio", "i2c", "sound"
	// Rest is what follows the kind's own prefix: a path, "0403:6001:LQ7F2",
	// "127.0.0.1:5025", a role, a chip, a sound device.
	Rest string
}

func (p PortName) String() string {
	if p.kind == "serial" {
		return p.Rest
	}
	return p.kind + ":" + p.Rest
}

// isStream reports whether bytes go in and out; the others are opened by their
// driver itself.
func (p PortName) isStream() bool {
	return !slices.Contains([]string{"gpio", "i2c", "input", "program", "sound"}, p.kind)
}

var usbIdentity = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}(:[^:]+)?$`)
})

// ParsePort reads a port of a bench file.
func ParsePort(s string) (PortName, error) {
	kind, Rest, found := strings.Cut(s, ":")
	switch {
	case s == "":
		return PortName{}, fmt.Errorf("no port given")
	case strings.HasPrefix(s, "/") || isWindowsPort(s):
		return PortName{"serial", s}, nil
	case !found:
		return PortName{}, fmt.Errorf("port %q is neither a path (/dev/ttyUSB0) nor of a kind (usb:, tcp:, gpio:, "+
			"i2c:, input:, program:, sound:, sim:)", s)
	case Rest == "":
		return PortName{}, fmt.Errorf("port %q ends after the colon", s)
	}
	p := PortName{kind, Rest}
	switch kind {
	case "usb":
		if !usbIdentity().MatchString(Rest) {
			return p, fmt.Errorf("port %q: after usb: come vendor and product as four hex digits each, and perhaps "+
				"a serial number: usb:0403:6001:LQ7F2", s)
		}
	case "tcp":
		host, port, err := net.SplitHostPort(Rest)
		if n, err2 := strconv.Atoi(port); err != nil || err2 != nil || host == "" || n < 1 || n > 65535 {
			return p, fmt.Errorf("port %q: after tcp: come host and port: tcp:192.168.7.20:5025", s)
		}
	case "i2c":
		if n, err := strconv.Atoi(Rest); !strings.HasPrefix(Rest, "/") && (err != nil || n < 0) {
			return p, fmt.Errorf("port %q: after i2c: comes the number of the bus: i2c:1", s)
		}
	case "input":
		if _, err := joystick.ParseIdentity(Rest); err != nil {
			return p, fmt.Errorf("port %q: %w", s, err)
		}
	case "program":
		if !filepath.IsAbs(Rest) {
			return p, fmt.Errorf("port %q: after program: comes the whole path: program:/opt/flash/flash", s)
		}
	case "sim", "gpio", "sound":
	default:
		return p, fmt.Errorf("port %q begins with %q, which is no kind of port", s, kind+":")
	}
	return p, nil
}

// isWindowsPort reports whether s is a port name like COM3.
func isWindowsPort(s string) bool {
	n, ok := strings.CutPrefix(strings.ToUpper(s), "COM")
	_, err := strconv.Atoi(n)
	return ok && err == nil
}
