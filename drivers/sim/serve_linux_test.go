//go:build linux

package sim

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
)

// served is a bench in real time with its endpoints.
func served(t *testing.T, dir string) (*Bench, map[string]Endpoint, context.CancelFunc) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	b := NewBench(drivers.System, 1)
	ends, err := Serve(ctx, b, Options{Dir: dir})
	if err != nil {
		cancel()
		t.Skipf("no pseudo-terminals or sockets here: %v", err)
	}
	by := map[string]Endpoint{}
	for _, e := range ends {
		by[e.Role] = e
	}
	t.Cleanup(func() {
		cancel()
		for _, e := range ends {
			<-e.Done
		}
	})
	return b, by, cancel
}

func open(t *testing.T, path string) *os.File {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return f
}

// exchange writes a line and reads one.
func exchange(t *testing.T, f io.ReadWriter, line string) string {
	t.Helper()
	if _, err := io.WriteString(f, line+"\n"); err != nil {
		t.Fatal(err)
	}
	s, err := bufio.NewReader(f).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSuffix(s, "\n")
}

func TestServe(t *testing.T) {
	dir := t.TempDir()
	b, ends, cancel := served(t, dir)
	if len(ends) != 10 || ends[Board].Address != filepath.Join(dir, Board) || ends[Meter].Kind != "tcp" {
		t.Fatalf("endpoints %+v", ends)
	}
	h := ideal()
	h.Link.Begin = 0
	b.Load(h)

	// SCPI over TCP and over a terminal, closed and opened again.
	supply, err := net.Dial("tcp", ends[Supply].Address)
	if err != nil {
		t.Fatal(err)
	}
	if got := exchange(t, supply, "VOLT 3.7;OUTP ON;:OUTP?;:SYST:ERR?"); got != `1;0,"No error"` {
		t.Error(got)
	}
	supply.Close()
	if supply, err = net.Dial("tcp", ends[Supply].Address); err != nil {
		t.Fatal(err)
	}
	defer supply.Close()
	if got := exchange(t, supply, "VOLT?"); got != "3.700000E+00" {
		t.Errorf("second connection: %s", got)
	}
	for range 3 {
		f := open(t, ends[Board].Address)
		if got := exchange(t, f, "ROUT:CLOS (@1,2);CLOS? (@1:3)"); got != "1,1,0" {
			t.Errorf("terminal: %s", got)
		}
		f.Close()
	}
	if s := b.State(); s.Handset != "running" {
		t.Errorf("state %+v, want running", s)
	}

	// A block with every byte value must pass a raw terminal and TCP unharmed.
	meter, err := net.Dial("tcp", ends[Meter].Address)
	if err != nil {
		t.Fatal(err)
	}
	defer meter.Close()
	io.WriteString(meter, "FORM REAL,32;:SENS:SWE:TINT 1E-5;POIN 5000;:INIT;:FETC:ARR:CURR?\n")
	block := make([]byte, 7+20000+1)
	if _, err := io.ReadFull(meter, block); err != nil || string(block[:7]) != "#520000" {
		t.Fatalf("block %q, %v", block[:7], err)
	}
	if v := math.Float32frombits(binary.BigEndian.Uint32(block[20003:])); math.Abs(float64(v)-0.118) > 1e-3 {
		t.Errorf("last sample %v, want 0.118", v)
	}

	// The receiver's stream is binary, and the switch pressed above shows.
	f := open(t, ends[Receiver].Address)
	var got []byte
	buf := make([]byte, 4096)
	want := appendSBUS(nil, &[16]uint16{992, 992, 992, 992, highRaw, lowRaw, lowRaw, lowRaw, 992, 992, 992, 992, 992, 992, 992, 992}, 0)
	for !bytes.Contains(got, want) {
		n, err := f.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		if got = append(got, buf[:n]...); len(got) > 1<<20 {
			t.Fatalf("no frame % X in a megabyte", want)
		}
	}

	// Unplugged: who has it open sees it hang up, and the link is gone.
	ends[Receiver].Unplug()
	for err = nil; err == nil; {
		_, err = f.Read(buf)
	}
	if _, err := os.Lstat(ends[Receiver].Address); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the link is still there: %v", err)
	}
	cancel()
	for _, e := range ends {
		<-e.Done
	}
	if left, _ := os.ReadDir(dir); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	if p, err := b.Port(Board); err != nil {
		t.Errorf("the wire is not free again: %v", err)
	} else {
		p.Close()
	}
}

// A stream that nobody reads must neither block nor grow.
func TestServeUnreadStream(t *testing.T) {
	b, ends, _ := served(t, "")
	b.Load(ideal())
	slave := open(t, ends[Receiver].Address)
	w := b.wires[Receiver]
	for range 3 { // more than a terminal holds
		b.mu.Lock()
		w.inbox = append(w.inbox, make([]byte, 40000)...)
		w.wake()
		b.mu.Unlock()
		for {
			b.mu.Lock()
			left := len(w.inbox)
			b.mu.Unlock()
			if left < 40000 {
				break
			}
			time.Sleep(time.Millisecond)
		}
	}
	if got := exchange(t, open(t, ends[Board].Address), "*OPC?"); got != "1" {
		t.Error(got)
	}
	if n, err := slave.Read(make([]byte, 1)); n != 1 || err != nil {
		t.Errorf("got %d bytes, %v", n, err)
	}
}

func TestServeErrors(t *testing.T) {
	ctx := context.Background()
	if _, err := Serve(ctx, NewBench(NewClock(noon), 1), Options{}); err != errVirtual {
		t.Errorf("virtual clock: %v", err)
	}
	b := NewBench(drivers.System, 1)
	p, _ := b.Port(Sticks)
	if ends, err := Serve(ctx, b, Options{}); drivers.KindOf(err) != drivers.Busy || ends != nil {
		t.Errorf("a wire in use: %v, %v; want busy", ends, err)
	}
	p.Close()
	if _, err := Serve(ctx, b, Options{Dir: filepath.Join(t.TempDir(), "none")}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
	for _, role := range b.Wires() {
		if p, err := b.Port(role); err != nil {
			t.Errorf("%s is not free after a failure: %v", role, err)
		} else {
			p.Close()
		}
	}
}
