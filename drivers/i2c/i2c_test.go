package i2c

import (
	"context"
	"fmt"
	"math"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// clock is the machine's: its waits are short, and in a synctest bubble where
// they are not.
var clock = drivers.System

var axes = map[string]Axis{"left_x": {Output: 3, Scale: 400, Offset: 1500, Min: -1, Max: 1}}

// everyPart is each row of the table with its fake.
func everyPart(t *testing.T) map[string]func() (*fakeBus, Options) {
	t.Helper()
	amperes, volts, four := 0.25, 3.7, [4]float64{1, 2, 3, 0.1}
	with := func(addr uint16, o Options, part func() fakePart) func() (*fakeBus, Options) {
		return func() (*fakeBus, Options) { return &fakeBus{parts: map[uint16]fakePart{addr: part()}}, o }
	}
	list := map[string]func() (*fakeBus, Options){
		"ads1115":  with(0x49, Options{Address: 0x49}, func() fakePart { return fakeADS1115(&four, 2) }),
		"ina219":   with(0x40, Options{Shunt: 0.1}, func() fakePart { return fakeINA219(&amperes, &volts, 0.1) }),
		"ina226":   with(0x40, Options{Shunt: 0.1}, func() fakePart { return fakeINA226(&amperes, &volts, 0.1) }),
		"mcp23017": with(0x20, Options{}, func() fakePart { return newMCP23017() }),
		"pcf8574":  with(0x20, Options{}, func() fakePart { return newPCF8574() }),
		"pcf8574a": with(0x38, Options{}, func() fakePart { return newPCF8574() }),
		"pca9685":  with(0x40, Options{Axes: axes}, func() fakePart { return newPCA9685() }),
		"tcs3472":  with(0x29, Options{}, func() fakePart { return fakeTCS3472(&[4]float64{2e4, 9e3, 7e3, 4e3}) }),
		"mcp4725":  with(0x60, Options{Reference: 3.3}, func() fakePart { return &fakeMCP4725{} }),
	}
	for name, f := range list {
		list[name] = func() (*fakeBus, Options) { b, o := f(); o.Model = name; return b, o }
	}
	return list
}

func open(t *testing.T, b *fakeBus, o Options) drivers.Device {
	t.Helper()
	d, err := Open("part", b, clock, o)
	require.NoError(t, err)
	return d
}

// Every row has a fake, keeps the promises of a device, and tells each way in
// which a bus fails as a fault of the bench that names the device.
func TestEveryPart(t *testing.T) {
	parts := everyPart(t)
	for _, m := range Models() {
		require.Contains(t, parts, m.Name)
		require.NotEmpty(t, m.Drives, m.Name)
		t.Run(m.Name, func(t *testing.T) {
			drivertest.TestDevice(t, func(t *testing.T) drivers.Device { b, o := parts[m.Name](); return open(t, b, o) })
			ctx := context.Background()
			for _, fault := range []struct {
				name string
				err  error
				ones bool
				want drivers.Kind
			}{
				{"no part", syscall.ENXIO, false, drivers.NoReply},
				{"no acknowledgement", syscall.EREMOTEIO, false, drivers.NoReply},
				{"a line held low", syscall.ETIMEDOUT, false, drivers.Fault},
				{"another master", syscall.EAGAIN, false, drivers.Busy},
				{"no part, as some SMBus adapters say it", syscall.ENODEV, false, drivers.NoReply},
				{"adapter pulled", syscall.ESHUTDOWN, false, drivers.Gone},
				{"adapter too simple", syscall.EOPNOTSUPP, false, drivers.Refused},
				{"anything else", fmt.Errorf("odd"), false, drivers.Fault},
				{"reads as ones", nil, true, drivers.Refused},
			} {
				if fault.ones && len(m.Known) == 0 {
					continue // a part without registers may well read as ones: setting it proves it
				}
				b, o := parts[m.Name]()
				d := open(t, b, o)
				b.broken, b.ones = fault.err, fault.ones
				_, err := d.Ready(ctx)
				require.Equal(t, fault.want, drivers.KindOf(err), "%s: %v", fault.name, err)
				require.ErrorContains(t, err, "part: ready: ", fault.name)
			}
		})
	}
}

func TestOutOfAddress(t *testing.T) {
	for _, o := range []Options{{Model: "ads1115", Address: 0x50}, {Model: "ina226"}, {Model: "ina226", Shunt: -1},
		{Model: "mcp4725"}, {Model: "pca9685"}, {Model: "none"}, {Model: "ina219", Shunt: math.NaN()},
		{Model: "pca9685", Axes: map[string]Axis{"a": {Output: 16, Scale: 1, Offset: 1500, Min: -1, Max: 1}}},
		{Model: "pca9685", Axes: map[string]Axis{"a": {Scale: 2000, Offset: 1500, Min: -1, Max: 1}}},
		{Model: "pca9685", Axes: map[string]Axis{"a": {Scale: 1, Offset: 1500, Min: -1, Max: 1},
			"b": {Scale: 1, Offset: 1500, Min: -1, Max: 1}}}} {
		_, err := Open("part", &fakeBus{}, clock, o)
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(err), "%+v", o)
	}
}

