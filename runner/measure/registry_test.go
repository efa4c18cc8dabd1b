package measure

import (
	"go/ast"
	"go/parser"
	"go/token"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// elsewhere are exported functions without a row, and why.
var elsewhere = map[string]string{
	"ClopperPearson": "proportion gives it",
	"Wilson":         "proportion gives it",
	"Newcombe":       "difference gives it",
	"Poisson":        "poisson gives it",
	"Windows":        "it lists windows, and measures nothing",
	"Measurements":   "the registry itself",
	"Fields":         "the registry itself",
	"IsOptions":      "the registry itself",
	"LuaName":        "the registry itself",
	"Chromaticity":   "of a spectrum, which no plan has; it proves the table of the observer",
}

// Every exported function of the package is a measurement, or said to be none.
func TestEveryFunctionIsRegistered(t *testing.T) {
	entries, err := os.ReadDir(".")
	require.NoError(t, err)
	used := map[string]bool{}
	var functions []string
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".go") || strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), e.Name(), nil, 0)
		require.NoError(t, err)
		for _, d := range f.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || fn.Recv != nil || !fn.Name.IsExported() {
				continue
			}
			functions = append(functions, fn.Name.Name)
			if fn.Name.Name == "Measurements" {
				ast.Inspect(fn.Body, func(n ast.Node) bool {
					if id, ok := n.(*ast.Ident); ok {
						used[id.Name] = true
					}
					return true
				})
			}
		}
	}
	assert.Greater(t, len(functions), 45)
	for _, name := range functions {
		assert.Equal(t, elsewhere[name] == "", used[name], "%s is no row, or one and said to be none", name)
	}
}

// word is a field with the struct that has it, or an argument with its
// measurement.
type word struct {
	Field
	of     string
	option bool
}

// words are the arguments and fields of all measurements.
func words(t *testing.T) []word {
	var list []word
	seen := map[reflect.Type]bool{}
	var visit func(typ reflect.Type)
	visit = func(typ reflect.Type) {
		for typ.Kind() == reflect.Slice {
			typ = typ.Elem()
		}
		own := typ.PkgPath() == reflect.TypeFor[Measurement]().PkgPath()
		if typ.Kind() != reflect.Struct || !own || seen[typ] || typ == reflect.TypeFor[Interval]() {
			return
		}
		seen[typ] = true
		for _, f := range Fields(typ) {
			list = append(list, word{f, typ.Name(), IsOptions(typ)})
			visit(f.Type)
		}
	}
	for _, m := range Measurements() {
		args := m.Arguments()
		for _, a := range args {
			if k := a.Type.Kind(); k == reflect.Float64 || k == reflect.Int {
				unit := a.Unit
				if k == reflect.Int {
					unit = "1"
				}
				list = append(list, word{Field{Name: a.Name, Unit: unit, Type: a.Type}, m.Name, false})
			}
			visit(a.Type)
		}
		n := len(args)
		if o := m.Options(); o != nil {
			visit(o)
			n++
		}
		require.Equal(t, n, reflect.TypeOf(m.Call).NumIn(), "%s: its arguments", m.Name)
		visit(m.Result())
		if m.Result().Kind() != reflect.Struct && m.Result().Kind() != reflect.Bool && m.Result().Kind() != reflect.Slice ||
			m.Result() == reflect.TypeFor[Interval]() {
			require.NotEmpty(t, m.Unit, "%s gives a plain value without unit", m.Name)
		}
	}
	require.Greater(t, len(list), 300)
	return list
}

// known are the units that there are, besides those of [Follows].
var known = strings.Fields("1 % A C F Hz J Ohm V bit cent dB dB/m deg m rad s")

func TestEveryFieldHasItsUnit(t *testing.T) {
	names := map[string]bool{}
	for _, m := range Measurements() {
		assert.False(t, names[m.Name], "%s is there twice", m.Name)
		names[m.Name] = true
		assert.NotEmpty(t, m.Help, m.Name)
	}
	for _, w := range words(t) {
		name := w.of + "." + w.Name
		kind := w.Type
		for kind.Kind() == reflect.Slice {
			kind = kind.Elem()
		}
		number := kind.Kind() == reflect.Float64 || kind.Kind() == reflect.Int || kind == reflect.TypeFor[Interval]()
		if number && w.Type.Kind() != reflect.Slice || kind.Kind() == reflect.Float64 {
			assert.True(t, slices.Contains(known, w.Unit) || Follows[w.Unit] != "", "%s: unit %q", name, w.Unit)
		} else if !number {
			assert.Empty(t, w.Unit, name)
		}
		assert.Equal(t, w.Of != "", w.Of != "" && w.Unit == "%", "%s: of %s", name, w.Of)
		if w.option {
			assert.NotEmpty(t, w.Words(), "%s is not explained", name)
		}
		low, high, _ := w.bounds()
		assert.Less(t, low, high, name)
	}
}

