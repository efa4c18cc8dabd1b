package script

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
)

// capability is one thing a device can do, with the methods that scripts have
// for it.
type capability struct {
	kind    string
	has     func(drivers.Device) bool
	methods []method
}

type method struct {
	name string
	call func(c call) int
}

// call is one call of a method. Arguments are counted from 1 without the
// device itself.
type call struct {
	t    *task
	L    *lua.LState
	dev  drivers.Device
	role string // "meter"
	verb string // "current"
	what string // "bench.meter:current"
}

func (c call) arg(i int) lua.LValue { return c.L.Get(i + 1) }

func is[T drivers.Device](d drivers.Device) bool { _, ok := d.(T); return ok }

// capabilities in the order in which a method's name is looked up.
func capabilities() []capability {
	on := func(set func(c call, ctx context.Context, on bool) error, level bool) func(call) int {
		return func(c call) int {
			c.switched(func(ctx context.Context) error { return set(c, ctx, level) })
			return 0
		}
	}
	supplyOutput := func(c call, ctx context.Context, on bool) error {
		return c.dev.(drivers.Supply).SetOutput(ctx,
			on)
	}
	loadOutput := func(c call, ctx context.Context, on bool) error { return c.dev.(drivers.Load).SetOutput(ctx, on) }
	lineOutput := func(c call, ctx context.Context, on bool) error { return c.dev.(drivers.Output).Set(ctx, on) }
	return []capability{
		{"supply", is[drivers.Supply], []method{{"set", supplySet}, {"on", on(supplyOutput, true)},
			{"off", on(supplyOutput, false)}}},
		{"readback", readsBack, []method{{"voltage", supplyReads(drivers.Voltage)},
			{"current", supplyReads(drivers.Current)}}},
		{"load", is[drivers.Load], []method{{"set", loadSet}, {"on", on(loadOutput, true)}, {"off", on(loadOutput, false)}}},
		{"output", is[drivers.Output], []method{{"on", on(lineOutput, true)}, {"off", on(lineOutput, false)},
			{"set", outputSet}}},
		{"input", is[drivers.Input], []method{{"level", inputLevel}}},
		{"meter", is[drivers.Meter], []method{{"current", meterCurrent}}},
		{"recorder", is[drivers.Recorder], []method{{"record", soundRecord}}},
		{"mover", is[drivers.Mover], []method{{"home", moverHome}, {"move", moverMove}, {"sweep", moverSweep}}},
		{"receiver", is[drivers.Receiver], []method{{"record", framesRecord}}},
		{"timer", is[drivers.Timer], []method{{"interval", timerInterval}}},
		{"attenuator", is[drivers.Attenuator], []method{{"set", attenuatorSet}}},
		{"indicator", is[drivers.Indicator], []method{{"read", indicatorRead}}},
		{"program", is[drivers.Program], []method{{"run", programRun}, {"picture", programPicture}}},
		{"light", is[drivers.ColourSensor], []method{{"light", sensorLight}}},
		{"analogue", is[drivers.AnalogueOutput], []method{{"set", analogueSet}}},
		{"console", is[drivers.Console], []method{{"ask", consoleAsk}, {"send", consoleSend}, {"expect", consoleExpect},
			{"others", consoleOthers}}},
		{"bytes", is[drivers.ByteDevice], []method{{"ask", bytesAsk}, {"send", bytesSend}, {"expect", bytesExpect}}},
	}
}

// Methods lists the methods a script has for dev: of every kind it is.
func Methods(dev drivers.Device) []string {
	var out []string
	for _, c := range capabilities() {
		if c.has(dev) {
			out = append(out, names(c.methods)...)
		}
	}
	return sortedCopy(out)
}

func names(list []method) []string {
	out := make([]string, len(list))
	for i, m := range list {
		out[i] = m.name
	}
	return out
}

// benchDevice is the Go side of bench.<role>.
type benchDevice struct {
	role    string
	dev     drivers.Device
	methods map[string]*lua.LFunction
}

