package serialport

import (
	"fmt"
	"strings"

	"fullthrow/drivers"
)

// Address says which port: a Path ("/dev/ttyUSB0", "COM3"), or the identity of
// a USB adapter.
type Address struct {
	Path string
	USB  USB
}

// USB is the identity of a USB device. Vendor and Product are four hexadecimal
// digits; an empty field matches anything.
type USB struct {
	Vendor  string
	Product string
	Serial  string // serial number of the adapter
}

func (u USB) String() string {
	s := "usb " + orAny(u.Vendor) + ":" + orAny(u.Product)
	if u.Serial != "" {
		s += " " + u.Serial
	}
	return s
}

func orAny(s string) string {
	if s == "" {
		return "*"
	}
	return strings.ToLower(s)
}

func (a Address) String() string {
	if a.Path != "" {
		return a.Path
	}
	return a.USB.String()
}

// Info is a serial port of this machine.
type Info struct {
	Path  string
	USB   USB    // zero if it is not on USB
	About string // maker and product as the adapter says
}

func (i Info) String() string {
	s := i.Path
	if i.USB != (USB{}) {
		s += " (" + i.USB.String() + ")"
	}
	if i.About != "" {
		s += " " + i.About
	}
	return s
}

func (u USB) matches(v USB) bool {
	if v == (USB{}) {
		return false
	}
	return (u.Vendor == "" || strings.EqualFold(u.Vendor, v.Vendor)) &&
		(u.Product == "" || strings.EqualFold(u.Product, v.Product)) &&
		(u.Serial == "" || u.Serial == v.Serial)
}

// resolve finds the path.
func (a Address) resolve(list func() ([]Info, error)) (string, error) {
	const op = "open"
	if a.Path != "" {
		if a.USB != (USB{}) {
			return "", drivers.Errorf(a.Path, op, drivers.OutOfRange, "both a path and a USB identity are given").
				WithHint("Keep one of them in the bench file.")
		}
		return a.Path, nil
	}
	if a.USB == (USB{}) {
		return "", drivers.Errorf("serial port", op, drivers.OutOfRange, "neither a path nor a USB identity is given")
	}
	infos, err := list()
	if err != nil {
		return "", drivers.Errorf(a.String(), op, drivers.Fault, "list ports: %w", err)
	}
	var found, usb []Info
	for _, i := range infos {
		if i.USB != (USB{}) {
			usb = append(usb, i)
		}
		if a.USB.matches(i.USB) {
			found = append(found, i)
		}
	}
	switch len(found) {
	case 1:
		return found[0].Path, nil
	case 0:
		hint := "No USB serial port is plugged in."
		if len(usb) > 0 {
			hint = "There are: " + join(usb) + "."
		}
		return "", drivers.Errorf(a.String(), op, drivers.Gone, "no such USB device").WithHint(hint)
	}
	return "", drivers.Errorf(a.String(), op, drivers.Fault, "%d devices match", len(found)).
		WithHint("Name one by its serial number, or by its path if they have none: " + join(found) + ".")
}

func join(infos []Info) string {
	var s []string
	for _, i := range infos {
		s = append(s, fmt.Sprint(i))
	}
	return strings.Join(s, "; ")
}
