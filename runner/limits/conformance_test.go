package limits

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"

	"fullthrow/reports"
	"fullthrow/runner/input"
)

func at(x float64) *float64 { return &x }

// JCGM 106:2012, 9.5.4, ball bearings: gamma prior, shape 4, scale 0.25 µm,
// upper limit 2 µm, u = 0.25 µm. The bound of about 1.67 µm for a consumer's
// risk of 0.1 % is the document's; the digits are re-computed.
func TestGlobalRiskOfBallBearings(t *testing.T) {
	p := distuv.Gamma{Alpha: 4, Beta: 4}
	require.InDelta(t, 0.04238011199168, p.Survival(2), 1e-12)
	r, err := GlobalRisk(p, 0.25, nil, at(2), 0)
	require.NoError(t, err)
	require.InDelta(t, 0.008019111884, r.Consumer, 1e-11)
	require.InDelta(t, 0.0174445692, r.Producer, 1e-9)

	w, err := GuardBand(p, 0.25, nil, at(2), 0.001)
	require.NoError(t, err)
	require.InDelta(t, 1.67, 2-w, 0.005, "printed")
	require.InDelta(t, 0.3281712285, w, 1e-8)
	r, err = GlobalRisk(p, 0.25, nil, at(2), w)
	require.NoError(t, err)
	require.InDelta(t, 0.001, r.Consumer, 1e-10)
	require.InDelta(t, 0.0754938761, r.Producer, 1e-8)
}

// Normal process, normal measurement, limits at 2 standard deviations (Deaver:
// 0.8 % and 1.5 % printed for a ratio of 4; digits re-computed).
func TestGlobalRiskOfNormalProcess(t *testing.T) {
	for _, tt := range []struct{ u, w, consumer, producer float64 }{
		{0.25, 0, 0.008006084834, 0.014850884211},
		{0.5, 0, 0.0123887493, 0.0405267556},
		{0.5, 0.18, 0.0080516085, 0.0661064522},
	} {
		r, err := GlobalRisk(distuv.UnitNormal, tt.u, at(-2), at(2), tt.w)
		require.NoError(t, err)
		require.InDelta(t, tt.consumer, r.Consumer, 1e-9)
		require.InDelta(t, tt.producer, r.Producer, 1e-9)
		// One side at a time: half each, for limits that far apart.
		one, err := GlobalRisk(distuv.UnitNormal, tt.u, nil, at(2), tt.w)
		require.NoError(t, err)
		require.InDelta(t, tt.consumer/2, one.Consumer, 1e-7)
		other, err := GlobalRisk(distuv.UnitNormal, tt.u, at(-2), nil, tt.w)
		require.NoError(t, err)
		require.InDelta(t, one.Consumer, other.Consumer, 1e-12)
	}
}

// Against playing it: units, measurements, decisions.
func TestGlobalRiskAgainstPlay(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 13))
	for range 4 {
		p := distuv.Normal{Mu: rng.NormFloat64(), Sigma: 0.5 + rng.Float64()}
		u, w := 0.1+0.6*rng.Float64(), 0.4*rng.Float64()
		lower, upper := -1-rng.Float64(), 1+rng.Float64()
		want, err := GlobalRisk(p, u, &lower, &upper, w)
		require.NoError(t, err)
		const runs = 200000
		var got Risk
		for range runs {
			x := p.Mu + p.Sigma*rng.NormFloat64()
			y := x + u*rng.NormFloat64()
			accepted, conforms := y >= lower+w && y <= upper-w, x >= lower && x <= upper
			switch {
			case accepted && !conforms:
				got.Consumer += 1.0 / runs
			case !accepted && conforms:
				got.Producer += 1.0 / runs
			}
		}
		require.InDelta(t, want.Consumer, got.Consumer, 4*math.Sqrt(want.Consumer/runs)+1e-5)
		require.InDelta(t, want.Producer, got.Producer, 4*math.Sqrt(want.Producer/runs)+1e-5)
	}
}

