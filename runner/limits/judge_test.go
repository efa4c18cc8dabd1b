package limits

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

func TestJudge(t *testing.T) {
	set := kinds(t)
	num := reports.Number
	tests := []struct {
		name     string
		limit    string
		in       Indication
		verdict  reports.Verdict
		problem  reports.Code // must be part of it
		recorded string       // value and unit
	}{
		{"in range", "standby.current", Indication{Value: num(9.1), Unit: "uA"}, reports.Pass, "", "9.1e-06 A"},
		{"prefix converts", "standby.current", Indication{Value: num(0.0091), Unit: "mA"}, reports.Pass, "", "9.1e-06 A"},
		{"on the limit", "standby.current", Indication{Value: num(0.012), Unit: "mA"}, reports.Pass, "", "1.2e-05 A"},
		{"on the lower limit", "standby.current", Indication{Value: num(1e-6), Unit: "A"}, reports.Pass, "", "1e-06 A"},
		{"next number above", "standby.current", Indication{Value: num(math.Nextafter(1.2e-5, 1)), Unit: "A"}, reports.Fail, "", ""},
		{"below", "standby.current", Indication{Value: num(0.5), Unit: "µA"}, reports.Fail, "", "5e-07 A"},
		{"thousandfold", "standby.current", Indication{Value: num(9.1), Unit: "mA"}, reports.Fail, "", ""},
		{"another dimension", "standby.current", Indication{Value: num(9.1), Unit: "mV"}, reports.Error, reports.OtherDimension, ""},
		{"no unit", "standby.current", Indication{Value: num(9.1e-6)}, reports.Error, reports.OtherDimension, ""},
		{"unknown unit", "standby.current", Indication{Value: num(9.1), Unit: "uAmp"}, reports.Error, reports.UnknownUnit, ""},
		{"none", "standby.current", Indication{Unit: "uA"}, reports.Error, reports.NoValue, ""},
		{"NaN", "standby.current", Indication{Value: num(math.NaN()), Unit: "uA"}, reports.Error, reports.NotANumber, ""},
		{"infinite", "standby.current", Indication{Value: num(math.Inf(-1)), Unit: "uA"}, reports.Error, reports.NotFinite, ""},
		{"overflow", "standby.current", Indication{Value: num(1e300), Unit: "TA"}, reports.Error, reports.NotFinite, ""},
		{"text for a number", "standby.current", Indication{Value: reports.Text("9.1")}, reports.Error, reports.OtherKind, ""},
		{"true for a number", "standby.current", Indication{Value: reports.Bool(true)}, reports.Error, reports.OtherKind, ""},
		{"bad uncertainty", "standby.current", Indication{Value: num(9), Unit: "uA", Uncertainty: -1}, reports.Error, reports.BadUncertainty, ""},
		{"NaN uncertainty", "standby.current", Indication{Value: num(9), Unit: "uA", Uncertainty: math.NaN()}, reports.Error, reports.BadUncertainty, ""},
		{"bad bound", "standby.current", Indication{Value: num(9), Unit: "uA", Bound: "about"}, reports.Error, reports.UnknownBound, ""},

		{"no limit", "standby.voltage", Indication{Value: num(3.7), Unit: "V"}, reports.Unlimited, "", "3.7 V"},
		{"no limit, NaN", "standby.voltage", Indication{Value: num(math.NaN()), Unit: "V"}, reports.Error, reports.NotANumber, ""},
		{"no limit, unknown unit", "standby.voltage", Indication{Value: num(1), Unit: "volt"}, reports.Error, reports.UnknownUnit, ""},
		{"no limit, text", "standby.firmware", Indication{Value: reports.Text("1.2")}, reports.Unlimited, "", ""},

		{"inline table", "running.current", Indication{Value: num(118), Unit: "mA"}, reports.Pass, "", "0.118 A"},
		{"equal", "tune.notes", Indication{Value: num(4), Unit: "1"}, reports.Pass, "", "4 1"},
		{"equal without unit", "tune.notes", Indication{Value: num(4)}, reports.Pass, "", "4 1"},
		{"not equal", "tune.notes", Indication{Value: num(3), Unit: "1"}, reports.Fail, "", ""},
		{"true", "switches.switch_a_moves", Indication{Value: reports.Bool(true)}, reports.Pass, "", ""},
		{"false", "switches.switch_b_moves", Indication{Value: reports.Bool(false)}, reports.Fail, "", ""},
		{"1 is not true", "switches.switch_b_moves", Indication{Value: num(1)}, reports.Error, reports.OtherKind, ""},
		{"unit of true", "switches.switch_a_moves", Indication{Value: reports.Bool(true), Unit: "V"}, reports.Error, reports.UnitWithoutNumber, ""},
		{"one of", "radio.mode", Indication{Value: reports.Text("range")}, reports.Pass, "", ""},
		{"none of", "radio.mode", Indication{Value: reports.Text("sport")}, reports.Fail, "", ""},
		{"one of numbers", "radio.channels", Indication{Value: num(16)}, reports.Pass, "", ""},
		{"none of numbers", "radio.channels", Indication{Value: num(12)}, reports.Fail, "", ""},
		{"plain number for percent", "link.error_rate", Indication{Value: num(0.002), Unit: "1", Uncertainty: 0.001}, reports.Pass, "", "0.002 1"},
		{"kelvin for Celsius", "ambient.temperature", Indication{Value: num(293.15), Unit: "K"}, reports.Pass, "", "293.15 K"},
		{"cold", "ambient.temperature", Indication{Value: num(280), Unit: "K"}, reports.Fail, "", ""},

		// A bound can fail a limit; it passes only where every value it allows would.
		{"more than the upper limit", "restart.shortest_off", Indication{Value: num(4), Unit: "s", Bound: "more"}, reports.Fail, "", ""},
		{"more, at the upper limit", "restart.shortest_off", Indication{Value: num(3.2), Unit: "s", Bound: "more"}, reports.Fail, "", ""},
		{"more, inside", "restart.shortest_off", Indication{Value: num(3), Unit: "s", Bound: "more"}, reports.Inconclusive, reports.OnlyMore, ""},
		{"less, inside", "restart.shortest_off", Indication{Value: num(3), Unit: "s", Bound: "less"}, reports.Pass, "", ""},
		{"less, above", "restart.shortest_off", Indication{Value: num(4), Unit: "s", Bound: "less"}, reports.Inconclusive, reports.OnlyLess, ""},
		{"less, two limits", "standby.current", Indication{Value: num(5), Unit: "uA", Bound: "less"}, reports.Inconclusive, reports.OnlyLess, ""},
		{"less than the lower limit", "standby.current", Indication{Value: num(1), Unit: "uA", Bound: "less"}, reports.Fail, "", ""},
		{"more, only a lower limit", "tune.weakest", Indication{Value: num(-30), Unit: "dB", Bound: "more"}, reports.Pass, "", ""},
		{"more than equal", "tune.notes", Indication{Value: num(4), Bound: "more"}, reports.Fail, "", ""},
		{"more, equal possible", "tune.notes", Indication{Value: num(3), Bound: "more"}, reports.Inconclusive, reports.OneSided, ""},

		{"guarded without uncertainty", "link.error_rate", Indication{Value: num(0.1), Unit: "%"}, reports.Error, reports.UncertaintyMissing, ""},
		{"guarded pass", "link.error_rate", Indication{Value: num(0.39), Unit: "%", Uncertainty: 0.1}, reports.Pass, "", ""},
		{"guarded between", "link.error_rate", Indication{Value: num(0.45), Unit: "%", Uncertainty: 0.1}, reports.Inconclusive, reports.NearLimit, ""},
		{"guarded between, above", "link.error_rate", Indication{Value: num(0.55), Unit: "%", Uncertainty: 0.1}, reports.Inconclusive, reports.NearLimit, ""},
		{"guarded fail", "link.error_rate", Indication{Value: num(0.61), Unit: "%", Uncertainty: 0.1}, reports.Fail, "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			check, reading, _ := strings.Cut(tt.limit, ".")
			r := set.Judge(check, reading, tt.in)
			if r.Verdict != tt.verdict || codeOf(r) != tt.problem {
				t.Errorf("got %s %q, want %s %q", r.Verdict, codeOf(r), tt.verdict, tt.problem)
			}
			if tt.recorded != "" && r.Value.String()+" "+r.Unit != tt.recorded {
				t.Errorf("recorded as %s %s, want %s", r.Value, r.Unit, tt.recorded)
			}
			if (r.Verdict == reports.Error || r.Verdict == reports.Inconclusive) == (r.Problem == nil) {
				t.Errorf("verdict %s with problem %q", r.Verdict, codeOf(r))
			}
		})
	}
}

