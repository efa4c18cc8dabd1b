package script

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"fullthrow/drivers"
	"fullthrow/drivers/sim"
	"fullthrow/reports"
)

// tape is a Recorder that writes down what it is told, one line each.
type tape struct {
	lines    []string
	readings []Reading
	kept     []any
	ended    map[string]error
	stopAt   string // check after which the plan is to stop
	fail     string // call that is to fail: "reading x"
	inside   int
}

func (r *tape) enter(line string) error {
	r.inside++
	if r.inside != 1 {
		panic("two calls of the recorder at once")
	}
	defer func() { r.inside-- }()
	r.lines = append(r.lines, line)
	if r.fail == line {
		return fmt.Errorf("disk full")
	}
	return nil
}

func (r *tape) CheckStarted(c Check) error { return r.enter("start " + c.Name) }

func (r *tape) Reading(in Reading) (reports.Verdict, error) {
	r.readings = append(r.readings, in)
	err := r.enter(strings.TrimRight(fmt.Sprintf("reading %s.%s = %s %s", in.Check, in.Name, in.Value, in.Unit), " "))
	if f, ok := in.Value.Number(); in.Value.IsNone() || ok && (math.IsNaN(f) || math.IsInf(f, 0)) {
		return reports.Error, err
	}
	return reports.Pass, err
}

func (r *tape) Note(check, text string) error {
	return r.enter(fmt.Sprintf("note %s: %s", check, clip(text, 60)))
}

func (r *tape) Keep(check, name string, c any) error {
	r.kept = append(r.kept, c)
	return r.enter(fmt.Sprintf("keep %s.%s %T", check, name, c))
}

func (r *tape) CheckEnded(check string, err error) (bool, error) {
	if r.ended == nil {
		r.ended = map[string]error{}
	}
	r.ended[check] = err
	line := "end " + check
	if err != nil {
		line += ": " + err.Error()
	}
	return r.stopAt == check, r.enter(line)
}

// part is the Device part of every fake.
type part struct {
	role  string
	clock drivers.Clock
	log   *[]string
}

func (p part) String() string                        { return p.role }
func (p part) Ready(context.Context) (string, error) { return "fake", nil }
func (p part) Safe(context.Context) error            { return nil }
func (p part) Close() error                          { return nil }
func (p part) did(format string, a ...any) {
	*p.log = append(*p.log, p.role+" "+fmt.Sprintf(format, a...))
}
func (p part) sleep(ctx context.Context, d time.Duration) error { return p.clock.Sleep(ctx, d) }

type fakeSupply struct{ part }

func (s fakeSupply) SetVoltage(_ context.Context, v float64) error      { s.did("%g V", v); return nil }
func (s fakeSupply) SetCurrentLimit(_ context.Context, a float64) error { s.did("%g A", a); return nil }
func (s fakeSupply) SetOutput(_ context.Context, on bool) error         { s.did("output %v", on); return nil }

type fakeMeter struct {
	part
	err   error
	panic any
	stuck chan struct{} // not nil: ignores its context until closed

	entered chan struct{} // closed when stuck
	late    time.Duration // how much longer than asked it takes
}

func (m *fakeMeter) Current(ctx context.Context, rng, rate float64, over time.Duration) (drivers.Samples, error) {
	if m.stuck != nil {
		close(m.entered)
		<-m.stuck
	}
	if m.panic != nil {
		panic(m.panic)
	}
	if err := m.sleep(ctx, over+m.late); err != nil {
		return drivers.Samples{}, drivers.Wrap(m.role, "read current", err)
	}
	if m.err != nil {
		return drivers.Samples{}, m.err
	}
	m.did("%g A %g/s %v", rng, rate, over)
	n := int(over.Seconds() * 1000)
	s := drivers.Samples{Rate: 1000, Unit: "A", Channels: 1, Values: make([]float64, n)}
	for i := range s.Values {
		s.Values[i] = 9e-6
	}
	return s, nil
}

type fakeReceiver struct{ part }

func (r fakeReceiver) Record(ctx context.Context, over time.Duration) (drivers.Frames, error) {
	start := r.clock.Now()
	if err := r.sleep(ctx, over); err != nil {
		return drivers.Frames{}, drivers.Wrap(r.role, "record", err)
	}
	r.did("heard %v", over)
	return drivers.Frames{Start: start, Length: over, Format: "SBUS", Gain: 0.625, Offset: 880, Period: 7 * time.Millisecond,
		Link:    []drivers.LinkStatistics{{At: time.Second, RSSI: -70, Quality: 98, SNR: -3}},
		Battery: []drivers.Battery{{Voltage: 25.2, Current: 18.9, Charge: 3.6, Remaining: 20}},
		Modes:   []drivers.FlightMode{{Text: "ACRO"}}}, nil
}

