package drivers_test

import (
	"math"
	"testing"

	"fullthrow/drivers"
)

func TestConstant(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name     string
		channels int
		values   []float64
		want     bool
	}{
		{"none", 1, nil, false},
		{"no channels", 0, []float64{1, 1}, false},
		{"one", 1, []float64{0.3}, true},
		{"one value", 1, []float64{0.3, 0.3, 0.3}, true},
		{"the last differs", 1, []float64{0.3, 0.3, 0.3000000001}, false},
		{"zeros of both signs", 1, []float64{0, math.Copysign(0, -1)}, true},
		{"NaN", 1, []float64{nan, nan}, false},
		{"infinite", 1, []float64{inf, inf}, true},
		{"both channels stand still", 2, []float64{0.1, 0.2, 0.1, 0.2}, true},
		{"one channel lives", 2, []float64{0.1, 0.2, 0.1, 0.3}, false},
	} {
		if got := (drivers.Samples{Channels: c.channels, Values: c.values}).Constant(); got != c.want {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
}