// codeOf is why a reading was not judged, "" where it was.
func codeOf(r reports.Reading) reports.Code {
	if r.Problem == nil {
		return ""
	}
	return r.Problem.Code
}

// A problem names what it is about.
func TestProblemsHaveArguments(t *testing.T) {
	set := kinds(t)
	for _, tt := range []struct {
		name string
		in   Indication
		want reports.Reason
	}{
		{"current", Indication{Value: reports.Number(9), Unit: "mV"}, reports.Reason{Code: reports.OtherDimension, Unit: "mV", LimitUnit: "uA"}},
		{"current", Indication{Value: reports.Number(9), Unit: "ua"}, reports.Reason{Code: reports.UnknownUnit, Unit: "ua", Text: `did you mean "uA"?`}},
		{"current", Indication{Value: reports.Text("9.1")}, reports.Reason{Code: reports.OtherKind, Kind: "numbers", Text: "9.1"}},
		{"current", Indication{Value: reports.Number(9), Unit: "uA", Bound: "about"}, reports.Reason{Code: reports.UnknownBound, Text: "about"}},
	} {
		require.Equal(t, &tt.want, set.Judge("standby", tt.name, tt.in).Problem)
	}
}

func TestJudgeShowsLimitInTheReadingsUnit(t *testing.T) {
	set := kinds(t)
	r := set.Judge("standby", "current", Indication{Value: reports.Number(20), Unit: "uA", Uncertainty: 0.4})
	require.Equal(t, 1e-6, *r.Limit.Lower)
	require.Equal(t, 1.2e-5, *r.Limit.Upper)
	require.Equal(t, 4e-7, r.Uncertainty)
	require.Equal(t, "simple", r.Limit.Rule)
	require.Equal(t, "shelf life of the cell", r.Limit.Why)
	require.Equal(t, "leaking filter capacitor", r.Cause)
	require.Equal(t, "C4 beside the power switch", r.Inspect)

	r = set.Judge("standby", "current", Indication{Value: reports.Number(0), Unit: "uA"})
	require.Equal(t, "no supply", r.Cause, "the general cause where the side has none of its own")
	require.Equal(t, "cell contacts", r.Inspect)

	r = set.Judge("standby", "current", Indication{Value: reports.Number(5), Unit: "uA"})
	require.Empty(t, r.Cause, "a cause only where it failed")

	r = set.Judge("ambient", "temperature", Indication{Value: reports.Number(300), Unit: "K"})
	require.InDelta(t, 288.15, *r.Limit.Lower, 1e-9)

	r = set.Judge("link", "error_rate", Indication{Value: reports.Number(0.001), Unit: "1", Uncertainty: 0.001})
	require.Equal(t, 0.005, *r.Limit.Upper)
	require.Equal(t, 0.001, r.Limit.Guard)

	r = set.Judge("standby", "current", Indication{Value: reports.Number(5), Unit: "mV"})
	require.Nil(t, r.Limit, "a limit of another dimension cannot be stated in the reading's unit")

	var none *Set
	require.Equal(t, reports.Unlimited, none.Judge("a", "b", Indication{Value: reports.Number(1)}).Verdict)
}

