package bench

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fullthrow/drivers"
	"fullthrow/drivers/motion"
	"fullthrow/drivers/serialport"
	"fullthrow/drivers/sim"
	"fullthrow/drivers/tcpport"
	"fullthrow/runner/input"
)

// Machine is this computer's own hardware, in real time.
func Machine() hardware {
	return hardware{Clock: drivers.System,
		port: func(ctx context.Context, p PortName, s portSettings) (drivers.Port, error) {
			switch p.kind {
			case "tcp":
				return tcpport.Open(ctx, p.Rest, tcpport.Options{Reopen: true})
			case "serial", "usb":
				return serialport.Open(serialAddress(p), s.options())
			}
			return nil, fmt.Errorf("a %s port is no byte stream of this computer", p.kind)
		}}
}

// Simulated is the hardware of a simulated bench, on its virtual clock.
func Simulated(b *sim.Bench, clock drivers.Clock) hardware {
	return hardware{Clock: clock, port: func(_ context.Context, p PortName, _ portSettings) (drivers.Port, error) {
		return b.Port(p.Rest)
	}, controller: func(model string) error { return b.SetController(simulatedController[model]) }}
}

// simulatedController is the controller of the simulated stick machine that a
// model is for.
var simulatedController = map[string]string{"generic-queue": sim.QueueControl, "generic-gcode": sim.PlainControl}

// SetController gives every simulated stick machine of the bench a controller of
// that model.
func (b *File) SetController(model string) error {
	names := Names(motion.Models(), func(m motion.Model) string { return m.Name })
	i := slices.IndexFunc(motion.Models(), func(m motion.Model) bool { return m.Name == model })
	if i < 0 {
		return input.Usage("there is no controller %q", model).Hint(input.Meant(model, names))
	}
	for _, n := range b.Nests {
		for role, d := range n.Devices {
			if d.Port != "sim:"+sim.Sticks {
				continue
			}
			d.Model, d.Home = model, ""
			if motion.Models()[i].Proof == "" {
				d.Home = motion.Trusted
			}
			n.Devices[role] = d
		}
	}
	return nil
}

// Through is h with every port handed through wrap, for tests that stand in the
// wire.
func (h hardware) Through(wrap func(p PortName, port drivers.Port) drivers.Port) hardware {
	open := h.port
	h.port = func(ctx context.Context, p PortName, s portSettings) (drivers.Port, error) {
		port, err := open(ctx, p, s)
		if err != nil {
			return nil, err
		}
		return wrap(p, port), nil
	}
	return h
}

func serialAddress(p PortName) serialport.Address {
	if p.kind == "serial" {
		return serialport.Address{Path: p.Rest}
	}
	part := strings.SplitN(p.Rest, ":", 3)
	usb := serialport.USB{Vendor: part[0], Product: part[1]}
	if len(part) == 3 {
		usb.Serial = part[2]
	}
	return serialport.Address{USB: usb}
}

// options reads "8N1"; the bench file's check has made sure that it fits.
func (s portSettings) options() serialport.Options {
	o := serialport.Options{Baud: s.baud, Reopen: true}
	if len(s.framing) < 3 {
		return o
	}
	o.DataBits = int(s.framing[0] - '0')
	o.Parity = map[byte]serialport.Parity{'N': serialport.None, 'E': serialport.Even, 'O': serialport.Odd}[s.framing[1]]
	o.StopBits, _ = strconv.ParseFloat(s.framing[2:], 64)
	return o
}
