package selfcheck

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// Half a unit in the last place of what is printed.
func TestAllowed(t *testing.T) {
	for text, want := range map[string]float64{
		"3.92": 0.005, ".2553": 5e-5, "-70.4": 0.05, "12": 0.5, "1.0000": 5e-5, "5.11E-02": 5e-5, "1.5e3": 50, "-0.5": 0.05, "9.": 0.5,
	} {
		_, got, err := Value{Want: text}.Wanted()
		require.NoError(t, err)
		require.InEpsilon(t, want, got, 1e-5, text)
	}
	given := 0.25
	_, got, err := Value{Want: "49.925712", Allowed: &given}.Wanted()
	require.NoError(t, err)
	require.Equal(t, given, got)
	_, got, err = Value{Want: "-200", Relative: 1e-3}.Wanted()
	require.NoError(t, err)
	require.InEpsilon(t, 0.2, got, 1e-12)
	below := -1.0
	for _, v := range []Value{{Want: ""}, {Want: "x"}, {Want: "NaN"}, {Want: "1", Allowed: &below}, {Want: "1", Relative: -1}, {Want: "1", Allowed: &given, Relative: 1}} {
		_, _, err := v.Wanted()
		require.Error(t, err)
	}
}

func TestParseRefuses(t *testing.T) {
	const good = `area = "link"
[[call]]
name = "n"
what = "w"
function = "f"
source = "s"
provenance = "published"
values = [{ of = "a", want = "1" }]
`
	calls, err := Parse("t.toml", []byte(good))
	require.NoError(t, err)
	require.Equal(t, "link.n.a", calls[0].id(calls[0].Values[0]))
	for text, want := range map[string]string{
		`area = "moon"`:      `there is no area "moon"`,
		good + "stray = 1\n": "stray",
		`area = "link"
[[call]]
name = "n"
what = "w"
source = "s"
provenance = "rumour"
values = [{ of = "a", want = "1" }]`: `unknown provenance "rumour"`,
		`area = "link"
[[call]]
name = "n"
what = "w"
provenance = "published"
values = [{ of = "a", want = "1" }]`: "lacks name, what or source",
		`area = "link"
[[call]]
name = "n"
what = "w"
source = "s"
provenance = "published"
values = [{ of = "a", want = "1" }, { of = "a", want = "2" }]`: "link.n.a is there twice",
		`area = "link"
[[call]]
name = "n"
what = "w"
source = "s"
provenance = "published"
values = [{ of = "a", want = "1", text = "1" }]`: "needs want or text, and not both",
		`area = "link"
[[call]]
name = "n"
what = "w"
source = "s"
provenance = "published"
values = [{ of = "a", want = "one" }]`: "want is no number",
	} {
		_, err := Parse("t.toml", []byte(text))
		require.ErrorContains(t, err, "self-check: t.toml: ")
		if want != "stray" { // the library's words
			require.ErrorContains(t, err, want)
		}
	}
}

// A number that is not finite matches no number.
func TestNotFinite(t *testing.T) {
	functions := map[string]Function{"f": func(*Args) (Figures, error) {
		return Figures{"nan": math.NaN(), "x": 1, "text": "1"}, nil
	}}
	text := "NaN"
	c := Call{Area: "link", Function: "f", Values: []Value{
		{Of: "nan", As: "nan", Want: "0"}, {Of: "x", As: "x", Want: "1"}, {Of: "text", As: "text", Want: "1"}, {Of: "nan", As: "wanted", Text: &text},
	}}
	var within []bool
	for _, r := range Run([]Call{c}, functions) {
		within = append(within, r.Within)
	}
	require.Equal(t, []bool{false, false, false, true}, within)
}

// The digits that the data sets of pi are made of.
func TestPiDigits(t *testing.T) {
	x := piDigits(5000)
	require.Equal(t, []float64{3, 1, 4, 1, 5, 9, 2, 6, 5, 3}, x[:10])
	require.Equal(t, 8.0, x[956])
}
