package modbus

import (
	"io"
	"log"
	"net"
	"testing"

	other "github.com/simonvetter/modbus"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// A client written by others must understand the board of these tests, and our
// client must come to the same: otherwise both ends here could share one error.
func TestAgreesWithAnotherLibrary(t *testing.T) {
	b := &board{address: 9}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		buf := make([]byte, 256)
		for {
			n, err := c.Read(buf)
			if err != nil {
				return
			}
			if _, err := c.Write(b.reply(buf[:n])); err != nil {
				return
			}
		}
	}()
	theirs, err := other.NewClient(&other.ClientConfiguration{URL: "rtuovertcp://" + l.Addr().String(),
		Speed: 115200, Timeout: drivertest.Patience, Logger: log.New(io.Discard, "", 0)})
	if err != nil {
		t.Fatal(err)
	}
	if err := theirs.Open(); err != nil {
		t.Fatal(err)
	}
	defer theirs.Close()
	if err := theirs.SetUnitId(9); err != nil {
		t.Fatal(err)
	}

	ours, err := Open("board", drivertest.Respond("bus", drivers.System, b.reply), drivers.System, Options{Address: 9})
	if err != nil {
		t.Fatal(err)
	}
	relay, err := ours.Output("relay", 6, false, false)
	if err != nil {
		t.Fatal(err)
	}
	in, err := ours.Input("guard", 4, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, on := range []bool{true, false} {
		if err := relay.Set(t.Context(), on); err != nil {
			t.Fatal(err)
		}
		coils, err := theirs.ReadCoils(0, 8)
		if err != nil || coils[5] != on {
			t.Errorf("we set relay 6 to %v, they read %v, %v", on, coils, err)
		}
		if err := theirs.WriteCoil(5, !on); err != nil {
			t.Fatal(err)
		}
		got, err := ours.read(t.Context(), "board", "read", readCoils, 0, 8)
		if err != nil || got[5] == on {
			t.Errorf("they set relay 6 to %v, we read %v, %v", !on, got, err)
		}
		b.do(func() { b.inputs[3] = on })
		their, err := theirs.ReadDiscreteInput(3)
		if err != nil {
			t.Fatal(err)
		}
		our, err := in.Level(t.Context())
		if err != nil || our != on || their != on {
			t.Errorf("input 4 is %v: we read %v, %v, they %v", on, our, err, their)
		}
	}
	if _, err := theirs.ReadCoils(6, 8); err != other.ErrIllegalDataAddress {
		t.Errorf("coils beyond the last: they say %v", err)
	}
}
