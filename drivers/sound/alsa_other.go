//go:build !linux

package sound

import "fullthrow/drivers"

// List returns nothing: sound inputs are for Linux only.
func List() ([]Info, error) { return nil, nil }

// Open says that sound inputs are for Linux only.
func Open(name, _ string, _ drivers.Clock, _ Options) (*Recorder, error) {
	return nil, drivers.Errorf(name, "open", drivers.Fault, "sound inputs are for Linux only")
}
