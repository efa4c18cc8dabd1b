//go:build !linux

package joystick

import "fullthrow/drivers"

// Listed is a controller of this computer.
type Listed struct {
	Path, Name, Serial string
	Vendor, Product    uint16
}

// List finds none: Linux only.
func List() ([]Listed, error) { return nil, nil }

func find(Identity) (Source, error) {
	return nil, drivers.Errorf("controller", "find", drivers.Gone, "game controllers are read on Linux only")
}
