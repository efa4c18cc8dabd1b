package drivers_test

import (
	"testing"

	"fullthrow/drivers"
)

func TestCanHurt(t *testing.T) {
	for _, c := range []struct {
		drives []drivers.Hazard
		want   bool
	}{
		{nil, true}, // nobody said
		{[]drivers.Hazard{""}, true},
		{[]drivers.Hazard{"steam"}, true}, // a word from later
		{[]drivers.Hazard{drivers.ByOutputs}, true},
		{[]drivers.Hazard{drivers.Nothing}, false},
		{[]drivers.Hazard{drivers.Nothing, drivers.Nothing}, false},
		{[]drivers.Hazard{drivers.Power}, true},
		{[]drivers.Hazard{drivers.Motion}, true},
		{[]drivers.Hazard{drivers.Radio}, true},
		{[]drivers.Hazard{drivers.Nothing, drivers.Radio}, true},
	} {
		if got := drivers.CanHurt(c.drives); got != c.want {
			t.Errorf("%q: %v, want %v", c.drives, got, c.want)
		}
	}
	for _, h := range drivers.Hazards() {
		if got, want := drivers.CanHurt([]drivers.Hazard{h}), h != drivers.Nothing; got != want {
			t.Errorf("%s: %v, want %v", h, got, want)
		}
	}
}