// What goes over the wire for one conversion of AIN1 at ±4.096 V, 128
// samples/s: 0xD383 to the config register, 0x01, by the bits of SBAS444, 8.1.3
// (OS 1, MUX 101, PGA 001, MODE 1, DR 100, COMP_QUE 11); 0x6000 is 3/4 of full
// scale.
func TestADS1115OnTheWire(t *testing.T) {
	b := &i2ctest.Playback{Ops: []i2ctest.IO{
		{Addr: 0x48, W: []byte{0x01, 0xD3, 0x83}},
		{Addr: 0x48, W: []byte{0x01}, R: []byte{0x53, 0x83}}, // it converts
		{Addr: 0x48, W: []byte{0x01}, R: []byte{0xD3, 0x83}},
		{Addr: 0x48, W: []byte{0x00}, R: []byte{0x60, 0x00}},
	}}
	d, err := Open("adc", b, clock, Options{Model: "ads1115"})
	require.NoError(t, err)
	x, err := d.(drivers.Indicator).Indicate(context.Background(), drivers.Voltage, 2, 4)
	require.NoError(t, err)
	require.InDelta(t, 3.072, x, 1e-12)
	require.NoError(t, b.Close(), "every transaction was made")
}

func TestConverters(t *testing.T) {
	ctx := context.Background()
	volts := [4]float64{1.5, -0.2, 3.3, 7}
	d := open(t, &fakeBus{parts: map[uint16]fakePart{0x48: fakeADS1115(&volts, 3)}}, Options{Model: "ads1115"})
	in := d.(drivers.Indicator)
	require.Len(t, in.Indications(), 4)
	for _, c := range []struct {
		channel int
		rng     float64
		want    float64
	}{{1, 0, 1.5}, {1, 2, 1.5}, {2, 0.256, -0.2}, {3, 4.096, 3.3}} {
		x, err := in.Indicate(ctx, drivers.Voltage, c.channel, c.rng)
		require.NoError(t, err)
		require.InDelta(t, c.want, x, 6.144/32768)
	}
	for _, c := range []struct {
		name    string
		q       drivers.Quantity
		channel int
		rng     float64
	}{{"beyond the widest range", drivers.Voltage, 4, 0}, {"beyond the range chosen", drivers.Voltage, 3, 2},
		{"no such channel", drivers.Voltage, 5, 0}, {"no such quantity", drivers.Current, 1, 0},
		{"no such range", drivers.Voltage, 1, 10}, {"no range", drivers.Voltage, 1, math.NaN()}} {
		_, err := in.Indicate(ctx, c.q, c.channel, c.rng)
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(err), "%s: %v", c.name, err)
	}

	amperes, bus := 0.1, 3.7
	for name, part := range map[string]fakePart{"ina219": fakeINA219(&amperes, &bus, 0.1),
		"ina226": fakeINA226(&amperes, &bus, 0.1)} {
		t.Run(name, func(t *testing.T) {
			d := open(t, &fakeBus{parts: map[uint16]fakePart{0x40: part}}, Options{Model: name, Shunt: 0.1})
			in := d.(drivers.Indicator)
			for _, want := range []float64{0.1, -0.05, 9e-3, 0} {
				amperes = want
				x, err := in.Indicate(ctx, drivers.Current, 1, 0)
				require.NoError(t, err)
				require.InDelta(t, want, x, 101e-6)
			}
			x, err := in.Indicate(ctx, drivers.Voltage, 1, 0)
			require.NoError(t, err)
			require.InDelta(t, 3.7, x, 4e-3)
			amperes = 50 // clipped in the part's register
			_, err = in.Indicate(ctx, drivers.Current, 1, 0)
			require.Equal(t, drivers.OutOfRange, drivers.KindOf(err), "%v", err)
			_, err = d.(drivers.Meter).Current(ctx, 0, 100, 50*time.Millisecond)
			require.Equal(t, drivers.OutOfRange, drivers.KindOf(err), "%v", err)
		})
	}
}

