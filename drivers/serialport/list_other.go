//go:build !linux && !windows

package serialport

import (
	"errors"
	"io/fs"
	"slices"
	"syscall"

	"go.bug.st/serial"
)

// List returns the serial ports of this machine, sorted by path. USB identities
// are known on Linux and Windows only.
func List() ([]Info, error) {
	ports, err := serial.GetPortsList()
	if err != nil {
		return nil, err
	}
	slices.Sort(ports)
	var list []Info
	for _, p := range ports {
		list = append(list, Info{Path: p})
	}
	return list, nil
}

// notThere says whether err means that the device has gone.
func notThere(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENXIO) || errors.Is(err, syscall.EIO)
}
