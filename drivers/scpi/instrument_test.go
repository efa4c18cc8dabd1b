package scpi

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// instrument is a small SCPI instrument: it knows the words of its table,
// keeps an error queue, and answers after its delay.
type instrument struct {
	mu     sync.Mutex
	heard  []string // program messages, the SYST:ERR? behind them left out
	errors []string
	relays map[string]bool
	input  map[string]bool
	set    map[string]string // settings, by header
	stuck  bool              // acknowledges everything and does nothing
	broken bool
	// answers to other queries, by the query; fetch is the data of a block.
	answers map[string]string
	whole   map[string]string // to whole messages
	fetch   []byte
	known   []string // beginnings of commands that are not refused
	endless bool     // the error queue never empties
}

func newInstrument() *instrument {
	return &instrument{relays: map[string]bool{}, input: map[string]bool{}, answers: map[string]string{},
		set:   map[string]string{"VOLT": "0", "CURR": "1", "OUTP": "0", "INP:ATT": "0", "INP": "0"},
		known: []string{"VOLT ", "CURR ", "OUTP O", "SENS:", "FORM", "INIT", "INP:ATT ", "INP O", "ROUT:", "ABOR"}}
}

// line answers one program message.
func (i *instrument) line(s string) string {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.broken {
		return ""
	}
	if a, ok := i.whole[s]; ok {
		return a
	}
	var out []string
	for _, part := range strings.Split(s, ";:") {
		if part != "SYST:ERR?" {
			i.heard = append(i.heard, part)
		}
		if a := i.part(part); a != "" {
			out = append(out, a)
		}
	}
	return strings.Join(out, ";")
}

func (i *instrument) part(s string) string {
	channel := strings.TrimSuffix(s[strings.Index(s, "@")+1:], ")")
	bit := map[bool]string{false: "0", true: "1"}
	switch {
	case s == "*IDN?":
		return "Lantern Quay,Test,0,1"
	case s == "SYST:ERR?":
		if len(i.errors) == 0 {
			return `0,"No error"`
		}
		e := i.errors[0]
		if !i.endless {
			i.errors = i.errors[1:]
		}
		return e
	case i.answers[s] != "":
		return i.answers[s]
	case strings.HasPrefix(s, "FETC:") && i.fetch != nil:
		n := fmt.Sprint(len(i.fetch))
		return fmt.Sprintf("#%d%s%s", len(n), n, i.fetch)
	case s == "ROUT:CLOS? (@1:8)":
		var all []string
		for n := range 8 {
			all = append(all, bit[i.relays[fmt.Sprint(n+1)]])
		}
		return strings.Join(all, ",")
	case strings.HasPrefix(s, "ROUT:CLOS? "):
		return bit[i.relays[channel]]
	case strings.HasPrefix(s, "SENS:DIG? "):
		return bit[i.input[channel]]
	case i.stuck && !strings.HasSuffix(s, "?"):
		return ""
	case i.set[strings.TrimSuffix(s, "?")] != "":
		return i.set[strings.TrimSuffix(s, "?")]
	case s == "ROUT:OPEN:ALL":
		clear(i.relays)
		return ""
	case strings.HasPrefix(s, "ROUT:CLOS "), strings.HasPrefix(s, "ROUT:OPEN "):
		i.relays[channel] = s[5] == 'C'
		return ""
	}
	for _, k := range i.known {
		if strings.HasPrefix(s, k) && !strings.HasSuffix(s, "?") {
			if header, value, ok := strings.Cut(s, " "); ok && i.set[header] != "" {
				i.set[header] = map[string]string{"ON": "1", "OFF": "0"}[value]
				if i.set[header] == "" {
					i.set[header] = value
				}
			}
			return ""
		}
	}
	i.errors = append(i.errors, `-113,"Undefined header"`)
	return ""
}

func (i *instrument) said() string {
	i.mu.Lock()
	defer i.mu.Unlock()
	s := strings.Join(i.heard, "|")
	i.heard = nil
	return s
}

// delayed hands over answers later: the clock of a real line.
type delayed struct {
	drivers.Port
	mu sync.Mutex
	// by is how late every answer comes.
	by func(sent string) time.Duration
	at time.Time
}

// Checked: the wires of these tests are late and damage nothing.
func (d *delayed) Checked() bool { return true }

func (d *delayed) Write(ctx context.Context, p []byte) error {
	d.mu.Lock()
	d.at = time.Now().Add(d.by(string(p)))
	d.mu.Unlock()
	return d.Port.Write(ctx, p)
}

func (d *delayed) Read(ctx context.Context, p []byte, timeout time.Duration) (int, error) {
	d.mu.Lock()
	wait := time.Until(d.at)
	d.mu.Unlock()
	if wait > timeout {
		if err := drivers.System.Sleep(ctx, timeout); err != nil {
			return 0, err
		}
		return 0, drivers.Errorf("wire", "read", drivers.NoReply, "nothing in %v", timeout)
	}
	if err := drivers.System.Sleep(ctx, wait); err != nil {
		return 0, err
	}
	return d.Port.Read(ctx, p, timeout-max(wait, 0))
}

func (d *delayed) Discard() error {
	d.mu.Lock()
	late := time.Until(d.at) > 0
	d.mu.Unlock()
	if late {
		return nil // it is not here yet
	}
	return d.Port.Discard()
}

func (i *instrument) port() drivers.Port {
	return drivertest.Respond("wire", drivers.System, drivertest.Lines(i.line))
}

func openAs[D drivers.Device](t testing.TB, port drivers.Port, model string, cal drivers.Calibration) D {
	t.Helper()
	d, err := Open("dev", port, drivers.System, model, cal)
	if err != nil {
		t.Fatal(err)
	}
	return d.(D)
}

// meet opens the device and holds the first conversation, so that what is heard
// afterwards is only what the test asks for.
func meet[D drivers.Device](t testing.TB, i *instrument, model string, cal drivers.Calibration) D {
	t.Helper()
	d := openAs[D](t, i.port(), model, cal)
	if _, err := d.Ready(context.Background()); err != nil {
		t.Fatal(err)
	}
	i.said()
	return d
}

func real32(values ...float64) []byte {
	var b []byte
	for _, v := range values {
		b = binary.BigEndian.AppendUint32(b, math.Float32bits(float32(v)))
	}
	return b
}
