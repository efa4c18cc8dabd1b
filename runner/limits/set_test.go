package limits

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/runner/input"
)

const corpus = "../../testdata/limits"

// bad says what each *.bad.toml must be told, "line: text | hint" in order.
var bad = map[string][]string{
	"words.bad.toml": {
		`2: unknown key "prodcut" | did you mean "product"?`,
		`5: unknown key "lowr" in [standby.current] | did you mean "lower"?`,
		`7: unknown unit "uAmp" | `,
		`12: unknown unit "ma" | did you mean "mA"?`,
		`18: unknown rule "guardd" | did you mean "guarded"?`,
	},
	"sense.bad.toml": {
		`6: lower 12 is above upper 1 | `,
		`10: [a.no_why] does not say why | write why = "...": what the limit protects`,
		`16: [a.both] has equal together with lower or upper | either a range or one value`,
		`20: [a.nothing] limits nothing | give lower, upper or both, or equal, or one_of`,
		`24: [a.no_unit] has no unit | write unit = "..." ("1" for a plain number)`,
		`30: lower and upper are both 2 | write equal = 2`,
		`35: upper must be finite | leave the line out where there is no limit`,
		`41: [a.unit_of_truth] has a unit, but its limit is no number | leave the line out`,
		`45: one_of mixes texts and numbers | `,
		`51: guard has no meaning with rule "simple" | add rule = "guarded"`,
		`56: [a.guarded_truth] guards a limit that is no range | only lower and upper can be guarded`,
		`63: [a.one_side] has cause_below but no lower | cause covers any failure`,
		`66: upper must be a number, not the text "12" | `,
		`73: why is empty | `,
		`79: guard must be above 0, not 0 | a multiple of the expanded uncertainty, for example 1.0`,
		`83: one_of must be a list with at least one value | one_of = ["a", "b"]`,
		`87: one_of lists x twice | `,
		`90: "Capital" is not a name for a reading | small letters, digits and _, beginning with a letter`,
		`96: each must be a list with at least one name | each = ["left_x", "left_y"]`,
	},
	"place.bad.toml": {
		`3: unknown key "takt" | a limits file holds product = "..." and tables [check.reading]`,
		`6: "upper" stands in [standby], which is a check | limits belong to a reading: [standby.<reading>]`,
		`8: unknown key "deep" in [standby.current] | a limit may have `,
		`8: [standby.current] does not say why | write why = "...": what the limit protects`,
		`8: [standby.current] limits nothing | give lower, upper or both, or equal, or one_of`,
		`11: "9lives" is not a name for a check | small letters, digits and _, beginning with a letter`,
	},
	"twice.bad.toml":      {`9: table current already exists | each limit stands in the file once`},
	"each-twice.bad.toml": {`9: [sticks.left_x_noise] has two limits | the other is on line 4`},
	"syntax.bad.toml":     {`4: `},
	"unnamed.bad.toml":    {`1: product is missing | write product = "..." above the first table`},
}

func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(corpus, "*.bad.toml"))
	require.NoError(t, err)
	require.Len(t, files, len(bad), "every *.bad.toml has its messages in the table, and the other way round")
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			data, err := os.ReadFile(path)
			require.NoError(t, err)
			_, err = Parse("limits.toml", data)
			var fe *input.Error
			require.ErrorAs(t, err, &fe)
			want := bad[filepath.Base(path)]
			var got []string
			for _, p := range fe.Problems {
				got = append(got, strings.TrimPrefix(p.String(), "limits.toml:")+" | "+p.Hint)
			}
			require.Len(t, got, len(want), "%s", strings.Join(got, "\n"))
			for i := range want {
				if !strings.HasPrefix(got[i], want[i]) {
					t.Errorf("problem %d: got %q, want it to begin %q", i, got[i], want[i])
				}
			}
		})
	}
}

func TestGoodFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(corpus, "*.good.toml"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, path := range files {
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		_, err = Parse(filepath.Base(path), data)
		require.NoError(t, err)
	}
}

func kinds(t *testing.T) *Set {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(corpus, "kinds.good.toml"))
	require.NoError(t, err)
	set, err := Parse("kinds.good.toml", data)
	require.NoError(t, err)
	return set
}

func TestSet(t *testing.T) {
	set := kinds(t)
	require.Equal(t, "kittiwake-k8", set.Product())
	require.Equal(t, []string{
		"standby.current", "running.current", "tune.notes", "tune.weakest", "switches.switch_a_moves", "switches.switch_b_moves",
		"radio.mode", "radio.channels", "link.error_rate", "restart.shortest_off", "ambient.temperature",
	}, set.Names(), "checks in the order in which each first appears, readings within")
	require.Equal(t, []string{"notes", "weakest"}, set.Expected("tune"))
	require.Equal(t, []string{"switch_a_moves", "switch_b_moves"}, set.Expected("switches"))
	require.Empty(t, set.Expected("nothing"))
	require.Equal(t, []string{"standby", "running", "tune", "switches", "radio", "link", "restart", "ambient"}, set.Checks())
	require.Equal(t, 4, set.Line("standby.current"))
	require.Equal(t, 15, set.Line("running.current"), "a key inside a table")
	require.Equal(t, 0, set.Line("standby.nothing"))
	require.Equal(t, "users wait about 3 s", set.Why("restart.shortest_off"))
	require.Equal(t, "uA", set.Unit("standby.current"))
	require.Len(t, set.SHA256(), 64)
}

func TestLimitsOfTheStockPlan(t *testing.T) {
	path := "../../scripts/kittiwake-k8/limits.toml"
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	set, err := Parse(path, data)
	require.NoError(t, err)
	require.Contains(t, set.Names(), "standby.current")
}

// Whatever the file says: no panic, a problem has a place and a text, and what
// is accepted still passes no value that is none.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob(filepath.Join(corpus, "*.toml"))
	if err != nil {
		f.Fatal(err)
	}
	for _, path := range files {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("product=\"x\"\na.b={upper=1,unit=\"V\",why=\"w\"}\n[[a.c]]\n[a.\"\\u001f\"]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		set, err := Parse("f", data)
		if err != nil {
			var fe *input.Error
			if !errors.As(err, &fe) {
				t.Fatalf("got %T, want a *input.Error", err)
			}
			lines := 1 + strings.Count(string(data), "\n")
			for _, p := range fe.Problems {
				if p.Line < 1 || p.Line > lines || p.Text == "" {
					t.Fatalf("got problem %+v in %d lines", p, lines)
				}
			}
			return
		}
		for _, n := range set.Names() {
			check, reading, _ := strings.Cut(n, ".")
			if set.Line(n) < 1 || strings.TrimSpace(set.Why(n)) == "" {
				t.Fatalf("limit %s has line %d and why %q", n, set.Line(n), set.Why(n))
			}
			for _, v := range []reports.Value{{}, reports.Number(math.NaN()), reports.Number(math.Inf(1)), reports.Number(math.Inf(-1))} {
				if got := set.Judge(check, reading, Indication{Value: v, Unit: set.Unit(n)}).Verdict; got != reports.Error {
					t.Fatalf("%s judged %s: got %s, want error", n, v, got)
				}
			}
		}
	})
}
