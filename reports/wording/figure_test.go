package wording

import (
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/yield"
)

// constants are those of a type of reports/yield, as its source has them.
func constants(t *testing.T, typ string) []string {
	t.Helper()
	files, err := filepath.Glob("../yield/*.go")
	require.NoError(t, err)
	var out []string
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		ast.Inspect(f, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if !ok {
				return true
			}
			if id, ok := spec.Type.(*ast.Ident); !ok || id.Name != typ || len(spec.Values) != 1 {
				return true
			}
			if lit, ok := spec.Values[0].(*ast.BasicLit); ok {
				value, err := strconv.Unquote(lit.Value)
				require.NoError(t, err)
				out = append(out, value)
			}
			return true
		})
	}
	require.NotEmpty(t, out, typ)
	slices.Sort(out)
	return out
}

// eachLanguage speaks every one.
func eachLanguage(t *testing.T, f func(words *Translator)) {
	t.Helper()
	book := testBook(t)
	for _, lang := range Languages() {
		f(book.Translator(lang.Tag))
	}
}

// said fails for a sentence in which a word or a value is missing.
func said(t *testing.T, words *Translator, what, text string) {
	t.Helper()
	if text == "" || strings.ContainsAny(text, "[]{}") || strings.Contains(text, "%!") || strings.Contains(text, "<nil>") {
		t.Errorf("%s in %s: %q", what, words.Lang, text)
	}
}

// Every code of a figure has words, and every word a code: the messages below a
// prefix are those of the codes, with what is added to each.
func TestEveryCodeHasWords(t *testing.T) {
	english := testBook(t).Messages["en"]
	for _, tt := range []struct {
		prefix string
		codes  []string
		ends   []string // of each code; "" itself
		more   []string // words that go with no single code
	}{
		{"remark", constants(t, "Code"), []string{""}, nil},
		{"rule", constants(t, "RuleCode"), []string{"", "_means"}, nil},
		{"panel", constants(t, "PanelOf"), []string{""}, nil},
		{"side", constants(t, "HitSide"), []string{""}, nil},
		{"look", constants(t, "Look"), []string{""}, nil},
		{"chart", constants(t, "ChartKind"), []string{""}, nil},
		{"term", terms(), []string{"", "_means"}, nil},
		{"groups", constants(t, "GroupState"), []string{""}, []string{"above", "below", "of_limits", "ranks"}},
		{"target", constants(t, "TargetState"), []string{""}, nil},
		{"state", constants(t, "ChartState"), []string{"", "_means"}, []string{"signals_limits"}},
		{"limits", constants(t, "LimitsFrom"), []string{""}, []string{"given_points", "given_about"}},
		{"shape", constants(t, "Shape"), []string{""}, []string{"normal_few", "coarse"}},
		{"capability", constants(t, "CapabilityState"), []string{""}, []string{"look_when", "expected", "observed", "off_centre", "percentile_most", "percentile_none"}},
	} {
		want := slices.Clone(tt.more)
		for _, code := range tt.codes {
			for _, end := range tt.ends {
				want = append(want, code+end)
			}
		}
		var got []string
		for id := range english {
			if key, ok := strings.CutPrefix(id, "figures."+tt.prefix+"."); ok {
				got = append(got, key)
			}
		}
		slices.Sort(want)
		slices.Sort(got)
		assert.Equal(t, want, got, tt.prefix)
	}
	codes := slices.Sorted(maps.Keys(yield.RemarkCodes()))
	for i, code := range constants(t, "Code") {
		require.Equal(t, code, string(codes[i]))
	}
}

