package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"fullthrow/drivers"
	"fullthrow/drivers/serialport"
	"fullthrow/drivers/sim"
	"fullthrow/drivers/tcpport"
)

// machine is this computer's own hardware, in real time.
func machine() hardware {
	return hardware{clock: drivers.System,
		port: func(ctx context.Context, p portName, s portSettings) (drivers.Port, error) {
			switch p.kind {
			case "tcp":
				return tcpport.Open(ctx, p.rest, tcpport.Options{Reopen: true})
			case "serial", "usb":
				return serialport.Open(serialAddress(p), s.options())
			}
			return nil, fmt.Errorf("a %s port is no byte stream of this computer", p.kind)
		}}
}

// simulated is the hardware of a simulated bench, on its virtual clock.
func simulated(b *sim.Bench, clock drivers.Clock) hardware {
	return hardware{clock: clock, port: func(_ context.Context, p portName, _ portSettings) (drivers.Port, error) {
		return b.Port(p.rest)
	}}
}

func serialAddress(p portName) serialport.Address {
	if p.kind == "serial" {
		return serialport.Address{Path: p.rest}
	}
	part := strings.SplitN(p.rest, ":", 3)
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