func parseOne(t *testing.T, body string) *Set {
	t.Helper()
	set, err := Parse("t.toml", []byte("product = \"p\"\n[c.r]\nwhy = \"w\"\n"+body))
	require.NoError(t, err)
	return set
}

// Cases derived from the rule of ISO 14253-1:1998 (from memory of the rule,
// numbers re-computed): LSL 9.90, USL 10.10, U 0.02 (k = 2). The 2017 edition's
// 95 % is 1.65 u = 0.825 U.
func TestGuardedRule(t *testing.T) {
	mm := func(guard string, y float64) reports.Verdict {
		set := parseOne(t, "lower = 9.90\nupper = 10.10\nunit = \"mm\"\nrule = \"guarded\"\n"+guard)
		return set.Judge("c", "r", Indication{Value: reports.Number(y), Unit: "mm", Uncertainty: 0.02}).Verdict
	}
	for y, want := range map[float64]reports.Verdict{
		10.075: reports.Pass, 10.085: reports.Inconclusive, 10.115: reports.Inconclusive, 10.125: reports.Fail,
		9.925: reports.Pass, 9.915: reports.Inconclusive, 9.885: reports.Inconclusive, 9.875: reports.Fail,
	} {
		if got := mm("", y); got != want {
			t.Errorf("1998, y = %v mm: got %s, want %s", y, got, want)
		}
	}
	for y, want := range map[float64]reports.Verdict{
		9.9164: reports.Inconclusive, 9.9166: reports.Pass, 10.0834: reports.Pass, 10.0836: reports.Inconclusive,
	} {
		if got := mm("guard = 0.825", y); got != want {
			t.Errorf("2017, y = %v mm: got %s, want %s", y, got, want)
		}
	}
}