// A remark says all that it speaks of, and nothing else, in every language.
func TestRemarksSayWhatTheySpeakOf(t *testing.T) {
	english := testBook(t).Messages["en"]
	for code, args := range yield.RemarkCodes() {
		var want []string
		r := yield.Remark{Code: code, Args: map[string]any{}}
		for _, name := range args {
			want = append(want, "{"+name+"}")
			r.Args[name] = map[string]any{"count": 3, "of": int64(12), "size": yield.Quantity{Value: 2e-3, Unit: "A"}, "checks": []string{"sticks (4)", "link"},
				"share": 0.25, "times": 1.5, "expected": 0.3, "chart": yield.ChartPPrime}[name]
			if r.Args[name] == nil {
				r.Args[name] = 7.0
			}
		}
		slices.Sort(want)
		require.Equal(t, want, append([]string(nil), placesOf(english["figures.remark."+string(code)].Other)...), code)
		eachLanguage(t, func(words *Translator) { said(t, words, string(code), Remark(words, r)) })
	}
	words := testBook(t).Translator("en")
	require.Equal(t, "The means of groups differ by 2\u00a0mA from one to the next (standard deviation, chance taken off), 0.33 of the spread within.",
		Remark(words, yield.Remark{Code: yield.MeansDiffer, Args: map[string]any{"size": yield.Quantity{Value: 2e-3, Unit: "A"}, "times": 0.3333}}))
	require.Equal(t, "By the spread of neighbours alone it would be Cpk 2.17 (1.28 to 3.06): the process could do better than it does.",
		Remark(words, yield.Remark{Code: yield.CouldBeBetter, Args: map[string]any{"index": 2.171, "index_low": 1.28, "index_high": 3.06}}))
	require.Equal(t, "2\u00a0nests together: 12.3\u00a0% of the variance lies between them, so look at each by itself.",
		strings.Replace(Remark(words, yield.Remark{Code: yield.NestsDiffer, Args: map[string]any{"count": 2, "share": 0.123}}), "2 nests", "2\u00a0nests", 1))
}

func TestLimits(t *testing.T) {
	low, high := 1.0, 2.0
	eachLanguage(t, func(words *Translator) {
		for _, spec := range []yield.Spec{{Lower: &low, Upper: &high}, {Lower: &low}, {Upper: &high}, {}} {
			said(t, words, "limits", Limits(words, spec, words.Number))
		}
	})
	require.Equal(t, "1 or more", Limits(testBook(t).Translator("en"), yield.Spec{Lower: &low}, func(float64) string { return "1" }))
}

func TestShares(t *testing.T) {
	words := testBook(t).Translator("en")
	for want, s := range map[string]yield.Share{
		"90 %; from so few units, anywhere between 59.6 % and 98.2 %": yield.NewShare(9, 10, 0.95),
		"100 %; from so few units, anywhere between 72.2 % and 100 %": yield.NewShare(10, 10, 0.95),
		"0 %; from so few units, anywhere between 0 % and 27.8 %":     yield.NewShare(0, 10, 0.95),
		"97.3 %, between 96.1 % and 98.1 %":                           yield.NewShare(973, 1000, 0.95),
		"99.99 %, between 99.9 % and 99.998 %":                        yield.NewShare(9999, 10000, 0.95),
		"not known: there are no units":                               yield.NewShare(0, 0, 0.95),
		"not known: 3 of 2 units cannot be":                           yield.NewShare(3, 2, 0.95),
	} {
		require.Equal(t, want, strings.ReplaceAll(Share(words, s, OfUnits), nbsp, " "))
	}
	for _, of := range []Of{OfUnits, OfRuns, OfValues, OfRepairs} {
		eachLanguage(t, func(words *Translator) {
			for _, s := range []yield.Share{yield.NewShare(9, 10, 0.95), yield.NewShare(973, 1000, 0.95), yield.NewShare(0, 0, 0.95), yield.NewShare(3, 2, 0.95)} {
				said(t, words, string(of), Share(words, s, of))
			}
		})
	}
}

// What is not all is never shown as 100 %, what is not nothing never as 0 %.
func TestNeverAllWhereItIsNot(t *testing.T) {
	words := testBook(t).Translator("en")
	for v, want := range map[float64]string{0: "0.0 %", math.Copysign(0, -1): "0.0 %", 1: "100.0 %", 0.9: "90.0 %", 0.5958: "59.6 %", 0.99996: "99.996 %", 0.0004: "0.04 %", -0.05: "−5.0 %"} {
		require.Equal(t, want, strings.ReplaceAll(words.Column(v, 1), nbsp, " "), "%v", v)
	}
	for v, want := range map[float64]string{0.996: "99.6 %", 0.99: "99 %", 0.004: "0.4 %"} {
		require.Equal(t, want, strings.ReplaceAll(words.Column(v, 0), nbsp, " "), "%v", v)
	}
	require.Equal(t, "–", words.Column(math.NaN(), 1))
	require.Equal(t, "–", words.Share(math.NaN()))
	all := []string{"100 %", "100.0 %", "0 %", "0.0 %"}
	rng := rand.New(rand.NewPCG(1, 1))
	for range 2000 {
		n := 2 + rng.Int64N(1_000_000_000)
		bad := 1 + rng.Int64N(min(n-1, 50))
		for _, share := range []float64{float64(n-bad) / float64(n), float64(bad) / float64(n)} {
			for _, text := range []string{words.Column(share, 1), words.Column(share, 0), words.Share(share)} {
				require.NotContains(t, all, strings.ReplaceAll(text, nbsp, " "), "%v", share)
			}
		}
	}
	for share, want := range map[float64]string{0: "0 ppm", 6.60733e-5: "66 ppm", 0.002699796: "2700 ppm", 1.97e-9: "0.002 ppm", 1e-12: "< 0.001 ppm", 0.5: "50 %", math.NaN(): "–"} {
		require.Equal(t, want, strings.ReplaceAll(words.PerMillion(share), nbsp, " "))
	}
}

