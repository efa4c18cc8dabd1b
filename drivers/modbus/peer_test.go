package modbus

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	other "github.com/simonvetter/modbus"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/tcpport"
)

// boardRows are boards of different makers.
var boardRows = map[string]struct {
	row   Model
	board func() *drivertest.RelayBoard
}{
	"coils from 256": {Model{Coils: 4, CoilBase: 256, Inputs: 2, InputBase: 1, ReadBack: true}, func() *drivertest.RelayBoard {
		return &drivertest.RelayBoard{Coils: coilsFrom(256, 4), Inputs: coilsFrom(1, 2)}
	}},
	"function 15 only": {Model{Coils: 4, CoilBase: 1, Inputs: 2, Write: "coils", ReadBack: true, Together: true},
		func() *drivertest.RelayBoard {
			return &drivertest.RelayBoard{Coils: coilsFrom(1, 4), Inputs: coilsFrom(0, 2), Functions: map[byte]bool{1: true, 2: true, 15: true}}
		}},
	"made safe together": {Model{Coils: 4, Inputs: 2, ReadBack: true, Together: true}, func() *drivertest.RelayBoard {
		return &drivertest.RelayBoard{Coils: coilsFrom(0, 4), Inputs: coilsFrom(0, 2)}
	}},
	"registers": {Model{Coils: 4, CoilBase: 40, Inputs: 2, InputBase: 60, Write: "register", On: 0x100, Off: 0x200, ReadBack: true,
		InputsAs: "input-registers"}, func() *drivertest.RelayBoard {
		return &drivertest.RelayBoard{Registers: map[uint16]uint16{40: 0x200, 41: 0x200, 42: 0x200, 43: 0x200},
			Readings: map[uint16]uint16{60: 0x200, 61: 0x200}, Functions: map[byte]bool{3: true, 4: true, 6: true}}
	}},
}

func coilsFrom(base uint16, n uint16) map[uint16]bool {
	m := map[uint16]bool{}
	for k := range n {
		m[base+k] = false
	}
	return m
}

// level is output n of a peer.
func level(b *drivertest.RelayBoard, row Model, n int) (on bool) {
	b.Do(func() {
		a := row.CoilBase + uint16(n-1)
		if row.Write == "register" {
			on = b.Registers[a] == row.On
		} else {
			on = b.Coils[a]
		}
	})
	return on
}

// opened is a board of a row at the far end of a wire, with its outputs.
func opened(t *testing.T, row Model, b *drivertest.RelayBoard, tcp bool) (*Lines, []drivers.Output, drivers.Input) {
	t.Helper()
	b.Unit, b.TCP = 7, tcp
	port, peer := drivertest.Pipe("wire", drivers.System)
	t.Cleanup(func() { _ = port.Close(); time.Sleep(time.Minute) })
	go b.Serve(peer)
	bus := NewBus(port, drivers.System, 9600)
	if tcp {
		bus = NewTCPBus(port, drivers.System)
	}
	d, err := Open("board", bus, drivers.System, Options{Row: &row, Address: 7})
	if err != nil {
		t.Fatal(err)
	}
	var outs []drivers.Output
	for n := range row.Coils {
		o, err := d.Output("relay"+string(rune('1'+n)), n+1, false, false)
		if err != nil {
			t.Fatal(err)
		}
		outs = append(outs, o)
	}
	in, err := d.Input("guard", 2, false)
	if err != nil {
		t.Fatal(err)
	}
	return d, outs, in
}