func TestGlobalRiskAtItsEnds(t *testing.T) {
	p := distuv.UnitNormal
	r, err := GlobalRisk(p, 0, at(-1), at(1), 0)
	require.NoError(t, err)
	require.Equal(t, Risk{}, r, "a perfect measurement decides rightly")
	r, err = GlobalRisk(p, 0.1, at(-1), at(1), 1)
	require.NoError(t, err)
	require.Zero(t, r.Consumer)
	require.InDelta(t, 0.6826894921, r.Producer, 1e-9, "nothing is accepted")
	w, err := GuardBand(p, 0.01, at(-6), at(6), 0.01)
	require.NoError(t, err)
	require.Zero(t, w)
	for _, bad := range []func() (Risk, error){
		func() (Risk, error) { return GlobalRisk(p, 0.1, nil, nil, 0) },
		func() (Risk, error) { return GlobalRisk(p, -0.1, nil, at(1), 0) },
		func() (Risk, error) { return GlobalRisk(p, math.NaN(), nil, at(1), 0) },
		func() (Risk, error) { return GlobalRisk(p, 0.1, at(1), at(-1), 0) },
		func() (Risk, error) { return GlobalRisk(distuv.Normal{}, 0.1, at(-1), at(1), 0) },
	} {
		_, err := bad()
		require.ErrorContains(t, err, "limits: global risk: ")
	}
	_, err = GuardBand(p, 0.1, nil, at(1), 0)
	require.ErrorContains(t, err, "limits: guard band: ")
}

// JCGM 106:2012, 7.3.2 and 7.4 (0.99 and 0.66 printed, from memory; digits
// re-computed), as they come with a judged reading.
func TestReadingHasItsConformance(t *testing.T) {
	bursting := parseOne(t, "lower = 490\nunit = \"kPa\"\n")
	r := bursting.Judge("c", "r", Indication{Value: reports.Number(509.7), Unit: "kPa", Uncertainty: 17.2})
	require.Equal(t, reports.Pass, r.Verdict)
	require.InDelta(t, 0.9890095474, *r.Conformance, 1e-9)
	inMega := bursting.Judge("c", "r", Indication{Value: reports.Number(0.5097), Unit: "MPa", Uncertainty: 0.0172})
	require.InDelta(t, *r.Conformance, *inMega.Conformance, 1e-12, "whatever the prefix")
	text, err := json.Marshal(r)
	require.NoError(t, err)
	require.Contains(t, string(text), `"conformance":0.98900954`)

	viscosity := parseOne(t, "lower = 12.5\nupper = 16.3\nunit = \"1\"\nrule = \"guarded\"\nguard = 0.5\n")
	r = viscosity.Judge("c", "r", Indication{Value: reports.Number(13.6), Unit: "1", Uncertainty: 3.6})
	require.Equal(t, reports.Inconclusive, r.Verdict)
	require.InDelta(t, 0.6626297865, *r.Conformance, 1e-9)

	for name, in := range map[string]Indication{
		"no uncertainty": {Value: reports.Number(500), Unit: "kPa"},
		"a bound":        {Value: reports.Number(500), Unit: "kPa", Uncertainty: 5, Bound: "more"},
		"no value":       {Unit: "kPa", Uncertainty: 5},
		"not a number":   {Value: reports.Number(math.NaN()), Unit: "kPa", Uncertainty: 5},
		"another unit":   {Value: reports.Number(500), Unit: "s", Uncertainty: 5},
	} {
		r := bursting.Judge("c", "r", in)
		require.Nil(t, r.Conformance, name)
		text, err := json.Marshal(r)
		require.NoError(t, err)
		require.NotContains(t, string(text), "conformance", name)
	}
	require.Nil(t, bursting.Judge("c", "unlimited", Indication{Value: reports.Number(1), Unit: "V", Uncertainty: 1}).Conformance)
	equal := parseOne(t, "equal = 4\nunit = \"1\"\n")
	require.Nil(t, equal.Judge("c", "r", Indication{Value: reports.Number(4), Unit: "1", Uncertainty: 1}).Conformance)
}

// Share of a normal process outside 9..11, sd 0.4 (published with a library for
// measurement risk): mean 10, 10.5, 12.
func TestConformanceOfAProcess(t *testing.T) {
	for mean, outside := range map[float64]float64{10: 0.012419, 10.5: 0.10574, 12: 0.99379} {
		require.InDelta(t, outside, 1-Conformance(mean, 0.4, at(9), at(11)), 5e-6)
	}
}

// A pass and a fail under a guard of w agree with the probability; far outside
// it is small, not negative and not rounded away.
func TestConformanceInTheTails(t *testing.T) {
	for _, z := range []float64{5, 10, 20} {
		want := distuv.UnitNormal.CDF(-z)
		require.InEpsilon(t, want, Conformance(1+z, 1, at(-9), at(1)), 1e-9)
		require.InEpsilon(t, want, Conformance(-1-z, 1, at(-1), at(9)), 1e-9)
	}
	rng := rand.New(rand.NewPCG(2, 13))
	for range 5000 {
		lower := rng.NormFloat64()
		upper := lower + rng.Float64()*3
		y, u := 4*rng.NormFloat64(), rng.ExpFloat64()
		both, one := Conformance(y, u, &lower, &upper), Conformance(y, u, &lower, nil)
		if !(both >= 0 && both <= one+1e-12 && one <= 1) {
			t.Fatalf("y %v u %v limits %v %v: %v, one-sided %v", y, u, lower, upper, both, one)
		}
		mirrored := Conformance(-y, u, at(-upper), at(-lower))
		require.InDelta(t, both, mirrored, 1e-12)
	}
}