// Every state of a study has its sentences in every language.
func TestCapabilityInWords(t *testing.T) {
	number := func(v float64) *float64 { return &v }
	e := &yield.Estimate{Value: 1.552, Low: 1.03, High: 2.061}
	whole := func() yield.CapabilityStudy {
		return yield.CapabilityStudy{Unit: "V", N: 40, Mean: 8, Spec: yield.Spec{Lower: number(0), Upper: number(10)}, Index: "ppk", Ppk: e,
			Cpk: &yield.Estimate{Value: 0.5}, Cp: &yield.Estimate{Value: 1.2}, OffCentre: number(0.4), Expected: &yield.Estimate{Value: 3e-4, Low: 1e-6, High: 0.02},
			Observed: &yield.Share{Count: 1, Of: 40, Value: 0.025, Low: 0.001, High: 0.13}, Percentile: &yield.PercentileStudy{Ppk: e}}
	}
	for _, state := range constants(t, "CapabilityState") {
		for _, edit := range []func(*yield.CapabilityStudy){
			func(*yield.CapabilityStudy) {},
			func(s *yield.CapabilityStudy) { s.Percentile.AtMost = true },
			func(s *yield.CapabilityStudy) { s.Percentile = nil },
		} {
			s := whole()
			s.State = yield.CapabilityState(state)
			edit(&s)
			if s.State == yield.CapabilityNone {
				s.Problem = &yield.Remark{Code: yield.NoLimits}
			}
			eachLanguage(t, func(words *Translator) {
				said(t, words, state, CapabilityVerdict(words, &s))
				for _, text := range CapabilityMeans(words, &s) {
					said(t, words, state, text)
				}
			})
		}
	}
	words := testBook(t).Translator("en")
	s := whole()
	s.State = yield.CapabilityLikely
	require.Equal(t, "The process probably holds its limits: Ppk\u00a01.55 (1.03 to 2.06), but it may be below the usual 1.33.", CapabilityVerdict(words, &s))
	require.Equal(t, []string{"If it goes on like this, 300\u00a0ppm of the units will be outside the limits (1\u00a0ppm to 2\u00a0%).",
		"It lies off centre: with its mean moved by −3\u00a0V, Cpk would be 1.20.",
		"Outside the limits were 1 of these 40 values: 2.5\u00a0% (0.1\u00a0% to 13\u00a0%), whatever their distribution."}, CapabilityMeans(words, &s))
}

func TestShapeAndStabilityInWords(t *testing.T) {
	ratio := 2.04
	eachLanguage(t, func(words *Translator) {
		for _, shape := range constants(t, "Shape") {
			for _, look := range append(constants(t, "Look"), "") {
				n := yield.Normality{N: 80, Shape: yield.Shape(shape), Look: yield.Look(look), Reach: 1.3}
				text := Shape(words, n)
				said(t, words, shape, text)
				if n.Shape == yield.ShapeOther && look != "" && !strings.Contains(text, words.T("figures.look."+look, "times", words.Fixed(1.3, 2))) {
					t.Errorf("%s in %s does not say %s: %q", shape, words.Lang, look, text)
				}
			}
		}
		said(t, words, "few", Shape(words, yield.Normality{N: 20, Shape: yield.ShapeNormal}))
		said(t, words, "coarse", Shape(words, yield.Normality{N: 20, Shape: yield.ShapeUnknown, Coarse: true, Distinct: 3}))
		for _, s := range []yield.Stability{
			{State: yield.StabilityUnknown, Reason: yield.ReasonFew}, {State: yield.StabilityUnknown, Reason: yield.ReasonNoChart},
			{State: yield.StabilityStable}, {State: yield.StabilityStable, Reason: yield.ReasonSignals}, {State: yield.StabilityStable, Reason: yield.ReasonShape},
			{State: yield.StabilitySlight, Reason: yield.ReasonSpread}, {State: yield.StabilitySlight, Reason: yield.ReasonSignals},
			{State: yield.StabilityUnstable, Reason: yield.ReasonSpread}, {State: yield.StabilityUnstable, Reason: yield.ReasonSignals},
		} {
			s.Signals, s.Points, s.Chance, s.Ratio = 3, 40, 0.7, &ratio
			said(t, words, string(s.State), Stability(words, s))
		}
	})
	want := map[string]bool{}
	for id := range testBook(t).Messages["en"] {
		if strings.HasPrefix(id, "figures.stability.") {
			want[id] = true
		}
	}
	require.Len(t, want, 9, "each is said above")
}