// Each row with its board, over RTU and TCP; then each fault, and mended.
func TestBoardsOfOtherMakers(t *testing.T) {
	for name, c := range boardRows {
		for _, tcp := range []bool{false, true} {
			for _, fault := range append(drivertest.InstrumentFaults(), "") {
				if fault == drivertest.FaultEchoing && !tcp {
					continue // what two-wire adapters do, and no fault
				}
				t.Run(name+map[bool]string{true: " tcp ", false: " rtu "}[tcp]+fault, func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) {
						c.row.Name, c.row.Drives = "of-this-test", drivers.ByOutputs
						if f := c.row.Faults(); len(f) > 0 {
							t.Fatal(f)
						}
						b := c.board()
						d, outs, in := opened(t, c.row, b, tcp)
						ctx := t.Context()
						if _, err := d.Ready(ctx); err != nil {
							t.Fatal(err)
						}
						for n, o := range outs {
							if err := o.Set(ctx, true); err != nil || !level(b, c.row, n+1) {
								t.Fatalf("relay %d: %v, %v", n+1, level(b, c.row, n+1), err)
							}
						}
						if on, err := in.Level(ctx); on || err != nil {
							t.Fatalf("input: %v, %v", on, err)
						}
						b.SetFault(fault)
						if fault != "" {
							if err := outs[0].Set(ctx, false); err == nil {
								t.Error("set, it says")
							}
							if on, err := in.Level(ctx); fault != drivertest.FaultStuck && err == nil {
								t.Errorf("level %v", on)
							}
						}
						before := time.Now()
						devices := []drivers.Device{d}
						for _, o := range outs {
							devices = append(devices, o)
						}
						errs := make([]error, len(devices))
						var all []func(context.Context)
						for k, x := range devices {
							all = append(all, func(ctx context.Context) { errs[k] = x.Safe(ctx) })
						}
						drivers.System.Together(ctx, all...)
						if took := time.Since(before); took > d.SafeTime() || fault == drivertest.FaultSilent && took > 2100*time.Millisecond {
							t.Errorf("making all safe took %v", took)
						}
						for k, err := range errs {
							if (fault == "") != (err == nil) {
								t.Errorf("%s: %v", devices[k], err)
							}
						}
						if fault == drivertest.FaultGone || fault == drivertest.FaultStuck {
							return
						}
						b.SetFault("")
						time.Sleep(time.Minute) // what it was asked meanwhile it still answers
						if err := d.Safe(ctx); err != nil {
							t.Errorf("mended: %v", err)
						}
						for n := range outs {
							if level(b, c.row, n+1) {
								t.Errorf("relay %d is still on", n+1)
							}
						}
					})
				})
			}
		}
	}
}

// Neighbours are made safe by one message where the board takes that.
func TestSafeInOneMessage(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := boardRows["made safe together"].board()
		row := boardRows["made safe together"].row
		d, outs, _ := opened(t, row, b, true)
		for _, o := range outs {
			if err := o.Set(t.Context(), true); err != nil {
				t.Fatal(err)
			}
		}
		before := len(b.Functioned())
		if err := d.Safe(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := b.Functioned()[before:]; !bytes.Equal(got, []byte{15, 1}) {
			t.Errorf("functions %v, want 15 and then 1, to see it", got)
		}
	})
}

// theirs is a board by other hands: a server of another library.
type theirs struct {
	mu     sync.Mutex
	coils  [300]bool
	inputs [300]bool
	regs   [100]uint16
}

func (s *theirs) HandleCoils(r *other.CoilsRequest) ([]bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if r.UnitId != 3 || int(r.Addr)+int(r.Quantity) > len(s.coils) {
		return nil, other.ErrIllegalDataAddress
	}
	if r.IsWrite {
		copy(s.coils[r.Addr:], r.Args)
	}
	return append([]bool(nil), s.coils[r.Addr:r.Addr+r.Quantity]...), nil
}

func (s *theirs) HandleDiscreteInputs(r *other.DiscreteInputsRequest) ([]bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if int(r.Addr)+int(r.Quantity) > len(s.inputs) {
		return nil, other.ErrIllegalDataAddress
	}
	return append([]bool(nil), s.inputs[r.Addr:r.Addr+r.Quantity]...), nil
}

func (s *theirs) HandleHoldingRegisters(r *other.HoldingRegistersRequest) ([]uint16, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if int(r.Addr)+int(r.Quantity) > len(s.regs) {
		return nil, other.ErrIllegalDataAddress
	}
	if r.IsWrite {
		copy(s.regs[r.Addr:], r.Args)
	}
	return append([]uint16(nil), s.regs[r.Addr:r.Addr+r.Quantity]...), nil
}

func (s *theirs) HandleInputRegisters(*other.InputRegistersRequest) ([]uint16, error) {
	return nil, other.ErrIllegalFunction
}