// bench is the table whose fields are the devices, by role.
func (r *run) bench(L *lua.LState) *lua.LTable {
	r.meta.device = r.valueMetatable(L, deviceMethod, func(v any) string { return "device " + v.(*benchDevice).role })
	mt := L.CreateTable(0, 0)
	mt.RawSetString("__metatable", lua.LString("locked"))
	mt.RawSetString("__newindex", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		return t.raisef(L, "devices are named in the bench file", "bench cannot be changed")
	})))
	mt.RawSetString("__index", L.NewFunction(guarded(func(t *task, L *lua.LState) int {
		role := clip(L.Get(2).String(), 60)
		t.inCheck(L, "bench."+role)
		if ud, ok := r.devices[role]; ok {
			L.Push(ud)
			return 1
		}
		dev, ok := r.host.Devices[role]
		if !ok {
			roles := slices.Sorted(maps.Keys(r.host.Devices))
			hint := "this bench has no devices"
			if len(roles) > 0 {
				hint = "this bench has " + strings.Join(roles, ", ")
			}
			if near := didYouMean(role, roles); near != "" {
				hint = near + " " + hint
			}
			return t.raisef(L, hint, "bench.%s: there is no such device", role)
		}
		ud := &lua.LUserData{Value: &benchDevice{role, dev, map[string]*lua.LFunction{}}, Env: r.globals,
			Metatable: r.meta.device}
		r.devices[role] = ud
		L.Push(ud)
		return 1
	})))
	view := L.CreateTable(0, 0)
	view.Metatable = mt
	return view
}

// deviceMethod looks up bench.<role>.<key>.
func deviceMethod(t *task, L *lua.LState, v any, key string) lua.LValue {
	d := v.(*benchDevice)
	if fn, ok := d.methods[key]; ok {
		return fn
	}
	for _, c := range capabilities() {
		if !c.has(d.dev) {
			continue
		}
		for _, m := range c.methods {
			if m.name != key {
				continue
			}
			what := "bench." + d.role + ":" + key
			d.methods[key] = L.NewFunction(guarded(func(t *task, L *lua.LState) int {
				if ud, ok := L.Get(1).(*lua.LUserData); !ok || ud.Value != any(d) {
					return t.raisef(L, "write "+what+"(...), with a colon", "bench.%s.%s: called without its device",
						d.role, key)
				}
				return m.call(call{t, L, d.dev, d.role, key, what})
			}))
			return d.methods[key]
		}
	}
	has := Methods(d.dev)
	hint := didYouMean(key, has)
	if hint == "" {
		hint = "it has " + strings.Join(has, ", ")
		if len(has) == 0 {
			hint = "scripts have nothing to call on this kind of device"
		}
	}
	t.raisef(L, hint, "bench.%s has no %s", d.role, key)
	return lua.LNil
}

func supplySet(c call) int {
	o := c.t.options(c.L, c.what, c.arg(1), "voltage", "current_limit")
	if !o.has("voltage") && !o.has("current_limit") {
		return c.t.raisef(c.L, "{ voltage = 3.7, current_limit = 0.5 }", "%s: neither voltage nor current_limit",
			c.what)
	}
	s := c.dev.(drivers.Supply)
	if o.has("current_limit") {
		amperes := o.number("current_limit", 0, math.MaxFloat64, 0)
		c.t.device(c.L, func(ctx context.Context) error { return s.SetCurrentLimit(ctx, amperes) })
	}
	if o.has("voltage") {
		volts := o.number("voltage", 0, math.MaxFloat64, 0)
		c.t.device(c.L, func(ctx context.Context) error { return s.SetVoltage(ctx, volts) })
	}
	return 0
}

// readsBack says that a supply reads back what its terminals carry.
func readsBack(d drivers.Device) bool { return is[drivers.Supply](d) && is[drivers.Indicator](d) }

