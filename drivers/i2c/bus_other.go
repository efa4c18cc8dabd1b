//go:build !linux

package i2c

import (
	"periph.io/x/conn/v3/i2c"

	"fullthrow/drivers"
)

// OpenBus opens an I2C bus: on Linux only.
func OpenBus(name string) (i2c.BusCloser, error) {
	return nil, drivers.Errorf(name, "open", drivers.Gone, "I2C buses are opened on Linux only")
}
