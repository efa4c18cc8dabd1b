package drivertest

import (
	"io"
	"testing"

	"fullthrow/drivers"
)

func TestPipeIsAPort(t *testing.T) {
	TestPort(t, func(t *testing.T) (drivers.Port, io.ReadWriteCloser) {
		return Pipe("pipe", drivers.System)
	})
}
