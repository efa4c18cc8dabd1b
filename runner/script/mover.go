package script

import (
	"context"
	"strings"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
)

// Positions go a little beyond full throw, where a machine can.
const maxPosition = 1.5

const (
	defaultRate   = 4.0  // full throws per second
	defaultPoints = 11   // of a sweep in one direction, both ends counted
	defaultDwell  = 0.15 // s at each
	defaultCycles = 2
)

func moverHome(c call) int {
	c.t.device(c.L, func(ctx context.Context) error { return c.dev.(drivers.Mover).Home(ctx) })
	return 0
}

// moverMove is move({ left_x = 1 } [, { rate = 4 }]): the path of one segment.
func moverMove(c call) int {
	m := c.dev.(drivers.Mover)
	tb, ok := c.arg(1).(*lua.LTable)
	if !ok {
		return c.t.raisef(c.L, "{ left_x = 1 }", "%s: got %s in place of positions", c.what, describe(c.arg(1)))
	}
	to := map[string]float64{}
	tb.ForEach(func(k, v lua.LValue) {
		to[c.axis(m, k)] = c.t.number(c.L, c.what+": "+k.String(), v, -maxPosition, maxPosition)
	})
	if len(to) == 0 {
		return c.t.raisef(c.L, "{ left_x = 1 }", "%s: no positions", c.what)
	}
	rate := c.t.options(c.L, c.what, c.arg(2), "rate").number("rate", 0.001, 100, defaultRate)
	var s drivers.Segment
	c.timed(func(ctx context.Context) (err error) { s, err = m.Move(ctx, to, rate); return })
	c.L.Push(c.t.captureValue(drivers.Path{s}))
	return 1
}

// axis checks the name of an axis.
func (c call) axis(m drivers.Mover, k lua.LValue) string {
	s, _ := k.(lua.LString)
	axes := m.Axes()
	for _, a := range axes {
		if string(s) == a {
			return a
		}
	}
	hint := "the axes are " + strings.Join(axes, ", ")
	if near := didYouMean(string(s), axes); near != "" {
		hint = near
	}
	c.t.raisef(c.L, hint, "%s: there is no axis %q", c.what, clip(k.String(), 60))
	return ""
}

// moverSweep is sweep{ axes=, points=, dwell=, cycles=, rate= }: all axes
// together from -1 to +1 and back, cycles times, standing at each point for
// dwell; then to 0. It returns the path.
func moverSweep(c call) int {
	m := c.dev.(drivers.Mover)
	o := c.t.options(c.L, c.what, c.arg(1), "axes", "points", "dwell", "cycles", "rate")
	list, ok := o.get("axes").(*lua.LTable)
	if !ok || list.Len() == 0 {
		return c.t.raisef(c.L, `{ axes = { "left_x" } }`, "%s: axes must be a list of names", c.what)
	}
	var axes []string
	for i := 1; i <= min(list.Len(), 64); i++ {
		axes = append(axes, c.axis(m, list.RawGetInt(i)))
	}
	points := int(o.number("points", 2, 1001, defaultPoints))
	cycles := int(o.number("cycles", 1, 100, defaultCycles))
	dwell := o.duration("dwell", time.Duration(defaultDwell*float64(time.Second)))
	rate := o.number("rate", 0.001, 100, defaultRate)
	c.t.fits(c.L, c.what, dwell*time.Duration(2*cycles*(points-1)+1))

	var path drivers.Path
	var late time.Duration // by how much the dwells were longer
	visit := func(position float64, stay time.Duration) {
		to := make(map[string]float64, len(axes))
		for _, a := range axes {
			to[a] = position
		}
		c.t.device(c.L, func(ctx context.Context) error {
			s, err := m.Move(ctx, to, rate)
			if err != nil {
				return err
			}
			path = append(path, s)
			// It stands since the movement ended; a machine that was asked where has
			// taken some of that time.
			clock := c.t.run.host.Clock
			err = clock.Sleep(ctx, stay-clock.Now().Sub(s.End))
			late += clock.Now().Sub(s.End) - stay
			return err
		})
		if late > lateDwells {
			c.t.late(c.L, c.role, c.verb, "the stick stood %v longer than planned", late.Round(time.Millisecond))
		}
	}
	visit(-1, dwell)
	for range cycles {
		for i := 1; i < points; i++ {
			visit(at(i, points), dwell)
		}
		for i := points - 2; i >= 0; i-- {
			visit(at(i, points), dwell)
		}
	}
	visit(0, 0)
	c.L.Push(c.t.captureValue(path))
	return 1
}

// at is position i of n from -1 to +1, exact at both ends and in the middle.
func at(i, n int) float64 { return float64(2*i-(n-1)) / float64(n-1) }
