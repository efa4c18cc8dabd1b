package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/sim"
)

// shelf is a program of its own: what a plant has on its shelf, each at a TCP port,
// with the habits of cheap ones. It fills a bench file's {ammeter}, {multimeter} and
// {relays} with their addresses, and looks before each message whether a file
// "NAME.fault" says that something is broken. Beside the bench file it writes one
// for each device, hasty-NAME.toml, in which that one's model is "hasty-NAME": what is
// broken is waited for less long than what is only slow on a busy machine.
func shelf() {
	if len(os.Args) != 3 {
		fmt.Fprintln(os.Stderr, "shelf TEMPLATE BENCH")
		os.Exit(2)
	}
	data, err := os.ReadFile(os.Args[1])
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	dir := filepath.Dir(os.Args[2])
	fault := func(name string) string {
		text, _ := os.ReadFile(filepath.Join(dir, name+".fault"))
		return strings.TrimSpace(string(text))
	}
	relays := &drivertest.RelayBoard{Unit: 5, TCP: true, Coils: map[uint16]bool{}, Inputs: map[uint16]bool{0x30: true, 0x31: true}}
	for k := range uint16(4) {
		relays.Coils[0x110+k] = false
	}
	mill, printer := newMachine(sim.StateControl), newMachine(sim.QueueControl)
	mill.before = func() string { return fault("mill") }
	printer.before = func() string { return fault("printer") }
	relays.Before = func() {
		relays.SetFault(fault("relays"))
		// Input 2 is a switch that both fingers hold closed where the plan leads them.
		there := mill.at(0.5) && printer.at(-0.5)
		relays.Do(func() { relays.Inputs[0x31] = there })
	}
	powered := func() (on bool) { relays.Do(func() { on = relays.Coils[0x111] }); return on }
	// The ammeter greets, echoes and prompts like a console; the multimeter knows one
	// command a line, has no error queue, and writes units.
	ammeter := &drivertest.Instrument{Habits: drivertest.Habits{Greeting: "Welcome, ammeter of the shelf, ready", Echo: true,
		Prompt: "> ", ReplyEnd: "\r\n", ErrorText: "bare", Form: "NR3", Delay: 120 * time.Millisecond}}
	multimeter := &drivertest.Instrument{Habits: drivertest.Habits{Single: true, ErrorText: "none", Units: true}}
	ammeter.Before = func() { ammeter.SetFault(fault("ammeter")) }
	multimeter.Before = func() { multimeter.SetFault(fault("multimeter")) }
	identity := func(text string) func([]string) (string, error) {
		return func([]string) (string, error) { return text, nil }
	}
	ammeter.Headers = map[string]func([]string) (string, error){
		"*IDN?": identity("Lantern Quay,Ammeter 1,7,1.0"),
		"MEASure:CURRent[:DC]?": func([]string) (string, error) {
			if powered() {
				return ammeter.Number(0.125, "A"), nil
			}
			return ammeter.Number(0.000004, "A"), nil
		},
	}
	multimeter.Headers = map[string]func([]string) (string, error){
		"*IDN?": identity("Lantern Quay,Multimeter 2,8,1.0"),
		"READ?": func([]string) (string, error) {
			if powered() {
				return multimeter.Number(3.301, "V"), nil
			}
			return multimeter.Number(0.002, "V"), nil
		},
	}
	var pairs []string
	for name, serve := range map[string]func(io.ReadWriteCloser){"ammeter": ammeter.Serve, "multimeter": multimeter.Serve,
		"relays": relays.Serve, "mill": mill.serve, "printer": printer.serve} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(2)
		}
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				go serve(c)
			}
		}()
		pairs = append(pairs, "{"+name+"}", l.Addr().String())
	}
	text := strings.NewReplacer(pairs...).Replace(string(data))
	for _, name := range []string{"ammeter", "multimeter", "relays", "mill", "printer"} {
		hasty := strings.ReplaceAll(text, "shelf-"+name, "hasty-"+name)
		if err := os.WriteFile(filepath.Join(dir, "hasty-"+name+".toml"), []byte(hasty), 0o600); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(2)
		}
	}
	err = os.WriteFile(os.Args[2]+".new", []byte(text), 0o600)
	if err == nil {
		err = os.Rename(os.Args[2]+".new", os.Args[2])
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	_, _ = io.Copy(io.Discard, os.Stdin)
	// Ends with the test that started it, killed or not: its folder goes.
	for {
		time.Sleep(200 * time.Millisecond)
		if _, err := os.Stat(os.Args[2]); err != nil {
			return
		}
	}
}

// machine moves a stick of a simulated handset.
type machine struct {
	bench  *sim.Bench
	before func() string // called before what it is told: its fault
}

func newMachine(controller string) *machine {
	m := &machine{bench: sim.NewBench(drivers.System, 1)}
	if err := m.bench.SetController(controller); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(2)
	}
	return m
}

// at says whether it stands at a throw of its first axis.
func (m *machine) at(throw float64) bool {
	s := m.bench.State()
	return !s.Moving && math.Abs(s.Positions["left_x"]-throw) < 1e-3
}

// serve is its side of a connection, until that ends.
func (m *machine) serve(c io.ReadWriteCloser) {
	defer c.Close()
	port, err := m.bench.Port(sim.Sticks)
	for err != nil { // the one before is about to end
		time.Sleep(10 * time.Millisecond)
		port, err = m.bench.Port(sim.Sticks)
	}
	defer port.Close()
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		defer cancel()
		buf := make([]byte, 512)
		for {
			n, err := c.Read(buf)
			if err != nil {
				return
			}
			f := sim.Fault(m.before())
			if m.bench.Break(sim.Sticks, f) != nil || f == sim.Gone {
				return
			}
			_ = port.Write(ctx, buf[:n])
		}
	}()
	buf := make([]byte, 512)
	for ctx.Err() == nil {
		n, err := port.Read(ctx, buf, time.Hour)
		if err != nil {
			return
		}
		if _, err := c.Write(buf[:n]); err != nil {
			return
		}
	}
}

// awaitFile waits until a file is there.
func awaitFile(ts *testscript.TestScript, _ bool, args []string) {
	for {
		if data, err := os.ReadFile(ts.MkAbs(args[0])); err == nil && len(bytes.TrimSpace(data)) > 0 {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
}
