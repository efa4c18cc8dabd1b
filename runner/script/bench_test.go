package script

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"fullthrow/drivers/sim"
	"fullthrow/reports"
	"fullthrow/scripts"
)

// silent is a Recorder that costs nothing.
type silent struct{}

func (silent) CheckStarted(Check) error                 { return nil }
func (silent) Reading(Reading) (reports.Verdict, error) { return reports.Pass, nil }
func (silent) Note(string, string) error                { return nil }
func (silent) Keep(string, string, any) error           { return nil }
func (silent) CheckEnded(string, error) (bool, error)   { return false, nil }

// BenchmarkRun is what the host itself costs for a plan of ten checks, each
// with two device calls, a wait and a reading.
func BenchmarkRun(b *testing.B) {
	var src strings.Builder
	src.WriteString("plan { product = 'x' }\n")
	for i := range 10 {
		fmt.Fprintf(&src, "check('c%d', { deadline = 10 }, function()\n bench.power:on() wait(1)\n reading('i', bench.guard:level())\n bench.power:off()\nend)\n", i)
	}
	p, err := load(src.String())
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		s := newStageOn(sim.NewClock(epoch))
		s.host.Recorder = silent{}
		if err := s.runPlan(context.Background(), p); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkTogether is one together of three tasks that wait ten times each.
func BenchmarkTogether(b *testing.B) {
	p, err := load(body("local function f() for i = 1, 10 do wait(0.1) end end together(f, f, f)"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		s := newStage()
		s.host.Recorder = silent{}
		if err := s.runPlan(context.Background(), p); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLua is a million rounds of a loop: what counting instructions costs.
func BenchmarkLua(b *testing.B) {
	p, err := load(body("local x = 0 for i = 1, 1000000 do x = x + i % 3 end reading('x', x, '1')"))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if err := newStage().runPlan(context.Background(), p); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLoad(b *testing.B) {
	files, _ := scripts.Product(scripts.Products()[0])
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Load(files, "plan.lua", scripts.Lib()); err != nil {
			b.Fatal(err)
		}
	}
}
