package sim

import (
	"strings"
	"testing"
	"time"

	"fullthrow/drivers"
)

func TestSCPIText(t *testing.T) {
	const ok = `0,"No error"`
	for _, c := range []struct{ name, role, send, want string }{
		{"identity", Supply, "*IDN?", "INVENTED,GENERIC SUPPLY,SIM1,1.0"},
		{"short form", Supply, "VOLT 3.7;VOLT?", "3.700000E+00"},
		{"long form, lower case", Supply, "source:voltage:level:immediate:amplitude 3.7;:sour:volt?", "3.700000E+00"},
		{"neither long nor short", Supply, "VOLTA 3;:SYST:ERR?", `-113,"Undefined header"`},
		{"unit and prefix", Supply, "CURR 250MA;CURR?", "2.500000E-01"},
		{"wrong unit", Supply, "CURR 1V;:SYST:ERR?", `-131,"Invalid suffix"`},
		{"out of range", Supply, "VOLT 21;:SYST:ERR?;:VOLT?", `-222,"Data out of range";0.000000E+00`},
		{"maximum", Supply, "VOLT MAX;VOLT?", "2.000000E+01"},
		{"missing", Supply, "VOLT;:SYST:ERR?", `-109,"Missing parameter"`},
		{"too many", Supply, "VOLT 1,2;:SYST:ERR?", `-108,"Parameter not allowed"`},
		{"no number", Supply, "VOLT fast;:SYST:ERR?", `-104,"Data type error"`},
		{"not a number", Supply, "VOLT NAN;:SYST:ERR?", `-104,"Data type error"`},
		{"hexadecimal", Supply, "VOLT 0x1p0;:SYST:ERR?", `-104,"Data type error"`},
		{"infinite", Supply, "VOLT 1E999;:SYST:ERR?", `-222,"Data out of range"`},
		{"on or off", Supply, "OUTP MAYBE;:SYST:ERR?", `-224,"Illegal parameter value"`},
		{"good", Supply, "OUTP ON;:SYST:ERR?", ok},
		{"invalid character", Supply, "VO!T 1;:SYST:ERR?", `-101,"Invalid character"`},
		{"header", Supply, "VOLT::LEV 1;:SYST:ERR?", `-110,"Command header error"`},
		{"only a query", Board, "MEAS:TINT;:SYST:ERR?", `-113,"Undefined header"`},
		{"two errors, in order", Supply, "FOO;BAR 1;VOLT 99;:SYST:ERR:COUN?;NEXT?;NEXT?;NEXT?;NEXT?", ""},
		{"relative path", Meter, "SENS:SWE:TINT 2E-3;POIN 20;TINT?;POIN?", "2.000000E-03;20"},
		{"event status", Supply, "FOO;VOLT 99;*ESR?;*ESR?", "48;0"},
		{"status byte", Supply, "FOO;*STB?;*CLS;*STB?", "4;0"},
		{"fetch before init", Meter, "FETC:ARR:CURR?;:SYST:ERR?", `-230,"Data corrupt or stale"`},
		{"init twice", Meter, "INIT;INIT;:SYST:ERR?", `-213,"Init ignored"`},
		{"abort", Meter, "INIT;:ABOR;INIT;:SYST:ERR?", ok},
		{"ascii", Meter, "SENS:SWE:POIN 2;:SENS:CURR:RANG 3;:FORM ASC;:INIT;:FETC:ARR:CURR?;:FORM?", ""},
		{"relays", Board, "ROUT:CLOS (@1,3:5);CLOS? (@1:6);OPEN? (@1,2)", "1,0,1,1,1,0;0,1"},
		{"open all", Board, "ROUT:CLOS (@2);OPEN:ALL;:ROUT:CLOS? (@2)", "0"},
		{"no such relay", Board, "ROUT:CLOS (@9);:SYST:ERR?", `-222,"Data out of range"`},
		{"no list", Board, "ROUT:CLOS 1;:SYST:ERR?", `-104,"Data type error"`},
		{"attenuator", Attenuator, "INP:ATT 60.3;ATT?", "6.050000E+01"},
		{"attenuator range", Attenuator, "INP:ATT 110.5;:SYST:ERR?", `-222,"Data out of range"`},
		{"empty message", Supply, ";;VOLT?", "0.000000E+00"},
		{"reset", Supply, "VOLT 5;OUTP ON;*RST;VOLT?;OUTP?", "0.000000E+00;0"},
		{"carriage return", Supply, "VOLT 2\r\nVOLT?\r", "2.000000E+00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, 1)
			got := r.ask(c.role, c.send)
			switch c.name {
			case "two errors, in order":
				// COUNt leaves the path at SYST:ERR:, NEXT? goes on from there.
				c.want = `3;-113,"Undefined header";-113,"Undefined header";-222,"Data out of range";0,"No error"`
			case "ascii":
				if strings.Count(got, ",") != 2 || !strings.HasSuffix(got, ";ASC,0") || strings.Count(got, "E") != 2 {
					t.Errorf("got %q, want two numbers and the format", got)
				}
				return
			}
			if got != c.want {
				t.Errorf("%s\n got %s\nwant %s", c.send, got, c.want)
			}
		})
	}
}