// supplyReads makes the method that reads a quantity back: bench.supply:voltage().
func supplyReads(q drivers.Quantity) func(call) int {
	return func(c call) int {
		in := c.dev.(drivers.Indicator)
		if !slices.ContainsFunc(in.Indications(), func(i drivers.Indication) bool { return i.Quantity == q }) {
			return c.t.raisef(c.L, "its model has no read of it", "%s: this supply does not read its %s back", c.what, q)
		}
		var x float64
		c.t.device(c.L, func(ctx context.Context) (err error) { x, err = in.Indicate(ctx, q, 1, 0); return })
		c.L.Push(lua.LNumber(x))
		return 1
	}
}

func loadSet(c call) int {
	load := c.dev.(drivers.Load)
	var has []string
	for _, q := range load.Loads() {
		has = append(has, string(q))
	}
	o := c.t.options(c.L, c.what, c.arg(1), has...)
	given := 0
	for _, q := range has {
		if o.has(q) {
			given++
		}
	}
	if given != 1 {
		return c.t.raisef(c.L, "{ current = 0.5 }", "%s: give one of %s", c.what, strings.Join(has, ", "))
	}
	for _, q := range has {
		if o.has(q) {
			v := o.number(q, 0, math.MaxFloat64, 0)
			c.t.device(c.L, func(ctx context.Context) error { return load.SetLoad(ctx, drivers.Quantity(q), v) })
		}
	}
	return 0
}

func outputSet(c call) int {
	on := c.t.boolean(c.L, c.what+": the level", c.arg(1))
	c.switched(func(ctx context.Context) error { return c.dev.(drivers.Output).Set(ctx, on) })
	return 0
}

func inputLevel(c call) int {
	var level bool
	c.t.device(c.L, func(ctx context.Context) (err error) { level, err = c.dev.(drivers.Input).Level(ctx); return })
	c.L.Push(lua.LBool(level))
	return 1
}

// capture takes the options of a method that captures: over, its duration, and
// more.
func (c call) capture(more ...string) (options, time.Duration) {
	if n, ok := c.arg(1).(lua.LNumber); ok {
		hint := fmt.Sprintf("write %s{ over = %s }", c.what, n)
		c.t.raisef(c.L, hint, "%s: got the number %s in place of named options", c.what, n)
	}
	o := c.t.options(c.L, c.what, c.arg(1), append([]string{"over"}, more...)...)
	if !o.has("over") {
		c.t.raisef(c.L, "{ over = 1.0 }", "%s: over is missing", c.what)
	}
	over := o.duration("over", 0)
	if over <= 0 {
		c.t.raisef(c.L, "", "%s: over is 0 s", c.what)
	}
	c.t.fits(c.L, c.what, over)
	return o, over
}

func meterCurrent(c call) int {
	o, over := c.capture("range", "rate")
	rng := o.number("range", 0, math.MaxFloat64, 0)
	rate := o.number("rate", 0, math.MaxFloat64, 0)
	var s drivers.Samples
	called, _ := c.timed(func(ctx context.Context) (err error) {
		s, err = c.dev.(drivers.Meter).Current(ctx, rng, rate, over)
		return
	})
	c.began(called, s.Start)
	c.L.Push(c.t.captureValue(s))
	return 1
}

func soundRecord(c call) int {
	_, over := c.capture()
	var s drivers.Samples
	called, _ := c.timed(func(ctx context.Context) (err error) {
		s, err = c.dev.(drivers.Recorder).Record(ctx, over)
		return
	})
	c.began(called, s.Start)
	c.L.Push(c.t.captureValue(s))
	return 1
}

func framesRecord(c call) int {
	_, over := c.capture()
	var f drivers.Frames
	called, _ := c.timed(func(ctx context.Context) (err error) {
		f, err = c.dev.(drivers.Receiver).Record(ctx, over)
		return
	})
	c.began(called, f.Start)
	c.L.Push(c.t.captureValue(f))
	return 1
}

func timerInterval(c call) int {
	var x float64
	c.t.device(c.L, func(ctx context.Context) (err error) { x, err = c.dev.(drivers.Timer).Interval(ctx); return })
	c.L.Push(lua.LNumber(x))
	return 1
}