// Each option that is left out gets its default, which is within its range, and
// one that has none and may not be 0 is asked for.
func TestDefaults(t *testing.T) {
	defaults, needed := 0, 0
	for _, w := range words(t) {
		if !w.option || w.Range == "" && w.Default == "" {
			continue
		}
		v := reflect.New(w.Type).Elem()
		if w.Default != "" {
			defaults++
			setDefault(v, w.Default)
			assert.False(t, v.IsZero(), "%s.%s", w.of, w.Name)
			assert.NoError(t, w.check("x", v), "%s.%s", w.of, w.Name)
		} else if w.check("x", v) != nil {
			needed++
			assert.Contains(t, []string{"frequency", "capacity", "good", "bad", "shortest", "longest", "channel"}, w.Name, w.of)
		}
	}
	assert.Greater(t, defaults, 30)
	assert.Equal(t, 12, needed)
	o, err := complete("x", DetectionOptions{Confidence: 90})
	require.NoError(t, err)
	assert.Equal(t, DetectionOptions{Probabilities: []float64{0.5, 0.95}, Confidence: 90}, o)
	for want, o := range map[string]TrackingOptions{
		"measure: x: skip_way is -1 %, it must be at least 0":  {Channel: 1, SkipWay: -1},
		"measure: x: skip_way is NaN %, it must be at least 0": {Channel: 1, SkipWay: math.NaN()},
	} {
		_, err := complete("x", o)
		assert.EqualError(t, err, want)
	}
	_, err = complete("x", DetectionOptions{Probabilities: []float64{0.5, 1}})
	assert.EqualError(t, err, "measure: x: probabilities is 1, it must be above 0 and below 1")
	_, err = complete("x", StartCurveOptions{FallTo: 100})
	assert.EqualError(t, err, "measure: x: fall_to is 100 %, it must be at least 0 and below 100")
	_, err = complete("x", DeadBandOptions{Channel: 1, Lag: math.Inf(1)})
	assert.EqualError(t, err, "measure: x: lag is +Inf s, it must be a finite number")
}

// ofQuantity are words of statistics and of curves, which have the unit of
// whatever they are of.
var ofQuantity = strings.Fields("mean median sd min max peak rms final residual residual_sd uncertainty interval " +
	"hysteresis from to low_end high_end slope intercept")

// One word means one thing: whatever is called the same, in options, results and
// arguments, is of one kind, has one unit, and a percentage is of one thing.
func TestOneWordOneMeaning(t *testing.T) {
	first := map[string]word{}
	ambiguous := map[string]bool{}
	for _, w := range words(t) {
		f, ok := first[w.Name]
		if !ok {
			first[w.Name] = w
			continue
		}
		assert.Equal(t, f.Type, w.Type, "%s of %s and of %s", w.Name, f.of, w.of)
		if f.Unit == w.Unit && f.Of == w.Of {
			continue
		}
		ambiguous[w.Name] = true
		assert.Contains(t, ofQuantity, w.Name, "of %s (%s %s) and of %s (%s %s)", f.of, f.Unit, f.Of, w.of, w.Unit, w.Of)
	}
	for _, name := range ofQuantity {
		if _, ok := first[name]; !ok || !ambiguous[name] {
			t.Errorf("%q has one unit only, or does not occur: take it out of the list", name)
		}
	}
}

func TestLuaName(t *testing.T) {
	for in, want := range map[string]string{
		"PeakAt": "peak_at", "SD": "sd", "THDRatio": "thd_ratio", "F0": "f0", "P95": "p95", "NonLinearity": "non_linearity",
		"X": "x", "WorstTHD": "worst_thd",
	} {
		assert.Equal(t, want, LuaName(in))
	}
}
