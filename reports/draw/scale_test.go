package draw

import (
	"math"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

func ptr(v float64) *float64 { return &v }

func TestScale(t *testing.T) {
	two := &reports.Limit{Lower: ptr(2), Upper: ptr(4)}
	for _, tt := range []struct {
		name  string
		rd    reports.Reading
		value float64 // place between the axis's ends; beside it where off
		off   int
		ok    bool
	}{
		{"middle", reports.Reading{Value: reports.Number(3), Limit: two}, 0.5, 0, true},
		{"at the lower limit", reports.Reading{Value: reports.Number(2), Limit: two}, 0.25, 0, true},
		{"at the upper limit", reports.Reading{Value: reports.Number(4), Limit: two}, 0.75, 0, true},
		{"beyond, in its place", reports.Reading{Value: reports.Number(8), Limit: two}, 7.0 / 7.24, 0, true},
		{"far above", reports.Reading{Value: reports.Number(40), Limit: two}, 0, 1, true},
		{"far below", reports.Reading{Value: reports.Number(-1e9), Limit: two}, 0, -1, true},
		{"upper limit, from zero", reports.Reading{Value: reports.Number(5), Limit: &reports.Limit{Upper: ptr(10)}}, 0.4, 0, true},
		{"a level has no zero", reports.Reading{Value: reports.Number(-20), Unit: "dB", Limit: &reports.Limit{Lower: ptr(-24)}}, 10.0 / 12, 0, true},
		{"limit 0 and value 0", reports.Reading{Value: reports.Number(0), Limit: &reports.Limit{Upper: ptr(0)}}, 0, 0, true},
		{"no limit", reports.Reading{Value: reports.Number(5)}, 0, 0, false},
		{"not a number", reports.Reading{Value: reports.Text("x"), Limit: two}, 0, 0, false},
		{"none", reports.Reading{Value: reports.Number(math.NaN()), Limit: two}, 0, 0, false},
		{"infinite", reports.Reading{Value: reports.Number(math.Inf(1)), Limit: two}, 0, 0, false},
		{"limits in no order", reports.Reading{Value: reports.Number(1), Limit: &reports.Limit{Lower: ptr(3), Upper: ptr(2)}}, 0, 0, false},
		{"limits at one place", reports.Reading{Value: reports.Number(3), Limit: &reports.Limit{Lower: ptr(3), Upper: ptr(3)}}, 0, 0, false},
		{"limits without end", reports.Reading{Value: reports.Number(3), Limit: &reports.Limit{Lower: ptr(-math.MaxFloat64), Upper: ptr(math.MaxFloat64)}}, 0, 0, false},
		{"equal", reports.Reading{Value: reports.Number(1), Limit: &reports.Limit{Equal: func() *reports.Value { v := reports.Number(1); return &v }()}}, 0, 0, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, ok := ScaleOf(tt.rd)
			require.Equal(t, tt.ok, ok)
			svg := string(s.SVG(Plain{}, "s", `a "<b>`, "d"))
			if !ok {
				assert.Empty(t, svg)
				return
			}
			a, _, _ := s.axis()
			assert.Equal(t, tt.off, a.off(s.Value))
			if tt.off == 0 {
				assert.InDelta(t, tt.value, a.part(s.Value), 0.001)
			}
			assert.NotRegexp(t, `NaN|Inf|e\+|<b>`, svg)
			assert.Contains(t, svg, `class="value `)
		})
	}
}

// All that is known of a reading is in its scale: guard bands, uncertainty, the
// side of a bound, good units, and the words above it.
func TestScaleShowsWhatIsKnown(t *testing.T) {
	rd := reports.Reading{Value: reports.Number(2.5e-6), Unit: "A", Bound: "more", Uncertainty: 1e-6, Verdict: reports.Fail,
		Limit: &reports.Limit{Lower: ptr(-1e-5), Upper: ptr(1e-5), Guard: 1e-6}}
	s, ok := ScaleOf(rd)
	require.True(t, ok)
	s.Others, s.Said = []float64{1e-6, 2e-6, math.NaN(), math.Inf(1)}, "2.5 µA"
	svg := string(s.SVG(Plain{}, "s", "t", "d"))
	assert.Equal(t, 2, strings.Count(svg, `class="guard"`))
	assert.Equal(t, 2, strings.Count(svg, `class="fine"`))
	assert.Equal(t, 2, strings.Count(svg, `class="over"`), "uncertainty and bound")
	for _, want := range []string{`class="value fail"`, ">−10 µA<", ">10 µA<", ">2.5 µA<"} {
		assert.Contains(t, svg, want)
	}
	// Limits far apart from the good units keep both in the drawing.
	s.Others = []float64{5e-5}
	a, _, _ := s.axis()
	assert.Less(t, a.part(5e-5), 1.0)
	// Labels of limits that lie close together stand beside each other.
	s = Scale{Value: 40, Lower: ptr(0), Upper: ptr(0.1), Others: []float64{40}, State: "fail"}
	places := regexp.MustCompile(`<text x="([0-9.]+)"`).FindAllStringSubmatch(string(s.SVG(Plain{}, "s", "t", "d")), -1)
	require.GreaterOrEqual(t, len(places), 2)
	assert.NotEqual(t, places[0][1], places[1][1])
}

func TestScaleMargin(t *testing.T) {
	s := Scale{Value: 3.5, Lower: ptr(2), Upper: ptr(4)}
	assert.InDelta(t, 0.125, s.Margin(), 1e-9)
	s.Value = 5
	assert.Negative(t, s.Margin())
	assert.True(t, math.IsNaN(Scale{Value: 1}.Margin()))
}

func steps(a Axis, margin float64, about int, values ...float64) (out []string) {
	a.hold(values...)
	a.fit(margin, about)
	for _, v := range a.steps {
		out = append(out, a.show(Plain{}, v))
	}
	return out
}

// The steps of every kind of axis are round.
func TestAxisSteps(t *testing.T) {
	for _, tt := range []struct {
		name  string
		axis  Axis
		about int
		at    []float64
		want  string
		label string
	}{
		{"small current, near zero", Axis{Name: "current", Unit: "A"}, 4, []float64{8e-6, 31e-6}, "0 10 20 30", "current / µA"},
		{"seconds", Axis{Name: "time", Unit: "s"}, 7, []float64{0, 2}, "0.0 0.5 1.0 1.5 2.0", "time / s"},
		{"nobody reads kiloseconds", Axis{Unit: "s"}, 3, []float64{0, 5000}, "0 2000 4000", "s"},
		{"across zero", Axis{Unit: "V"}, 4, []float64{-0.02, 0.02}, "−20 0 20", "mV"},
		{"a share", Axis{Unit: Percent}, 3, []float64{0.9, 0.97}, "90 % 92 % 94 % 96 %", ""},
		{"a count", Axis{Whole: true}, 5, []float64{0, 2}, "0 1 2", ""},
		{"levels", Axis{Unit: "dB"}, 3, []float64{3, 9}, "4 6 8", "dB"},
		{"decades", Axis{Log: true, Unit: "Hz"}, 6, []float64{10, 20000}, "0.01 0.1 1 10", "kHz"},
		{"one decade", Axis{Log: true}, 6, []float64{1, 12}, "1 2 5 10", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := strings.Join(steps(tt.axis, upright, tt.about, tt.at...), " ")
			assert.Equal(t, tt.want, got)
			a := tt.axis
			a.hold(tt.at...)
			a.fit(0.06, tt.about)
			assert.Equal(t, tt.label, a.label())
		})
	}
}