// JCGM 106:2012: 7.3.2 (bursting strength), 7.4 (viscosity), Table 1; the
// printed values 0.99 and 0.66 from memory, the digits re-computed.
func TestConformance(t *testing.T) {
	at := func(x float64) *float64 { return &x }
	tests := []struct {
		name         string
		y, u         float64
		lower, upper *float64
		want, tol    float64
	}{
		{"7.3.2", 509.7, 8.6, at(490), nil, 0.9890095474, 1e-9},
		{"7.4", 13.6, 1.8, at(12.5), at(16.3), 0.6626297865, 1e-9},
		{"Table 1, 0.80", 0.8416212, 1, at(0), nil, 0.80, 1e-7},
		{"Table 1, 0.95", 1.6448536, 1, at(0), nil, 0.95, 1e-7},
		{"Table 1, 0.999", -3.0902323, 1, nil, at(0), 0.999, 1e-7},
		{"Cm 1, middle", 0.5, 0.25, at(0), at(1), 0.9544997, 5e-6},
		{"Cm 1, quarter", 0.25, 0.25, at(0), at(1), 0.8399948, 5e-6},
		{"Cm 4, tenth", 0.1, 1.0 / 16, at(0), at(1), 0.94520, 5e-6},
		{"certain, inside", 1, 0, at(1), nil, 1, 0},
		{"certain, outside", 0.9, 0, at(1), nil, 0, 0},
		{"no limits", 5, 1, nil, nil, 1, 0},
	}
	for _, tt := range tests {
		if got := Conformance(tt.y, tt.u, tt.lower, tt.upper); math.Abs(got-tt.want) > tt.tol {
			t.Errorf("%s: got %.10f, want %.10f", tt.name, got, tt.want)
		}
	}
	for _, u := range []float64{-1, math.NaN(), math.Inf(1)} {
		if got := Conformance(1, u, at(0), nil); !math.IsNaN(got) {
			t.Errorf("u = %v: got %v, want NaN", u, got)
		}
	}
}

// The guarded verdict agrees with the probability: with guard = z/2 multiples
// of U = 2u, pass means a conformance probability of at least Phi(z).
func TestGuardAgreesWithConformance(t *testing.T) {
	set := parseOne(t, "lower = 490\nunit = \"kPa\"\nrule = \"guarded\"\nguard = 1.16317394")
	lower := 490.0
	for y := 480.0; y < 530; y += 0.37 {
		got := set.Judge("c", "r", Indication{Value: reports.Number(y), Unit: "kPa", Uncertainty: 17.2}).Verdict
		p := Conformance(y, 8.6, &lower, nil)
		if (got == reports.Pass) != (p >= 0.99) || (got == reports.Fail) != (p <= 0.01) {
			t.Errorf("y = %v: %s with conformance probability %v", y, got, p)
		}
	}
	// 7.3.2 itself: 0.98901 is just short of 99 %.
	r := set.Judge("c", "r", Indication{Value: reports.Number(509.7), Unit: "kPa", Uncertainty: 17.2})
	require.Equal(t, reports.Inconclusive, r.Verdict)
}