func TestChartsInWords(t *testing.T) {
	c := yield.ControlChart{Kind: yield.ChartCUSUM, Name: "sticks.hysteresis", Unit: "A", Signals: 2, Chance: 0.66, Limits: yield.Limits{From: yield.LimitsFromThese, Points: 25},
		Panels: []yield.Panel{{Of: yield.PanelSumAbove, Points: make([]yield.ControlPoint, 25)}}, First: &yield.RuleHit{}}
	eachLanguage(t, func(words *Translator) {
		for _, state := range constants(t, "ChartState") {
			c.State = yield.ChartState(state)
			said(t, words, state, Chart(words, c))
			for _, text := range ChartMeans(words, c, "K8") {
				said(t, words, state, text)
			}
		}
		for _, kind := range yield.ChartKinds() {
			said(t, words, string(kind), ChartOf(words, yield.ControlChart{Kind: kind, Name: "c.r"}))
			said(t, words, string(kind), ChartKind(words, kind))
		}
		for _, of := range constants(t, "PanelOf") {
			said(t, words, of, Panel(words, yield.PanelOf(of)))
		}
		for _, from := range constants(t, "LimitsFrom") {
			for _, l := range []yield.Limits{{Points: 12}, {}, {About: "lot 24A"}} {
				l.From = yield.LimitsFrom(from)
				said(t, words, from, ChartLimits(words, l))
			}
		}
		for _, code := range constants(t, "RuleCode") {
			for _, side := range append(constants(t, "HitSide"), "") {
				said(t, words, code, Hit(words, yield.RuleHit{Code: yield.RuleCode(code), Side: yield.HitSide(side)}, "A"))
			}
		}
		said(t, words, "no chart", NoChart(words, yield.Remark{Code: yield.NoSpread}))
	})
	words := testBook(t).Translator("en")
	require.Equal(t, "The sum beyond its limit (above, by about 2.79\u00a0A). The middle has moved since the sum began to grow.",
		Hit(words, yield.RuleHit{Code: yield.RuleSum, Side: yield.SideAbove, Size: 2.787}, "A"))
	c.State = yield.StateSignals
	require.Equal(t, "sticks.hysteresis moves: 2 of 25 points broke a rule, where chance gives about 0.66.", Chart(words, c))
}

