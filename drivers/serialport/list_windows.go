package serialport

import (
	"errors"
	"io/fs"
	"slices"
	"strings"

	"go.bug.st/serial"
	"go.bug.st/serial/enumerator"
)

// List returns the serial ports of this machine, sorted by path. Do not call
// it while ports are in use: the library may open each one to look at it.
func List() ([]Info, error) {
	ports, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, err
	}
	var list []Info
	for _, d := range ports {
		if d.Name == "" {
			continue
		}
		info := Info{Path: d.Name}
		if d.IsUSB {
			info.USB = USB{Vendor: strings.ToLower(d.VID), Product: strings.ToLower(d.PID), Serial: d.SerialNumber}
			info.About = strings.TrimSpace(d.Manufacturer + " " + d.Product)
		}
		list = append(list, info)
	}
	slices.SortFunc(list, func(a, b Info) int { return strings.Compare(a.Path, b.Path) })
	return list, nil
}

// notThere says whether err means that the device has gone.
func notThere(err error) bool {
	var pe *serial.PortError
	return errors.Is(err, fs.ErrNotExist) || errors.As(err, &pe) && pe.Code() == serial.PortNotFound
}