func TestConvert(t *testing.T) {
	tests := []struct {
		v        float64
		from, to string
		want     float64
	}{
		{12, "uA", "A", 1.2e-5}, {0.012, "mA", "uA", 12}, {13.5, "ms", "s", 0.0135}, {2.4, "GHz", "MHz", 2400},
		{20, "kOhm", "Ω", 20000}, {100, "μF", "F", 1e-4}, {5, "min", "s", 300}, {2, "h", "min", 120},
		{50, "%", "1", 0.5}, {0.001, "1", "%", 0.1}, {300, "ppm", "%", 0.03}, {20, "Cel", "K", 293.15},
		{180, "deg", "rad", math.Pi}, {3, "mm", "m", 0.003}, {1, "m", "mm", 1000}, {0, "uA", "A", 0},
		{6, "mC", "C", 0.006}, {-32, "dB", "dB", -32},
	}
	for _, tt := range tests {
		got, err := Convert(tt.v, tt.from, tt.to)
		if err != nil || math.Abs(got-tt.want) > 1e-15*math.Abs(tt.want) {
			t.Errorf("%v %s in %s: got %v, %v, want %v", tt.v, tt.from, tt.to, got, err, tt.want)
		}
	}
	for _, pair := range [][2]string{{"mA", "mV"}, {"dB", "dBm"}, {"dB", "1"}, {"s", "Hz"}, {"C", "Cel"}, {"deg", "Cel"}, {"cent", "%"}, {"bit", "1"}, {"x", "A"}, {"A", "kk"}} {
		if got, err := Convert(1, pair[0], pair[1]); err == nil || !math.IsNaN(got) {
			t.Errorf("%s in %s: got %v, want an error", pair[0], pair[1], got)
		}
	}
}

// Each unit of the table is its own base, or its base is in the table and of
// the same dimension; there and back gives the value again.
func TestUnitTable(t *testing.T) {
	for _, a := range atoms {
		u, err := parseUnit(a.symbol)
		require.NoError(t, err)
		base := u.baseUnit()
		require.Equal(t, u.dimension, base.dimension, a.symbol)
		require.Equal(t, u.base, base.base, a.symbol)
		require.Equal(t, 1.25, convert(1.25, base, base), a.symbol)
		for _, v := range []float64{0, 1, -273.15, 0.1, 12345.678} {
			back := convert(convert(v, u, base), base, u)
			require.InDelta(t, v, back, 1e-9, fmt.Sprintf("%v %s", v, a.symbol))
		}
	}
	for symbol, want := range map[string]string{"m": "m", "mm": "m", "min": "s", "ms": "s", "mOhm": "Ohm", "cm": "m", "pF": "F", "dB": "dB", "dBm": "dBm", "cent": "cent"} {
		got, err := UnitBase(symbol)
		require.NoError(t, err)
		require.Equal(t, want, got, symbol)
	}
}

// More prefix, same quantity: the verdict does not depend on how a value is
// written.
func TestVerdictDoesNotDependOnPrefix(t *testing.T) {
	set := kinds(t)
	for i := 1; i <= 2000; i++ {
		micro := float64(i) * 0.01
		want := set.Judge("standby", "current", Indication{Value: reports.Number(micro), Unit: "uA"}).Verdict
		for symbol, exp := range map[string]int{"nA": 3, "mA": -3, "A": -6, "pA": 6} {
			r := set.Judge("standby", "current", Indication{Value: reports.Number(shift(micro, exp)), Unit: symbol})
			if r.Verdict != want {
				t.Fatalf("%v uA in %s: got %s, want %s", micro, symbol, r.Verdict, want)
			}
		}
	}
}