func TestCurrentIsSampled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		amperes, bus := 9e-6, 3.7
		began := time.Now()
		part := fakeINA226(&amperes, &bus, 100)
		reads := part.read
		part.read = func(reg byte) {
			if time.Since(began) > 500*time.Millisecond {
				amperes = 18e-6
			}
			reads(reg)
		}
		d := open(t, &fakeBus{parts: map[uint16]fakePart{0x40: part}}, Options{Model: "ina226", Shunt: 100})
		s, err := d.(drivers.Meter).Current(t.Context(), 0, 200, time.Second)
		require.NoError(t, err)
		require.Equal(t, 200, s.Count())
		require.Equal(t, "A", s.Unit)
		require.InDelta(t, 9e-6, s.Values[0], 26e-9)
		require.InDelta(t, 18e-6, s.Values[199], 26e-9)

		// A bus that hangs for a while makes no capture with a hole.
		part.read = func(reg byte) { time.Sleep(20 * time.Millisecond); reads(reg) }
		_, err = d.(drivers.Meter).Current(t.Context(), 0, 200, time.Second)
		require.Equal(t, drivers.Late, drivers.KindOf(err))
		require.ErrorContains(t, err, "part: read current: sample 1 of 200 was read 20ms late")
	})
}

func TestExpanders(t *testing.T) {
	var mcp *fakeMCP23017
	drivertest.TestLines(t, func(t *testing.T) (drivers.Lines, drivertest.LineBench) {
		mcp = newMCP23017()
		p, b := mcp, &fakeBus{parts: map[uint16]fakePart{0x20: mcp}}
		return open(t, b, Options{Model: "mcp23017"}).(drivers.Lines), drivertest.LineBench{Output: 11, Input: 3, None: 17,
			High: func(n int) bool { return p.pins()&(1<<(n-1)) != 0 },
			Drive: func(n int, high bool) {
				p.outside &^= 1 << (n - 1)
				if high {
					p.outside |= 1 << (n - 1)
				}
			},
			Break: func() { b.broken = syscall.ENXIO }}
	})
	drivertest.TestLines(t, func(t *testing.T) (drivers.Lines, drivertest.LineBench) {
		p := newPCF8574()
		b := &fakeBus{parts: map[uint16]fakePart{0x20: p}}
		return open(t, b, Options{Model: "pcf8574"}).(drivers.Lines), drivertest.LineBench{Output: 8, Input: 1, None: 0,
			High: func(n int) bool { return p.latch&(1<<(n-1)) != 0 },
			Drive: func(n int, high bool) {
				p.low |= 1 << (n - 1)
				if high {
					p.low &^= 1 << (n - 1)
				}
			},
			Break: func() { b.broken = syscall.ETIMEDOUT }}
	})
}