// Under every rule and policy, a reading whose value lies outside its limits
// never passes, nor one that is guarded and nearer than its guard band.
func TestNeverAFalsePass(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 13))
	values := []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 1e-6, 12e-6, 9, 1e300}
	units := []string{"A", "mA", "uA", "V", "", "1", "x"}
	for range 20000 {
		guard := []string{"", "rule = \"guarded\"\n", "rule = \"guarded\"\nguard = 0.825\n"}[rng.IntN(3)]
		policy := []string{"", "inconclusive = \"fail\"\n", "inconclusive = \"error\"\n"}[rng.IntN(3)]
		set, err := Parse("t.toml", []byte("product = \"p\"\n"+policy+"[c.r]\nwhy = \"w\"\nlower = 1\nupper = 12\nunit = \"uA\"\n"+guard))
		require.NoError(t, err)
		x := 14 * rng.Float64()
		if rng.IntN(4) == 0 {
			x = values[rng.IntN(len(values))]
		}
		symbol := "uA"
		if rng.IntN(4) == 0 {
			symbol = units[rng.IntN(len(units))]
		}
		u := rng.Float64() * 2
		if rng.IntN(5) == 0 {
			u = 0
		}
		r := set.Judge("c", "r", Indication{Value: reports.Number(x), Unit: symbol, Uncertainty: u, Bound: []string{"", "", "", "more", "less"}[rng.IntN(5)]})
		if r.Verdict != reports.Pass {
			continue
		}
		amperes, err := Convert(x, symbol, "A")
		require.NoError(t, err)
		w := 0.0
		if guard != "" {
			w, err = Convert(u, symbol, "A")
			require.NoError(t, err)
			require.NotZero(t, u)
			w *= 0.824
		}
		if r.Bound != "" || !(amperes >= 1e-6+w && amperes <= 12e-6-w) {
			t.Fatalf("%v %s, U %v, %q passed under %q", x, symbol, u, r.Bound, guard)
		}
	}
}

func TestPolicyForInconclusiveReadings(t *testing.T) {
	body := "[c.r]\nupper = 10\nunit = \"ms\"\nwhy = \"w\"\nrule = \"guarded\"\n"
	for policy, want := range map[string]reports.Verdict{
		"": reports.Inconclusive, "inconclusive = \"fail\"\n": reports.Inconclusive, "inconclusive = \"error\"\n": reports.Error,
	} {
		set, err := Parse("t.toml", []byte("product = \"p\"\n"+policy+body))
		require.NoError(t, err)
		if policy != "inconclusive = \"error\"\n" {
			require.Equal(t, ToFail, set.Inconclusive())
		}
		for y, verdict := range map[float64]reports.Verdict{9.7: reports.Pass, 9.9: want, 10.1: want, 10.3: reports.Fail} {
			r := set.Judge("c", "r", Indication{Value: reports.Number(y), Unit: "ms", Uncertainty: 0.2})
			require.Equal(t, verdict, r.Verdict, fmt.Sprint(policy, y))
			require.Equal(t, verdict == reports.Error || verdict == reports.Inconclusive, r.Problem != nil)
		}
		more := set.Judge("c", "r", Indication{Value: reports.Number(3), Unit: "ms", Uncertainty: 0.2, Bound: "more"})
		require.Equal(t, want, more.Verdict)
		if want == reports.Error {
			require.Equal(t, &reports.Reason{Code: reports.InconclusiveIsError, Because: []reports.Reason{{Code: reports.OnlyMore}}}, more.Problem)
		}
	}
	for text, want := range map[string]string{
		`"pass"`: "inconclusive readings cannot pass", `"maybe"`: `unknown policy "maybe"`, `true`: "inconclusive must be a text, not true",
	} {
		_, err := Parse("t.toml", []byte("product = \"p\"\ninconclusive = "+text+"\n"+body))
		require.ErrorContains(t, err, "t.toml:2: "+want)
	}
	_, err := Parse("t.toml", []byte("product = \"p\"\ninconclusve = \"fail\"\n"+body))
	var fe *input.Error
	require.ErrorAs(t, err, &fe)
	require.Equal(t, `did you mean "inconclusive"?`, fe.Advice())
}