func TestDriftInWords(t *testing.T) {
	day := time.Date(2026, 1, 17, 8, 0, 0, 0, time.UTC)
	none := yield.Estimate{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}
	up := yield.Estimate{Value: 0.005, Low: 0.004, High: 0.006}
	down := yield.Estimate{Value: -0.005, Low: -0.006, High: -0.004}
	share := yield.Estimate{Value: 0.15, Low: 0.1, High: 0.2}
	reach := func(limit string, days float64) *yield.Reach {
		return &yield.Reach{Limit: limit, Days: yield.Estimate{Value: days, Low: days / 2, High: 2 * days}}
	}
	all := []yield.Drift{
		{Kind: yield.DriftFew, Shift: none},
		{Kind: yield.DriftFew, N: 1, Shift: none}, {Kind: yield.DriftFew, N: 2, Shift: up, Now: 0.6, Reference: 0.5}, {Kind: yield.DriftFew, N: 4, Shift: up},
		{Kind: yield.DriftNone, N: 40, Days: 39, Slope: yield.Estimate{Low: -0.001, High: 0.002}, Shift: none, ShiftShare: none},
		{Kind: yield.DriftNone, N: 40, Days: 39, NowRuns: 5, Shift: up, ShiftShare: share, Matters: true},
		{Kind: yield.DriftSlope, Slope: up, ShiftShare: share, Reach: reach("upper", 50)}, {Kind: yield.DriftSlope, Slope: down, ShiftShare: none, Reach: reach("lower", 0)},
		{Kind: yield.DriftSlope, Slope: up, ShiftShare: share, Reach: reach("upper", 0)}, {Kind: yield.DriftSlope, Slope: down, ShiftShare: none, Reach: reach("lower", 5)},
		{Kind: yield.DriftStep, Step: &yield.Step{Time: day, Size: up}, ShiftShare: share}, {Kind: yield.DriftStep, Step: &yield.Step{Time: day, Size: down}, ShiftShare: share, Matters: true},
	}
	eachLanguage(t, func(words *Translator) {
		for i, d := range all {
			d.Unit = "A"
			said(t, words, string(d.Kind)+strconv.Itoa(i), Drift(words, d))
		}
	})
	words := testBook(t).Translator("en")
	d := all[6]
	d.Unit = "A"
	require.Equal(t, "The golden unit drifts up by 150\u00a0mA (120\u00a0mA to 180\u00a0mA) in 30 days: the bench drifts. At this rate it reaches the upper limit in about 7 weeks, between 3 and 15."+
		" So far 15\u00a0% of the limits' width. This does not matter yet.", Drift(words, d))
	for want, e := range map[string]yield.Estimate{
		"about 7 weeks, between 5 and 11": {Value: 50, Low: 36, High: 75},
		"about 3 days, between 2 and 6":   {Value: 3, Low: 2, High: 5.5},
		"about 5 months, between 3 and 9": {Value: 150, Low: 100, High: 260},
		"about 3 years, not before 1":     {Value: 1000, Low: 700, High: 1e9},
		"a day or less, between 0 and 1":  {Value: 0.2, Low: 0, High: 1},
		"about 1 day":                     {Value: 1, Low: math.NaN(), High: math.NaN()},
	} {
		require.Equal(t, want, horizon(words, e))
	}
}

