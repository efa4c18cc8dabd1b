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

// A pipe holds any number of bytes: a write waits for nobody.
func TestPipeTakesAll(t *testing.T) {
	p, _ := Pipe("pipe", drivers.System)
	for range 8 {
		if err := p.Write(t.Context(), make([]byte, 1<<20)); err != nil {
			t.Fatal(err)
		}
	}
}
