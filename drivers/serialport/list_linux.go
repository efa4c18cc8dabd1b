package serialport

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
)

// List returns the serial ports of this machine, sorted by path. It reads
// /sys and opens no port, so it may be called while others are in use (the
// library's own list opens every ttyS it finds and changes its settings).
func List() ([]Info, error) { return listUnder("/sys/class/tty") }

func listUnder(class string) ([]Info, error) {
	entries, err := os.ReadDir(class)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, nil
		}
		return nil, err
	}
	var list []Info
	for _, e := range entries {
		device, err := filepath.EvalSymlinks(filepath.Join(class, e.Name(), "device"))
		if err != nil {
			continue // a console or pseudo-terminal: no hardware behind it
		}
		// A placeholder ttyS without a chip has type 0.
		if attribute(filepath.Join(class, e.Name()), "type") == "0" {
			continue
		}
		info := Info{Path: "/dev/" + e.Name()}
		// The USB device is the first directory above that has its identity.
		for dir := device; len(dir) > 1; dir = filepath.Dir(dir) {
			vendor := attribute(dir, "idVendor")
			if vendor == "" {
				continue
			}
			info.USB = USB{Vendor: strings.ToLower(vendor), Product: strings.ToLower(attribute(dir, "idProduct")),
				Serial: attribute(dir, "serial")}
			info.About = strings.TrimSpace(attribute(dir, "manufacturer") + " " + attribute(dir, "product"))
			break
		}
		list = append(list, info)
	}
	slices.SortFunc(list, func(a, b Info) int { return strings.Compare(a.Path, b.Path) })
	return list, nil
}

// attribute reads a file of /sys, "" if there is none.
func attribute(dir, name string) string {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// notThere says whether err means that the device has gone.
func notThere(err error) bool {
	for _, e := range []error{syscall.EIO, syscall.ENXIO, syscall.ENODEV, syscall.ENOENT, syscall.EPIPE,
		syscall.ESHUTDOWN, syscall.EPROTO} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}
