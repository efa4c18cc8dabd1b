package motion

import (
	"math"
	"slices"
	"strings"

	"fullthrow/drivers"
)

// Axis is one axis of the machine: mm = throw*Scale + Offset.
type Axis struct {
	Letter   string  // on the machine: "X"
	Scale    float64 // mm per throw; negative turns the direction; 0 means 12
	Min, Max float64 // throws; both 0 mean -1.05 and +1.05
	Offset   float64 // mm at the stick's centre, measured from the reference position
}

// Options says how the machine is built.
type Options struct {
	Model string          // "" for the usual one
	Row   *Model          // in place of a built-in one
	Axes  map[string]Axis // by name; none: left_x, left_y, right_x, right_y on X, Y, Z, A
	Home  string          // Trusted: its homing is believed without proof; ""
}

// Trusted is the word of a bench file for a machine whose homing is believed.
const Trusted = "trusted"

// check fills what was left out and refuses what cannot be.
func (o Options) check(name string) (Model, map[string]Axis, error) {
	bad := func(format string, args ...any) (Model, map[string]Axis, error) {
		return Model{}, nil, drivers.Errorf(name, "open", drivers.OutOfRange, format, args...)
	}
	models := Models()
	at := 0
	if o.Row != nil {
		models = []Model{*o.Row}
	} else if o.Model != "" {
		if at = slices.IndexFunc(models, func(m Model) bool { return m.Name == o.Model }); at < 0 {
			var names []string
			for _, m := range models {
				names = append(names, m.Name)
			}
			return bad("unknown model %q, known are %s", o.Model, strings.Join(names, ", "))
		}
	}
	if o.Home != "" && o.Home != Trusted {
		return bad("home %q, want %q or nothing", o.Home, Trusted)
	}
	axes := map[string]Axis{"left_x": {Letter: "X"}, "left_y": {Letter: "Y"}, "right_x": {Letter: "Z"},
		"right_y": {Letter: "A"}}
	if len(o.Axes) > 0 {
		axes = make(map[string]Axis, len(o.Axes))
		for n, a := range o.Axes {
			axes[n] = a
		}
	}
	seen := map[string]string{}
	for n, a := range axes {
		if a.Scale == 0 {
			a.Scale = 12
		}
		if a.Min == 0 && a.Max == 0 {
			a.Min, a.Max = -1.05, 1.05
		}
		switch {
		case len(a.Letter) != 1 || !strings.Contains(axisLetters, a.Letter):
			return bad("axis %s: letter %q, want one of %s", n, a.Letter, axisLetters)
		case seen[a.Letter] != "":
			return bad("axes %s and %s have the same letter %s", seen[a.Letter], n, a.Letter)
		case !finite(a.Scale) || !finite(a.Offset):
			return bad("axis %s: scale %v, offset %v", n, a.Scale, a.Offset)
		case !(a.Min < a.Max) || !finite(a.Min) || !finite(a.Max):
			return bad("axis %s: from %v to %v", n, a.Min, a.Max)
		}
		seen[a.Letter] = n
		axes[n] = a
	}
	return models[at], axes, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// axisLetters are the letters that an axis can have.
const axisLetters = "ABCUVWXYZ"