func TestSCPIErrorQueue(t *testing.T) {
	r := newRig(t, 1)
	r.send(Supply, strings.Repeat("FOO;", 20))
	for i := range maxErrors {
		want := `-113,"Undefined header"`
		if i == maxErrors-1 {
			want = `-350,"Queue overflow"`
		}
		if got := r.ask(Supply, "SYST:ERR?"); got != want {
			t.Errorf("entry %d: %s, want %s", i+1, got, want)
		}
	}
	if got := r.ask(Supply, "SYST:ERR?"); got != `0,"No error"` {
		t.Error(got)
	}
	r.send(Supply, "VOLT "+strings.Repeat("0", maxLine)+"1")
	if got := r.ask(Supply, "SYST:ERR?"); got != `-363,"Input buffer overrun"` {
		t.Error(got)
	}
}

// Times on the wire: a query is answered after the instrument's delay, a
// capture when it is complete.
func TestSCPITimes(t *testing.T) {
	r := newRig(t, 1)
	r.send(Meter, "FORM REAL,32;:SENS:SWE:TINT 1E-3;POIN 2000;:INIT;:SYST:ERR?")
	if got := r.line(Meter, time.Second); got != `0,"No error"` {
		t.Error(got)
	}
	r.send(Meter, "FETC:ARR:CURR?")
	buf := make([]byte, 8)
	if _, err := r.ports[Meter].Read(r.ctx, buf, 1900*time.Millisecond); drivers.KindOf(err) != drivers.NoReply {
		t.Errorf("before the end: %v, want no reply", err)
	}
	if n, err := r.ports[Meter].Read(r.ctx, buf, time.Second); string(buf[:n]) != "#48000"+string(buf[6:n]) || err != nil {
		t.Errorf("got %q, %v", buf[:n], err)
	}
	if at := r.clock.Now().Sub(noon); at < 2*time.Second || at > 2010*time.Millisecond {
		t.Errorf("complete at %v, want 2 s", at)
	}
}

func FuzzSCPI(f *testing.F) {
	for _, s := range []string{"VOLT 3.7;:SYST:ERR?\n", "ROUT:CLOS (@1,2:5)\nROUT:CLOS? (@1)\n", "*IDN?\n", "INIT;:FETC:ARR:CURR?\n",
		"SENS:SWE:TINT 1E-3;POIN 5\n", "MEAS:TINT?\n", ":::;*;?\n", "\"';(\n", "FORM REAL,32;BORD SWAP\n", "G1 X1 F600\nG28\nM0\n!?\x18", "N1 G1 X1*3\nM410\nM114\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r := newRig(t, 1)
		r.bench.Load(ideal())
		for role, p := range r.ports {
			p.Write(r.ctx, []byte(s))
			p.Write(r.ctx, []byte("\nABOR;*RST\n"))
			if role != Sticks {
				buf := make([]byte, 1<<12)
				p.Read(r.ctx, buf, time.Second)
			}
		}
		r.bench.State()
	})
}