// Over Modbus TCP a server of other hands does what we ask, and what it cannot it
// refuses in the words of the standard.
func TestServerOfAnotherLibrary(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	_ = l.Close()
	s := &theirs{}
	server, err := other.NewServer(&other.ServerConfiguration{URL: "tcp://" + addr, Timeout: time.Minute, MaxClients: 2,
		Logger: log.New(io.Discard, "", 0)}, s)
	if err != nil {
		t.Fatal(err)
	}
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	defer server.Stop()
	port, err := tcpport.Open(t.Context(), addr, tcpport.Options{DialTimeout: drivertest.Patience})
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	bus := NewTCPBus(port, drivers.System)
	for name, row := range map[string]Model{
		"coils":      {Coils: 8, CoilBase: 200, Inputs: 4, InputBase: 100, ReadBack: true, Together: true},
		"15":         {Coils: 8, CoilBase: 20, Inputs: 4, ReadBack: true, Write: "coils"},
		"registers":  {Coils: 8, CoilBase: 50, Inputs: 4, ReadBack: true, Write: "register", On: 2, Off: 1},
		"wrong base": {Coils: 8, CoilBase: 299, Inputs: 4, ReadBack: true},
	} {
		d, err := Open(name, bus, drivers.System, Options{Row: &row, Address: 3, Timeout: drivertest.Patience})
		if err != nil {
			t.Fatal(err)
		}
		var outs []drivers.Output
		for _, n := range []int{2, 3, 4} {
			o, err := d.Output("relay", n, false, n == 3)
			if err != nil {
				t.Fatal(err)
			}
			outs = append(outs, o)
		}
		err = errors.Join(outs[0].Set(t.Context(), true), outs[1].Set(t.Context(), false))
		if name == "wrong base" {
			if drivers.KindOf(err) != drivers.Refused {
				t.Errorf("%s: %v", name, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		on := func(n int) bool {
			s.mu.Lock()
			defer s.mu.Unlock()
			a := int(row.CoilBase) + n - 1
			if row.Write == "register" {
				return s.regs[a] == 2
			}
			return s.coils[a]
		}
		if !on(2) || on(3) {
			t.Errorf("%s: relay 2 is %v, 3 is %v", name, on(2), on(3))
		}
		if err := d.Safe(t.Context()); err != nil || on(2) || !on(3) || on(4) {
			t.Errorf("%s: made safe: %v; %v %v %v", name, err, on(2), on(3), on(4))
		}
	}
}

// RTU messages in a socket are no Modbus TCP, and the other way round: an error
// with a hint, and no level.
func TestTheOtherFraming(t *testing.T) {
	for _, tcp := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			row := boardRows["coils from 256"].row
			b := boardRows["coils from 256"].board()
			d, _, in := opened(t, row, b, tcp)
			b.Do(func() { b.TCP = !tcp })
			if on, err := in.Level(t.Context()); err == nil || on {
				t.Errorf("level %v, %v", on, err)
			}
			if _, err := d.Ready(t.Context()); err == nil {
				t.Error("ready")
			}
		})
	}
}

// A board whose library waits for the reply of another one loses what follows a
// question that nobody answers: a dead board on its bus must not keep it from being
// switched, read and made safe.
func TestDeadBoardBesideOneThatWaitsForIt(t *testing.T) {
	for _, together := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			b := &drivertest.RelayBoard{Unit: 7, Waits: true, Coils: coilsFrom(0, 4), Inputs: coilsFrom(0, 4)}
			port, peer := drivertest.Pipe("wire", drivers.System)
			defer func() { _ = port.Close(); time.Sleep(time.Minute) }()
			go b.Serve(peer)
			bus := NewBus(port, drivers.System, 9600)
			row := Model{Name: "of-this-test", Drives: drivers.ByOutputs, Coils: 4, Inputs: 4, ReadBack: true,
				Together: together}
			open := func(name string, address int) (*Lines, []drivers.Output) {
				d, err := Open(name, bus, drivers.System, Options{Row: &row, Address: address})
				if err != nil {
					t.Fatal(err)
				}
				var outs []drivers.Output
				for n := 1; n <= 4; n++ {
					o, err := d.Output(name+string(rune('0'+n)), n, false, false)
					if err != nil {
						t.Fatal(err)
					}
					outs = append(outs, o)
				}
				return d, outs
			}
			good, relays := open("good", 7)
			dead, _ := open("dead", 8)
			for n, o := range relays {
				if _, err := dead.Ready(t.Context()); drivers.KindOf(err) != drivers.NoReply {
					t.Errorf("dead: %v", err)
				}
				if err := o.Set(t.Context(), true); err != nil || !level(b, row, n+1) {
					t.Errorf("together %v: relay %d: %v, it is %v", together, n+1, err, level(b, row, n+1))
				}
			}
			var deadErr, goodErr error
			before := time.Now()
			drivers.System.Together(t.Context(), func(ctx context.Context) { deadErr = dead.Safe(ctx) },
				func(ctx context.Context) { goodErr = good.Safe(ctx) })
			if took := time.Since(before); took > good.SafeTime() {
				t.Errorf("making both safe took %v of %v", took, good.SafeTime())
			}
			if goodErr != nil || deadErr == nil {
				t.Errorf("together %v: made safe: good %v, dead %v", together, goodErr, deadErr)
			}
			for n := range 4 {
				if level(b, row, n+1) {
					t.Errorf("together %v: relay %d is still on", together, n+1)
				}
			}
		})
	}
}