type fakeRecorder struct{ part }

func (r fakeRecorder) Record(ctx context.Context, over time.Duration) (drivers.Samples, error) {
	err := r.sleep(ctx, over)
	return drivers.Samples{Rate: 48000, Unit: "1", Channels: 1, Values: make([]float64, int(over.Seconds()*48000))}, err
}

type fakeMover struct{ part }

func (m fakeMover) Axes() []string                 { return []string{"left_x", "left_y"} }
func (m fakeMover) Home(ctx context.Context) error { m.did("home"); return m.sleep(ctx, time.Second) }
func (m fakeMover) Move(ctx context.Context, to map[string]float64, rate float64) (drivers.Segment, error) {
	start := m.clock.Now()
	if err := m.sleep(ctx, 100*time.Millisecond); err != nil {
		return drivers.Segment{}, drivers.Wrap(m.role, "move", err)
	}
	m.did("to %v at %g", to, rate)
	return drivers.Segment{Start: start, End: m.clock.Now(), From: map[string]float64{}, To: to}, nil
}

type fakeInput struct{ part }

func (fakeInput) Level(context.Context) (bool, error) { return true, nil }

type fakeOutput struct{ part }

func (l fakeOutput) Set(_ context.Context, on bool) error { l.did("%v", on); return nil }

type fakeTimer struct{ part }

func (t fakeTimer) Interval(ctx context.Context) (float64, error) {
	return math.NaN(), t.sleep(ctx, 20*time.Millisecond)
}

type fakeAttenuator struct{ part }

func (a fakeAttenuator) SetAttenuation(_ context.Context, dB float64) error {
	a.did("%g dB", dB)
	return nil
}

// stage is a bench of fakes, on a virtual clock, and what happened on it.
type stage struct {
	clock drivers.Clock
	tape  *tape
	log   []string
	meter *fakeMeter
	host  Host
}

var epoch = time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)

func newStage() *stage { return newStageOn(sim.NewClock(epoch)) }

func newStageOn(clock drivers.Clock) *stage {
	s := &stage{clock: clock, tape: &tape{}}
	p := func(role string) part { return part{role, clock, &s.log} }
	s.meter = &fakeMeter{part: p("meter")}
	// Wall is for the tests of it: a busy machine computes long.
	s.host = Host{Wall: time.Hour, Clock: clock, Recorder: s.tape, Devices: map[string]drivers.Device{
		"supply": fakeSupply{p("supply")}, "meter": s.meter, "receiver": fakeReceiver{p("receiver")}, "recorder": fakeRecorder{p("recorder")},
		"sticks": fakeMover{p("sticks")}, "power": fakeOutput{p("power")}, "guard": fakeInput{p("guard")}, "timer": fakeTimer{p("timer")},
		"attenuator": fakeAttenuator{p("attenuator")},
	}}
	return s
}

// run loads and runs, as one task of the virtual clock.
func (s *stage) run(t *testing.T, src string) error {
	t.Helper()
	p, err := load(src)
	if err != nil {
		t.Fatalf("load: %v", err)
	}
	return s.runPlan(context.Background(), p)
}

func (s *stage) runPlan(ctx context.Context, p *Plan) (err error) {
	s.clock.Together(ctx, func(ctx context.Context) { err = p.Run(ctx, s.host) })
	return err
}

func load(src string, libs ...string) (*Plan, error) {
	lib := fstest.MapFS{}
	for i := 0; i+1 < len(libs); i += 2 {
		lib[libs[i]+".lua"] = &fstest.MapFile{Data: []byte(libs[i+1])}
	}
	return Load(fstest.MapFS{"plan.lua": {Data: []byte(src)}}, "plan.lua", lib)
}

// body is a plan with one check.
func body(lua string) string {
	return "plan { product = 'kittiwake-k8' } check('c', { deadline = 10 }, function()\n" + lua + "\nend)"
}

func planFS(src string) fstest.MapFS { return fstest.MapFS{"plan.lua": {Data: []byte(src)}} }