func TestComparisonsInWords(t *testing.T) {
	c := yield.Comparison{A: "24A", B: "24B", Confidence: 0.95, Questions: 60, OnlyA: []string{"old.one"}, OnlyB: []string{"new.one", "new.two"}}
	known := yield.Estimate{Value: 0.39, Low: 0.1, High: 0.7}
	fall := yield.Estimate{Value: -0.39, Low: -0.7, High: -0.1}
	nan := yield.Estimate{Value: math.NaN(), Low: math.NaN(), High: math.NaN()}
	test := func(p float64) *yield.Test { return &yield.Test{P: p, Adjusted: p} }
	half := 0.3
	level := func(e yield.Estimate, method string, p float64) yield.LevelDifference {
		e.Method = method
		return yield.LevelDifference{Difference: e, Spreads: yield.Estimate{Value: 1.3}, Test: test(p), Population: 812}
	}
	limit := func(of, toward string, inward bool, share float64) *yield.LimitEffect {
		return &yield.LimitEffect{Of: of, Toward: toward, Inward: inward, Share: yield.Estimate{Value: share}}
	}
	levels, spreads, fails := []yield.Differing{yield.DiffersLevel}, []yield.Differing{yield.DiffersSpread}, []yield.Differing{yield.DiffersFailing}
	tends := level(yield.Estimate{}, yield.MethodShift, 0)
	tends.Higher = &half
	failing := yield.CompareShares(2, 200, 30, 180, 0)
	all := []yield.Difference{
		{Level: level(known, "", 0), Differs: levels, Limit: limit("width", "upper", false, 0.039)}, {Level: level(fall, "", 0), Differs: levels, Limit: limit("width", "lower", false, 0.2)},
		{Level: level(known, "", 0), Differs: levels, Limit: limit("width", "upper", true, 0.3)}, {Level: level(known, "", 0), Differs: levels, Limit: limit("room", "lower", true, 1.33)},
		{Level: level(known, "", 0), Differs: levels, Limit: limit("room", "upper", false, 0.8)}, {Level: level(known, "", 0), Differs: levels, Limit: limit("room", "upper", false, math.NaN())},
		{Level: tends, Differs: levels}, {Level: level(known, yield.MethodPopulation, 0.36)}, {Level: level(fall, yield.MethodPopulation, 0.36)}, {Level: level(yield.Estimate{}, yield.MethodPopulation, 1)},
		{Level: level(known, "", 1), Differs: spreads, Spread: &yield.SpreadDifference{A: 1, B: 2, Ratio: yield.Estimate{Value: 2, Low: 1.5, High: 2.5}}},
		{Level: level(known, "", 1), Differs: spreads, Spread: &yield.SpreadDifference{A: 0, B: 2, Ratio: nan}}, {Level: level(known, "", 1), Differs: fails, Failing: failing},
		{Level: level(known, "", 1)}, {Level: level(nan, "", 1)}, {Level: level(known, "", 0.01)},
		{A: yield.SideFigures{N: 1, Mean: 5}, B: yield.SideFigures{N: 1, Mean: 5.39}}, {Level: yield.LevelDifference{Why: &yield.Remark{Code: yield.GroupFlat}}}, {},
		{Cautions: []yield.Remark{{Code: yield.UnitsDiffer, Args: map[string]any{"a": "A", "b": "V"}}}},
	}
	eachLanguage(t, func(words *Translator) {
		for i, d := range all {
			d.Name, d.Unit = "c.r", "A"
			said(t, words, strconv.Itoa(i), Difference(words, c, d))
		}
		for _, x := range [][3]int{{0, 0, 0}, {2, 0, 2}, {3, 0, 1}, {3, 2, 1}} {
			c := c
			c.Readings, c.Differ, c.Untested = make([]yield.Difference, x[0]), x[1], x[2]
			said(t, words, "comparison", Comparison(words, c))
			for _, text := range ComparisonRest(words, c) {
				said(t, words, "rest", text)
			}
		}
		for _, x := range [][4]int64{{190, 200, 150, 180}, {150, 180, 190, 200}, {90, 100, 91, 100}, {9, 9, 8, 8}, {0, 0, 1, 1}} {
			c := c
			y := yield.CompareShares(x[0], x[1], x[2], x[3], 0)
			c.Yield = &y
			said(t, words, "yield", YieldDifference(words, c))
		}
		for _, state := range constants(t, "GroupState") {
			g := yield.GroupComparison{Name: "c.r", Unit: "A", State: yield.GroupState(state), Groups: []yield.GroupOffset{{Key: "LQ-2", Offset: fall, Share: known}},
				Variance: &yield.OneWay{BetweenShare: known}, UseRanks: &yield.Remark{Code: yield.Lopsided}, RanksFor: "LQ-1"}
			said(t, words, state, Groups(words, g))
			g.Groups[0].Offset, g.Variance = known, nil
			if g.State != yield.GroupsDiffer && g.State != yield.GroupsAlike {
				said(t, words, state, Groups(words, g))
			}
			for _, text := range GroupsCautions(words, g) {
				said(t, words, state, text)
			}
		}
	})
	words := testBook(t).Translator("en")
	english := func(i int) string {
		d := all[i]
		d.Name, d.Unit = "c.r", "A"
		return strings.ReplaceAll(Difference(words, c, d), nbsp, " ")
	}
	require.Equal(t, "c.r: 24B reads 390 mA (100 mA to 700 mA) higher than 24A. That is 3.9 % of the limits' width nearer to the upper limit.", english(0))
	require.Equal(t, "c.r: 24B reads 390 mA more than 24A, 1.3 times the spread of 812 units; of two units picked at random, 36 % lie farther apart.", english(7))
	require.Equal(t, "c.r: 24B scatters 2 (1.5 to 2.5) times as much as 24A.", english(10))
	require.Equal(t, "c.r: It fails in 16.7 % of 24B (30 of 180) and in 1 % of 24A (2 of 200).", english(12))
	require.Equal(t, "c.r: 24A tends to read higher than 24B (in 70 % of pairs, equal ones counted half), though most of the values are the same.", english(6))
	y := yield.CompareShares(190, 200, 150, 180, 0)
	c.Yield = &y
	require.Equal(t, "First-pass yield: 95 % in 24A (190 of 200), 83.3 % in 24B (150 of 180). 24B has 12 points less (5.5 to 18), and not by chance.", strings.ReplaceAll(YieldDifference(words, c), nbsp, " "))
}

