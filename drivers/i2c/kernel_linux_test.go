//go:build kernel

package i2c

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
	periph "periph.io/x/conn/v3/i2c"

	"fullthrow/drivers"
)

// These tests need a kernel with i2c-dev and i2c-stub (chip_addr=0x20,0x40,0x48,0x60)
// and run in the emulated computer of .ci/kernel. The stub is an SMBus adapter
// whose parts are memory: it keeps what is written and knows no side effects.

// stub opens the stub's bus.
func stub(t *testing.T) (path string, bus periph.BusCloser) {
	t.Helper()
	names, err := filepath.Glob("/sys/bus/i2c/devices/i2c-*/name")
	require.NoError(t, err)
	for _, n := range names {
		b, err := os.ReadFile(n)
		require.NoError(t, err)
		if strings.Contains(string(b), "stub") {
			path = "/dev/" + filepath.Base(filepath.Dir(n))
		}
	}
	require.NotEmpty(t, path, "the kernel has no I2C stub: %v", names)
	bus, err = OpenBus(path)
	require.NoError(t, err)
	t.Cleanup(func() { _ = bus.Close() })
	return path, bus
}

func TestKernelBus(t *testing.T) {
	path, bus := stub(t)
	set := func(addr uint16, bytes ...byte) { t.Helper(); require.NoError(t, bus.Tx(addr, bytes, nil)) }
	again := func() periph.BusCloser { t.Helper(); b, err := OpenBus(path); require.NoError(t, err); return b }

	t.Run("a converter", func(t *testing.T) {
		set(0x48, 3, 0x7F, 0xFF)
		set(0x48, 1, 0x85, 0x83)
		set(0x48, 0, 0x60, 0x00)
		d, err := Open("adc", again(), clock, Options{Model: "ads1115"})
		require.NoError(t, err)
		defer d.Close()
		id, err := d.Ready(t.Context())
		require.NoError(t, err)
		require.Equal(t, "ads1115", id)
		x, err := d.(drivers.Indicator).Indicate(t.Context(), drivers.Voltage, 2, 4)
		require.NoError(t, err)
		require.InDelta(t, 3.072, x, 1e-12)
	})
	t.Run("a current", func(t *testing.T) {
		set(0x40, 0xFE, 0x54, 0x49)
		set(0x40, 0xFF, 0x22, 0x60)
		set(0x40, 6, 0x00, 0x08)
		set(0x40, 1, 0x03, 0xE8) // 1000 steps of 2.5 uV
		d, err := Open("rail", again(), clock, Options{Model: "ina226", Shunt: 0.1})
		require.NoError(t, err)
		defer d.Close()
		x, err := d.(drivers.Indicator).Indicate(t.Context(), drivers.Current, 1, 0)
		require.NoError(t, err)
		require.InDelta(t, 25e-3, x, 1e-12)
	})
	t.Run("an expander", func(t *testing.T) {
		set(0x20, 0, 0xFF)
		set(0x20, 1, 0xFF)
		d, err := Open("expander", again(), clock, Options{Model: "mcp23017"})
		require.NoError(t, err)
		defer d.Close()
		relay, err := d.(drivers.Lines).Output("relay", 2, false, false)
		require.NoError(t, err)
		set(0x20, 0x12, 0x02) // the pin follows
		require.NoError(t, relay.Set(t.Context(), true))
		var r [1]byte
		require.NoError(t, bus.Tx(0x20, []byte{0x14}, r[:]))
		require.EqualValues(t, 2, r[0])
		require.NoError(t, bus.Tx(0x20, []byte{0}, r[:]))
		require.EqualValues(t, 0xFD, r[0])
		require.ErrorContains(t, relay.Safe(t.Context()), "relay: make safe: the line stays high",
			"the stub's pin does not follow")
		require.NoError(t, bus.Tx(0x20, []byte{0x14}, r[:]))
		require.Zero(t, r[0])
	})
	t.Run("nothing at an address", func(t *testing.T) {
		d, err := Open("adc", again(), clock, Options{Model: "ads1115", Address: 0x4B})
		require.NoError(t, err)
		defer d.Close()
		_, err = d.Ready(t.Context())
		require.Equal(t, drivers.NoReply, drivers.KindOf(err), "%v", err)
	})
	t.Run("what SMBus cannot", func(t *testing.T) {
		d, err := Open("dac", again(), clock, Options{Model: "mcp4725", Reference: 3.3})
		require.NoError(t, err)
		defer d.Close()
		err = d.(drivers.AnalogueOutput).SetLevel(t.Context(), 1)
		require.Equal(t, drivers.Refused, drivers.KindOf(err), "%v", err)
	})
	t.Run("held by another", func(t *testing.T) {
		require.NoError(t, bus.Close())
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		require.NoError(t, err)
		defer f.Close()
		require.NoError(t, unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB), "the last one to close gave it back")
		_, err = OpenBus(path)
		require.Equal(t, drivers.Busy, drivers.KindOf(err), "%v", err)
	})
}