// A line is an output at its level from the first moment, a short is seen at the
// pin, and a part that lost its power is told everything again.
func TestExpanderLines(t *testing.T) {
	ctx := context.Background()
	p := newMCP23017()
	d := open(t, &fakeBus{parts: map[uint16]fakePart{0x20: p}}, Options{Model: "mcp23017"}).(drivers.Lines)
	relay, err := d.Output("relay", 1, true, false) // safe: high
	require.NoError(t, err)
	stores := p.write
	p.write = func(reg, v byte) byte {
		if reg == 0x00 && v&1 == 0 && p.regs[0]&1 == 1 {
			require.EqualValues(t, 1, p.regs[0x14]&1, "the level was set before the direction")
		}
		return v
	}
	require.NoError(t, relay.Safe(ctx))
	p.write = stores
	require.NoError(t, relay.Set(ctx, true))
	require.Zero(t, p.pins()&1)
	p.shorted, p.outside = 1, 1
	require.ErrorContains(t, relay.Set(ctx, true), "relay: set: the line stays high")
	p.shorted, p.outside = 0, 0
	p.regs = [256]byte{0xFF, 0xFF} // as after power-on
	other, err := d.Output("other", 2, false, false)
	require.NoError(t, err)
	require.NoError(t, other.Set(ctx, true))
	require.Zero(t, p.pins()&1, "the relay is on again")
	require.NotZero(t, p.pins()&2)
}

func TestServos(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx := t.Context()
		p := newPCA9685()
		d := open(t, &fakeBus{parts: map[uint16]fakePart{0x40: p}}, Options{Model: "pca9685", Axes: axes})
		m := d.(drivers.Mover)
		_, err := m.Move(ctx, map[string]float64{"left_x": 1}, 1)
		require.Equal(t, drivers.Refused, drivers.KindOf(err), "it was not homed")
		require.NoError(t, m.Home(ctx))
		// Data sheet: prescale = round(25 MHz / (4096 * 50 Hz)) - 1 = 121.
		require.EqualValues(t, 121, p.regs[0xFE])
		require.Zero(t, p.regs[0]&0x10, "it is awake")
		width := func() float64 { return float64(uint16(p.regs[6+12+3])<<8|uint16(p.regs[6+12+2])) / 4096 * 20000 }
		require.InDelta(t, 1500, width(), 20000.0/4096)
		began := time.Now()
		seg, err := m.Move(ctx, map[string]float64{"left_x": -1}, 2)
		require.NoError(t, err)
		require.InDelta(t, 1100, width(), 20000.0/4096)
		require.Equal(t, 500*time.Millisecond+arrive, time.Since(began), "half a second for one throw, and a pause")
		require.Equal(t, map[string]float64{"left_x": 0.0}, seg.From)
		require.Equal(t, map[string]float64{"left_x": -1.0}, seg.To)
		require.Equal(t, began, seg.Start)

		for to, rate := range map[float64]float64{1.1: 1, math.NaN(): 1, 0.5: 0, 0.6: math.NaN(), 0.7: math.Inf(1)} {
			_, err := m.Move(ctx, map[string]float64{"left_x": to}, rate)
			require.Equal(t, drivers.OutOfRange, drivers.KindOf(err), "%v at %v", to, rate)
		}
		// Made safe while it moves: pulses end, and it must be homed again.
		done := make(chan error)
		go func() { _, err := m.Move(ctx, map[string]float64{"left_x": 1}, 1); done <- err }()
		time.Sleep(300 * time.Millisecond)
		require.NoError(t, d.Safe(ctx))
		require.ErrorIs(t, <-done, drivers.ErrMadeSafe)
		require.NotZero(t, p.regs[6+12+3]&0x10, "no pulses")
		_, err = m.Move(ctx, map[string]float64{"left_x": 0}, 1)
		require.Equal(t, drivers.Refused, drivers.KindOf(err))
	})
}

