package modbus

import (
	"fmt"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
	"fullthrow/drivers/serialport"
)

// theirBoard is a board made with Debian's libmodbus at the end of a serial line,
// and our port at the other end. Their library finds message ends by itself, checks
// the CRC and answers with its own exceptions.
func theirBoard(t *testing.T, address int) (*drivertest.Program, drivers.Port) {
	t.Helper()
	program := filepath.Join(t.TempDir(), "board")
	if _, err := exec.LookPath("gcc"); err != nil {
		t.Skipf("no peer: %v (.ci/test installs gcc)", err)
	}
	build := exec.Command("gcc", "-O1", "-Wall", "-o", program, "testdata/board.c", "-I/usr/include/modbus", "-lmodbus")
	if text, err := build.CombinedOutput(); err != nil {
		if strings.Contains(string(text), "modbus.h: No such file") {
			t.Skip("no peer: libmodbus-dev is not installed (.ci/test does)")
		}
		t.Fatalf("%v\n%s", err, text)
	}
	ours, theirs := drivertest.Cable(t)
	peer := drivertest.Start(t, exec.Command(program, theirs, "9600", fmt.Sprint(address)))
	port, err := serialport.Open(serialport.Address{Path: ours}, serialport.Options{Baud: 9600, LockDir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = port.Close() })
	return peer, port
}

// A board by another hand on a serial line: every output set, read back and made
// safe, every input read, in each way that rows write outputs with coils.
func TestBoardOfAnotherHandOnASerialLine(t *testing.T) {
	for _, row := range []Model{
		{Name: "one", Coils: 8, Inputs: 8, ReadBack: true},
		{Name: "some", Coils: 8, Inputs: 8, ReadBack: true, Write: "coils", Together: true},
	} {
		t.Run(row.Name+" at a time", func(t *testing.T) {
			row.Drives = drivers.ByOutputs
			peer, port := theirBoard(t, 9)
			board, err := Open("board", port, drivers.System, Options{Row: &row, Address: 9, Timeout: drivertest.Patience})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := board.Ready(t.Context()); err != nil {
				t.Fatal(err)
			}
			var outs []drivers.Output
			var ins []drivers.Input
			for n := 1; n <= 8; n++ {
				o, err := board.Output(fmt.Sprint("relay", n), n, false, false)
				if err != nil {
					t.Fatal(err)
				}
				in, err := board.Input(fmt.Sprint("guard", n), n, false)
				if err != nil {
					t.Fatal(err)
				}
				outs, ins = append(outs, o), append(ins, in)
			}
			rng := rand.New(rand.NewPCG(9, 1))
			want := []byte("00000000")
			for range 100 {
				n, on := rng.IntN(8), rng.IntN(2) == 1
				level := map[bool]byte{true: '1', false: '0'}[on]
				switch rng.IntN(3) {
				case 0:
					want[n] = level
					if err := outs[n].Set(t.Context(), on); err != nil {
						t.Fatal(err)
					}
					if got := peer.Ask("coils"); got != string(want) {
						t.Fatalf("relay %d to %v: their coils are %s, want %s", n+1, on, got, want)
					}
				case 1:
					peer.Ask("input %d %c", n+1, level)
					if got, err := ins[n].Level(t.Context()); err != nil || got != on {
						t.Fatalf("input %d is %v: %v, %v", n+1, on, got, err)
					}
				case 2: // switched by hand at the board
					want[n] = level
					peer.Ask("coil %d %c", n+1, level)
					levels, err := board.read(t.Context(), "board", "read", readCoils, 0, 8)
					if err != nil || levels[n] != on {
						t.Fatalf("relay %d is %v: %v, %v", n+1, on, levels, err)
					}
				}
			}
			for _, o := range outs {
				if err := o.Set(t.Context(), true); err != nil {
					t.Fatal(err)
				}
			}
			if err := board.Safe(t.Context()); err != nil || peer.Ask("coils") != "00000000" {
				t.Errorf("made safe: %v, their coils are %s", err, peer.Ask("coils"))
			}
		})
	}
}

// What is wrong with a board by another hand is an error that names it.
func TestBoardOfAnotherHandInTrouble(t *testing.T) {
	t.Parallel() // it waits most of the time
	peer, port := theirBoard(t, 9)
	bus := NewBus(port, drivers.System, 9600)
	open := func(name string, address int, timeout time.Duration, row Model) *Lines {
		row.Name, row.Drives, row.ReadBack = name, drivers.ByOutputs, true
		d, err := Open(name, bus, drivers.System, Options{Row: &row, Address: address, Timeout: timeout})
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	refused := func(what string, err error, kind drivers.Kind, words ...string) {
		t.Helper()
		if drivers.KindOf(err) != kind {
			t.Errorf("%s: %v, want %v", what, err, kind)
		}
		for _, w := range words {
			if err != nil && !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %v, want %q in it", what, err, w)
			}
		}
	}
	good := open("good", 9, drivertest.Patience, Model{Coils: 8, Inputs: 8})
	output := func(d *Lines) drivers.Output {
		o, err := d.Output("relay", d.model.Coils, false, false)
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	relay := output(good)
	if err := relay.Set(t.Context(), true); err != nil {
		t.Fatal(err)
	}

	// A row with more outputs than the board has, and one that writes registers.
	large := open("large", 9, drivertest.Patience, Model{Coils: 12, Inputs: 8})
	_, err := large.Ready(t.Context())
	refused("12 coils of 8", err, drivers.Refused, "large", "address")
	refused("coil 12 of 8", output(large).Set(t.Context(), true), drivers.Refused, "relay", "address")
	registers := open("registers", 9, drivertest.Patience, Model{Coils: 8, Inputs: 8, Write: "register", On: 1})
	refused("registers", output(registers).Set(t.Context(), true), drivers.Refused, "relay")

	// Nobody has this address; the board that is there goes on afterwards, though its
	// library takes what follows for the reply of the other one.
	none := open("none", 10, 200*time.Millisecond, Model{Coils: 8, Inputs: 8})
	_, err = none.Ready(t.Context())
	refused("address 10", err, drivers.NoReply, "none", "no reply")
	after := open("after", 9, 10*time.Second, Model{Coils: 8, Inputs: 8})
	if _, err := after.Ready(t.Context()); err != nil {
		t.Errorf("after all that: %v", err)
	}
	if got := peer.Ask("coils"); got != "00000001" {
		t.Errorf("their coils are %s", got)
	}

	// The board loses its power. Who cannot know says that it is not safe.
	short := open("short", 9, 200*time.Millisecond, Model{Coils: 8, Inputs: 8})
	last := output(short)
	peer.Stop()
	refused("gone", last.Set(t.Context(), false), drivers.NoReply, "relay", "no reply")
	if err := short.Safe(t.Context()); err == nil {
		t.Error("it says that a board without power is safe")
	}
}