func TestSummariesInWords(t *testing.T) {
	share := yield.NewShare(50, 200, 0.95)
	cycle := yield.CycleTime{N: 200, Median: yield.Estimate{Value: 40}, P95: yield.Estimate{Value: 49}, Max: 49.5, Intended: 45, Over: share, Takt: 22.5, Needed: 160, Possible: yield.Estimate{Value: 180}}
	lost := yield.LostTime{Errors: 1500, Aborted: 500, Total: 2000, BenchTime: 10000, Share: 0.2, ErrorRuns: yield.NewShare(40, 250, 0.95), AbortedRuns: yield.NewShare(10, 250, 0.95), Units: yield.Estimate{Value: 50}}
	point := func(differs int) yield.TrendPoint {
		return yield.TrendPoint{Key: "24B", FirstPass: yield.NewShare(81, 100, 0.95), Other: yield.NewShare(95, 100, 0.95), Differs: differs}
	}
	eachLanguage(t, func(words *Translator) {
		for _, c := range []yield.CycleTime{cycle, {}, {N: 1, Median: yield.Estimate{Value: 3}, P95: yield.Estimate{Value: math.NaN()}}} {
			said(t, words, "cycle", Cycle(words, c))
		}
		for _, l := range []yield.LostTime{lost, {}, {BenchTime: 9}} {
			said(t, words, "lost", Lost(words, l))
		}
		for _, against := range constants(t, "Against") {
			for _, r := range []yield.TrendResult{{Whole: yield.NewShare(0, 0, 0)}, {Whole: share}, {Whole: share, Compared: 1}, {Whole: share, Compared: 1, Differ: 1, Points: []yield.TrendPoint{point(1), point(0), point(-1)}}} {
				r.Against = yield.Against(against)
				said(t, words, against, Trend(words, r))
			}
		}
		for _, state := range constants(t, "TargetState") {
			said(t, words, state, Target(words, yield.Target{Share: 0.95, State: yield.TargetState(state), End: 0.9}))
		}
		for _, key := range terms() {
			name, meaning := Term(words, key)
			said(t, words, key, name)
			said(t, words, key, meaning)
			if !strings.HasSuffix(meaning, ".") && !strings.HasSuffix(meaning, "。") {
				t.Errorf("%s in %s is no sentence: %q", key, words.Lang, meaning)
			}
		}
	})
	words := testBook(t).Translator("en")
	require.Equal(t, "Half of the runs took up to 40.0 s, 95 of 100 up to 49.0 s, the longest 49.5 s. Longer than the 45.0 s that the plan intends: "+
		"25 %; from so few runs, anywhere between 19.5 % and 31.4 %. The takt of 22.5 s asks for 160.0 units an hour; the runs alone would let 180.0 through.", strings.ReplaceAll(Cycle(words, cycle), nbsp, " "))
	require.Equal(t, "33 min lost, 20 % of all bench time: 25 min by faults of the bench (40 of 250 runs), 8 min 20 s in aborted runs (10). In that time some 50 units would have been tested.",
		strings.ReplaceAll(Lost(words, lost), nbsp, " "))
	require.Equal(t, "24B is lower than the rest (81 % against 95 %), and not by chance.",
		strings.ReplaceAll(Trend(words, yield.TrendResult{Whole: share, Against: yield.AgainstRest, Compared: 1, Differ: 1, Points: []yield.TrendPoint{point(-1)}}), nbsp, " "))
}

// terms are the keys of all figures that commands and pages name, in the order
// in which a reader meets them.
func terms() []string {
	return []string{
		"unit",
		"judged_run",
		"first_pass",
		"final",
		"retested",
		"no_fault_found",
		"repaired",
		"dpu",
		"dpo",
		"dpmo",
		"sigma",
		"throughput",
		"rolled",
		"normalised",
		"interval",
		"confidence",
		"wilson",
		"clopper_pearson",
		"pareto",
		"vital_few",
		"of_tested",
		"of_failed",
		"cumulative",
		"findings",
		"trend",
		"by_chance",
		"corrected",
		"cycle",
		"mean",
		"median",
		"p95",
		"takt",
		"over",
		"capacity",
		"possible",
		"needed",
		"lost",
		"bench_error",
		"aborted",
		"units_lost",
		"limit",
		"standard_deviation",
		"cp",
		"cpk",
		"pp",
		"ppk",
		"cpm",
		"normality",
		"control_chart",
		"control_limits",
		"golden_unit",
		"drift",
		"difference",
		"correlation",
	}
}