func TestDAC(t *testing.T) {
	ctx := context.Background()
	p := &fakeMCP4725{}
	b := &fakeBus{parts: map[uint16]fakePart{0x60: p}}
	d := open(t, b, Options{Model: "mcp4725", Reference: 3.3}).(drivers.AnalogueOutput)
	require.NoError(t, d.SetLevel(ctx, 1.65))
	require.EqualValues(t, 2048, p.value)
	require.NoError(t, d.SetLevel(ctx, d.MaxLevel()))
	require.EqualValues(t, 4095, p.value)
	for _, v := range []float64{-0.1, 3.3, math.NaN(), math.Inf(1)} {
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(d.SetLevel(ctx, v)), v)
		require.EqualValues(t, 4095, p.value, "nothing was sent")
	}
	require.NoError(t, d.Safe(ctx))
	require.Zero(t, p.value)
	b.ones = true
	require.ErrorContains(t, d.SetLevel(ctx, 1), "part: set level: it holds 4095 with power-down 3")
}

// Counts follow light, time and gain; a channel that clips gives no value; x and y
// come of a calibration's matrix alone.
func TestColourSensor(t *testing.T) {
	light := [4]float64{2e4, 9e3, 7e3, 4e3} // counts a second
	read := func(o Options, over time.Duration, gain float64) (drivers.Light, error) {
		o.Model = "tcs3472"
		d := open(t, &fakeBus{parts: map[uint16]fakePart{0x29: fakeTCS3472(&light)}}, o)
		return d.(drivers.ColourSensor).Light(context.Background(), over, gain)
	}
	l, err := read(Options{}, 24*time.Millisecond, 4)
	require.NoError(t, err)
	require.Equal(t, []float64{1920, 864, 672, 384, 10240, 4}, []float64{l.Clear, l.Red, l.Green, l.Blue, l.Full, l.Gain})
	require.False(t, l.Saturated)
	require.True(t, math.IsNaN(l.X) && math.IsNaN(l.Y), "no chromaticity without a matrix")
	require.Equal(t, 24*time.Millisecond, l.Over)

	l, err = read(Options{Matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}, 24*time.Millisecond, 4)
	require.NoError(t, err)
	require.InDelta(t, 0.45, l.X, 1e-12)
	require.InDelta(t, 0.35, l.Y, 1e-12)

	light = [4]float64{4e5, 9e3, 7e3, 4e3} // clips at 426667 counts a second, and ripples from 320000 on
	l, err = read(Options{Matrix: []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}}, 24*time.Millisecond, 1)
	require.NoError(t, err)
	require.True(t, l.Saturated)
	for _, v := range []float64{l.Clear, l.Red, l.Green, l.Blue, l.X, l.Y} {
		require.True(t, math.IsNaN(v))
	}
	for _, c := range []struct {
		over time.Duration
		gain float64
		want string
	}{{time.Millisecond, 1, "integration over 1ms: 2.4ms to 614.4ms"}, {time.Second, 1, "integration over 1s"},
		{24 * time.Millisecond, 2, "a gain of 2: it has [1 4 16 60]"}} {
		_, err := read(Options{}, c.over, c.gain)
		require.ErrorContains(t, err, c.want)
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(err))
	}
	_, err = Open("part", &fakeBus{}, clock, Options{Model: "tcs3472", Matrix: []float64{1, 2, 3}})
	require.ErrorContains(t, err, "matrix of 3 numbers")
	// A count that the part cannot give came damaged.
	s := &colourSensor{part: &part{name: "part", model: Models()[len(Models())-1]}}
	require.Equal(t, "tcs3472", s.model.Name)
	_, err = s.light([]byte{0, 5, 0, 0, 0, 0, 0, 0}, 1, 1)
	require.Equal(t, drivers.Garbled, drivers.KindOf(err))
}
