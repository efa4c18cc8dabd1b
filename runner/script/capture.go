package script

import (
	"fmt"
	"reflect"
	"time"

	lua "github.com/yuin/gopher-lua"

	"fullthrow/drivers"
)

// captureFields are what a script can read of a capture.
var captureFields = []string{"duration", "rate", "count", "unit", "channels", "format", "damaged", "link", "battery",
	"modes", "width", "height"}

// captureField is one field of a drivers.Samples, drivers.Frames, drivers.Path or
// drivers.Picture; nil where this kind of capture has no such thing.
func captureField(t *task, L *lua.LState, v any, key string) lua.LValue {
	switch c := v.(type) {
	case drivers.Samples:
		switch key {
		case "duration":
			return lua.LNumber(c.Duration().Seconds())
		case "rate":
			return lua.LNumber(c.Rate)
		case "count":
			return lua.LNumber(c.Count())
		case "unit":
			return lua.LString(c.Unit)
		case "channels":
			return lua.LNumber(c.Channels)
		}
	case drivers.Frames:
		switch key {
		case "duration":
			return lua.LNumber(c.Length.Seconds())
		case "rate":
			if rate, ok := frameRate(c); ok {
				return lua.LNumber(rate)
			}
		case "count":
			return lua.LNumber(len(c.Frames))
		case "format":
			return lua.LString(c.Format)
		case "damaged":
			return lua.LNumber(c.Damaged)
		case "link":
			return t.toLua(L, reflect.ValueOf(c.Link))
		case "battery":
			return t.toLua(L, reflect.ValueOf(c.Battery))
		case "modes":
			return t.toLua(L, reflect.ValueOf(c.Modes))
		}
	case drivers.Path:
		switch key {
		case "duration":
			return lua.LNumber(pathDuration(c).Seconds())
		case "count":
			return lua.LNumber(len(c))
		}
	case drivers.Picture:
		switch key {
		case "width":
			return lua.LNumber(c.Width)
		case "height":
			return lua.LNumber(c.Height)
		}
	}
	for _, f := range captureFields {
		if f == key {
			return lua.LNil
		}
	}
	hint := didYouMean(key, captureFields)
	if hint == "" {
		hint = "measure.* turns captures into numbers"
	}
	t.raisef(L, hint, "a capture has no %s", key)
	return lua.LNil
}

// frameRate is how many frames are sent in a second, as given or measured; false
// where that cannot be known, or changes on the way.
func frameRate(f drivers.Frames) (float64, bool) {
	at := make([]time.Duration, len(f.Frames))
	for i := range at {
		at[i] = f.Frames[i].At
	}
	if paces, err := drivers.Paces(at, f.Period); err == nil && len(paces) == 1 {
		return 1 / paces[0].Period.Seconds(), true
	}
	return 0, false
}

func pathDuration(p drivers.Path) time.Duration {
	if len(p) == 0 {
		return 0
	}
	return p[len(p)-1].End.Sub(p[0].Start)
}

// captureText describes a capture: "samples: 48000 at 48000/s, 1 s, in A".
func captureText(v any) string {
	switch c := v.(type) {
	case drivers.Samples:
		return fmt.Sprintf("samples: %d at %g/s, %g s, in %s", c.Count(), c.Rate, c.Duration().Seconds(), c.Unit)
	case drivers.Frames:
		return fmt.Sprintf("frames: %d of %s, %g s", len(c.Frames), c.Format, c.Length.Seconds())
	case drivers.Path:
		return fmt.Sprintf("path: %d movements, %g s", len(c), pathDuration(c).Seconds())
	}
	if c, ok := v.(drivers.Picture); ok {
		return fmt.Sprintf("picture: %d x %d pixels, of %s", c.Width, c.Height, c.Name)
	}
	return "a value of this bench"
}

// captureValue makes a capture a Lua value.
func (t *task) captureValue(v any) lua.LValue {
	switch c := v.(type) {
	case drivers.Samples:
		t.charge(8 * len(c.Values))
	case drivers.Frames:
		t.charge(96 * len(c.Frames))
	case drivers.Path:
		t.charge(256 * len(c))
	case drivers.Picture:
		t.charge(len(c.RGB) + len(c.File))
	}
	return &lua.LUserData{Value: v, Env: t.run.globals, Metatable: t.run.meta.capture}
}
