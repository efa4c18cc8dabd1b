package reports

import (
	"reflect"
	"testing"
)

func TestGroupUnsafeNamesACauseOnce(t *testing.T) {
	gone := func(device string) Unsafe {
		return Unsafe{Device: device, Drives: []string{"power"}, Kind: "gone", Text: "unplugged"}
	}
	list := []Unsafe{gone("clutch"), {Device: "supply", Drives: []string{"power"}, Text: "no reply in 1s"}, gone("power"), gone("clutch")}
	want := []UnsafeGroup{{[]string{"clutch", "power"}, "gone", "unplugged"}, {[]string{"supply"}, "", "no reply in 1s"}}
	if got := GroupUnsafe(list); !reflect.DeepEqual(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if got := GroupUnsafe(nil); got != nil {
		t.Errorf("%q of nothing", got)
	}
}

func TestUnsafeDrives(t *testing.T) {
	for _, c := range []struct {
		drives [][]string
		want   []string
	}{
		{nil, nil},
		{[][]string{{"power"}}, []string{"power"}},
		{[][]string{nil}, []string{""}},
		{[][]string{{"steam"}}, []string{""}},
		{[][]string{{"power"}, {"motion", "power"}}, []string{"motion", "power"}},
		{[][]string{{"radio"}, nil}, []string{"radio", ""}},
		{[][]string{{"radio"}, {"power"}, {"motion"}}, []string{"motion", "power", "radio"}},
	} {
		var list []Unsafe
		for _, d := range c.drives {
			list = append(list, Unsafe{Device: "x", Drives: d, Text: "no reply"})
		}
		if got := UnsafeDrives(list); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%q: %q, want %q", c.drives, got, c.want)
		}
	}
}
