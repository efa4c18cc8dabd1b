package reports

import (
	"reflect"
	"testing"
)

func TestUnsafeTextNamesACauseOnce(t *testing.T) {
	gone := func(device string) Unsafe {
		return Unsafe{Device: device, Drives: []string{"power"}, Kind: "gone", Text: "unplugged"}
	}
	list := []Unsafe{gone("clutch"), {Device: "supply", Drives: []string{"power"}, Text: "no reply in 1s"}, gone("power"), gone("clutch")}
	if got, want := UnsafeText(list), "clutch, power: unplugged; supply: no reply in 1s"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := UnsafeText(nil); got != "" {
		t.Errorf("%q of nothing", got)
	}
	// A cause is a text as the device gave it: nothing is cut out of it.
	list = []Unsafe{{Device: "supply", Text: "refused: make safe: power: off"}}
	if got, want := UnsafeText(list), "supply: refused: make safe: power: off"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestUnsafeWarningByHazard(t *testing.T) {
	for _, c := range []struct {
		drives [][]string
		sorted []string
		want   string
	}{
		{nil, nil, ""},
		{[][]string{{"power"}}, []string{"power"},
			"the fixture may still have power: switch it off at its mains switch before you reach in"},
		{[][]string{{"motion"}}, []string{"motion"},
			"the fixture may still move: hands out, press the emergency stop, then switch it off at its mains switch"},
		{[][]string{{"radio"}}, []string{"radio"}, "the fixture may still transmit: switch it off at its mains switch"},
		{[][]string{nil}, []string{""},
			"the fixture may still hurt you: switch it off at its mains switch before you reach in"},
		{[][]string{{"steam"}}, []string{""},
			"the fixture may still hurt you: switch it off at its mains switch before you reach in"},
		{[][]string{{"power"}, {"motion", "power"}}, []string{"motion", "power"},
			"the fixture may still move and may still have power: hands out, press the emergency stop, then switch it off at its mains switch"},
		{[][]string{{"radio"}, {"power"}}, []string{"power", "radio"},
			"the fixture may still have power and may still transmit: switch it off at its mains switch before you reach in"},
		{[][]string{{"radio"}, nil}, []string{"radio", ""},
			"the fixture may still transmit and may still hurt you: switch it off at its mains switch before you reach in"},
		{[][]string{{"radio"}, {"power"}, {"motion"}}, []string{"motion", "power", "radio"},
			"the fixture may still move, may still have power and may still transmit: hands out, press the emergency stop, then switch it off at its mains switch"},
	} {
		var list []Unsafe
		for _, d := range c.drives {
			list = append(list, Unsafe{Device: "x", Drives: d, Text: "no reply"})
		}
		if got := UnsafeDrives(list); !reflect.DeepEqual(got, c.sorted) {
			t.Errorf("%q: %q, want %q", c.drives, got, c.sorted)
		}
		if got := UnsafeWarning(list); got != c.want {
			t.Errorf("%q:\n%s, want\n%s", c.drives, got, c.want)
		}
	}
}