func attenuatorSet(c call) int {
	dB := c.t.number(c.L, c.what+": the attenuation (in dB)", c.arg(1), 0, 1000)
	c.t.device(c.L, func(ctx context.Context) error { return c.dev.(drivers.Attenuator).SetAttenuation(ctx, dB) })
	return 0
}

func indicatorRead(c call) int {
	in := c.dev.(drivers.Indicator)
	q := drivers.Quantity(c.t.text(c.L, c.what+": the quantity", c.arg(1)))
	o := c.t.options(c.L, c.what, c.arg(2), "range", "channel")
	rng, channel := o.number("range", 0, math.MaxFloat64, 0), o.number("channel", 1, 1000, 1)
	var has []string
	for _, i := range in.Indications() {
		if i.Quantity == q && float64(i.Channel) == channel {
			has = nil
			break
		}
		has = append(has, fmt.Sprintf("%s (channel %d)", i.Quantity, i.Channel))
	}
	if has != nil || len(in.Indications()) == 0 {
		c.t.raisef(c.L, "it has "+strings.Join(has, ", "), "%s: no %s at channel %v", c.what, q, channel)
	}
	var x float64
	c.t.device(c.L, func(ctx context.Context) (err error) { x, err = in.Indicate(ctx, q, int(channel), rng); return })
	c.L.Push(lua.LNumber(x))
	return 1
}

// sensorLight reads a colour sensor. Shares are of red, green and blue together.
func sensorLight(c call) int {
	o := c.t.options(c.L, c.what, c.arg(1), "over", "gain")
	over, gain := o.duration("over", 100*time.Millisecond), o.number("gain", 0, 1e6, 1)
	var l drivers.Light
	c.t.device(c.L, func(ctx context.Context) (err error) {
		l, err = c.dev.(drivers.ColourSensor).Light(ctx, over, gain)
		return
	})
	sum := l.Red + l.Green + l.Blue
	result := c.L.CreateTable(0, 12)
	for name, v := range map[string]float64{"clear": l.Clear, "red": l.Red, "green": l.Green, "blue": l.Blue,
		"full": l.Full, "over": l.Over.Seconds(), "gain": l.Gain, "red_share": 100 * l.Red / sum,
		"green_share": 100 * l.Green / sum, "blue_share": 100 * l.Blue / sum, "x": l.X, "y": l.Y} {
		result.RawSetString(name, lua.LNumber(v))
	}
	result.RawSetString("saturated", lua.LBool(l.Saturated))
	c.L.Push(result)
	return 1
}

func analogueSet(c call) int {
	out := c.dev.(drivers.AnalogueOutput)
	volts := c.t.number(c.L, c.what+": the level (in V)", c.arg(1), 0, out.MaxLevel())
	c.t.device(c.L, func(ctx context.Context) error { return out.SetLevel(ctx, volts) })
	return 0
}

// run runs a program of the bench file with values for the places in its arguments.
func (c call) run() (r drivers.Ran) {
	p := c.dev.(drivers.Program)
	o := c.t.options(c.L, c.what, c.arg(1), p.Values()...)
	values := map[string]string{}
	for _, name := range p.Values() {
		if !o.has(name) {
			c.t.raisef(c.L, "its arguments in the bench file have a place {"+name+"}", "%s: no %s", c.what, name)
		}
		values[name] = o.text(name)
	}
	c.t.device(c.L, func(ctx context.Context) (err error) { r, err = p.Run(ctx, values); return })
	return r
}

// programRun is the method that tells what came of it.
func programRun(c call) int {
	r := c.run()
	result := c.L.CreateTable(0, 6)
	result.RawSetString("exit", lua.LNumber(r.Exit))
	result.RawSetString("signal", lua.LString(r.Signal))
	result.RawSetString("out", lua.LString(r.Out))
	result.RawSetString("err", lua.LString(r.Err))
	result.RawSetString("cut", lua.LBool(r.Cut))
	result.RawSetString("took", lua.LNumber(r.Took.Seconds()))
	c.L.Push(result)
	return 1
}
