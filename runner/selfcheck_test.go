package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/runner/bench"
	"fullthrow/runner/input"
	"fullthrow/runner/records"
	"fullthrow/runner/selfcheck"
)

// check runs the self-check over calls and gives what it wrote, and its exit
// code.
func check(t *testing.T, calls []selfcheck.Call, o selfcheckOptions) (string, int) {
	t.Helper()
	var out bytes.Buffer
	err := (&app{out: &out, Place: records.Place{Errs: &out}}).selfcheck(calls, o)
	if err == nil {
		return out.String(), input.ExitPassed
	}
	return out.String(), complain(&out, err)
}

// pureArithmetic leaves a test out with -short, as under the race detector:
// nothing in it runs beside anything else. It may run beside other tests.
func pureArithmetic(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("arithmetic, one value after another; not with -short")
	}
	t.Parallel()
}

func catalogue(t *testing.T) []selfcheck.Call {
	t.Helper()
	calls, err := selfcheck.Catalogue()
	require.NoError(t, err)
	return calls
}

// Every value is within what is allowed, there are enough of them, every area
// and every provenance has some, and every function is asked for one at least.
func TestSelfcheck(t *testing.T) {
	pureArithmetic(t)
	out, code := check(t, catalogue(t), selfcheckOptions{json: true})
	require.Equal(t, input.ExitPassed, code, firstLines(out, "false"))
	var r selfcheck.Report
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	require.GreaterOrEqual(t, r.Values, 150)
	require.Equal(t, []int{r.Values, 0, r.Values}, []int{r.Within, r.Missed, len(r.Results)})
	areas, sum := map[string]int{}, 0
	for _, v := range r.Results {
		areas[v.Area]++
		require.NotNil(t, v.Computed, v.ID)
		require.NotEmpty(t, v.Source, v.ID)
		if v.Difference != nil {
			require.LessOrEqual(t, *v.Difference, *v.Allowed, v.ID)
			require.LessOrEqual(t, -*v.Difference, *v.Allowed, v.ID)
		} else {
			require.Equal(t, v.Published, v.Computed, v.ID)
		}
	}
	for _, a := range selfcheck.Areas() {
		require.GreaterOrEqual(t, areas[a], 5, a)
		for _, p := range selfcheck.Provenances() {
			n := 0
			for _, v := range r.Results {
				if v.Area == a && v.Provenance == p {
					n++
				}
			}
			t.Logf("%-12s %-16s %d", a, p, n)
		}
	}
	for _, p := range selfcheck.Provenances() {
		require.NotZero(t, r.Provenance[p], p)
		sum += r.Provenance[p]
	}
	require.Equal(t, r.Values, sum)

	asked := map[string]bool{}
	for _, c := range catalogue(t) {
		asked[c.Function] = true
	}
	functions := selfcheck.Functions()
	maps.Copy(functions, bench.SelfcheckFunctions())
	require.Equal(t, slices.Sorted(maps.Keys(functions)), slices.Sorted(maps.Keys(asked)))
}

// firstLines are the first lines around a word, for a readable failure.
func firstLines(text, word string) string {
	i := strings.Index(text, word)
	if i < 0 {
		return text[:min(len(text), 400)]
	}
	return text[max(0, i-900):min(len(text), i+100)]
}

// Whatever value is tampered with, the check sees that one and only that one,
// says so first, and the exit code is 1.
func TestSelfcheckSeesTampering(t *testing.T) {
	pureArithmetic(t)
	functions := selfcheck.Functions()
	maps.Copy(functions, bench.SelfcheckFunctions())
	for i, c := range catalogue(t) {
		for j, v := range c.Values {
			changed := c
			changed.Values = slices.Clone(c.Values)
			w := &changed.Values[j]
			if v.Text != nil {
				text := *v.Text + "0"
				w.Text = &text
			} else {
				w.Want = tampered(t, v)
			}
			for k, r := range selfcheck.Run([]selfcheck.Call{changed}, functions) {
				if r.Within == (k == j) {
					t.Errorf("call %d: %s is within: %v, with %s changed from %q to %q", i, r.ID, r.Within, v.As, v.Want, w.Want)
				}
			}
		}
	}

	// As people see it: one digit of NIST's slope, wrong.
	calls := catalogue(t)
	i := slices.IndexFunc(calls, func(c selfcheck.Call) bool { return c.Name == "norris" })
	calls[i].Values[2].Want = "1.00211681832045"
	out, code := check(t, calls, selfcheckOptions{})
	require.Equal(t, input.ExitFailed, code)
	require.Equal(t, "MISSED statistics.norris.B1", strings.Split(out, "\n")[2])
	require.Contains(t, out, "\n    difference       -3e-10, allowed 1e-11\n")
	require.Contains(t, out, " within, 1 missed\npublished ")
	require.Equal(t, 1, strings.Count(out, "\n! "), "marked in the table, too")
}

// tampered is the value, off by three times what is allowed.
func tampered(t *testing.T, v selfcheck.Value) string {
	t.Helper()
	want, err := strconv.ParseFloat(v.Want, 64)
	require.NoError(t, err)
	_, allowed, err := v.Wanted()
	require.NoError(t, err)
	return fmt.Sprintf("%.17g", want+max(3*allowed, 1e-14*math.Abs(want), 1e-18))
}

// What cannot be computed is a miss, never left out; nothing is no proof.
func TestSelfcheckCannotCompute(t *testing.T) {
	value := []selfcheck.Value{{Of: "time", As: "time", Want: "1", Provenance: selfcheck.Recomputed, Source: "s"}}
	for name, c := range map[string]selfcheck.Call{
		"there is no function":   {Function: "measure.Nothing"},
		"argument 1 is nothing":  {Function: "measure.RCTime"},
		"argument 2 is x":        {Function: "measure.RCTime", Args: []any{1.0, "x", 1.0, 1.0}},
		"not on the way":         {Function: "measure.RCTime", Args: []any{1.0, 1.0, 2.0, 0.0}},
		`gives no "time"`:        {Function: "measure.SuccessRun", Args: []any{0.9, 90.0}},
		"not a data set":         {Function: "measure.Summary", Args: []any{"none"}},
		"argument 1 is 0.5, not": {Function: "statistics.Poisson", Args: []any{0.5, 0.9}},
	} {
		c.Area, c.Name, c.What, c.Values = "supply", "n", "w", value
		out, code := check(t, []selfcheck.Call{c}, selfcheckOptions{})
		require.Equal(t, input.ExitFailed, code, name)
		require.Contains(t, strings.Join(strings.Fields(out), " "), name)
		require.Contains(t, out, "\n1 value: 0 within, 1 missed\nre-computed 1\n")
	}
	_, code := check(t, nil, selfcheckOptions{})
	require.Equal(t, input.ExitFailed, code)
}

// The table fits 100 columns, names no figure by half, and shows the same values
// as the JSON.
func TestSelfcheckTable(t *testing.T) {
	pureArithmetic(t)
	for _, o := range []selfcheckOptions{{}, {sources: true}} {
		out, code := check(t, catalogue(t), o)
		require.Equal(t, input.ExitPassed, code)
		rows := 0
		for line := range strings.Lines(out) {
			line = strings.TrimSuffix(line, "\n")
			require.LessOrEqual(t, len([]rune(line)), 100, line)
			if strings.HasPrefix(line, "  ") && !strings.HasPrefix(line, "    ") {
				rows++
				require.NotContains(t, line[:40], "...", "a name is cut short")
				if !strings.Contains(line, "same") {
					require.NotContains(t, line, "...", "a number is cut short")
				}
			}
		}
		require.Contains(t, out, fmt.Sprintf("\n%d values: %d within, 0 missed\npublished ", rows, rows))
	}
	out, _ := check(t, catalogue(t), selfcheckOptions{area: "labels"})
	require.Contains(t, out, "\nlabels, published")
	require.NotContains(t, out, "\nlink, ")
}

func BenchmarkSelfcheck(b *testing.B) {
	calls, err := selfcheck.Catalogue()
	require.NoError(b, err)
	functions := selfcheck.Functions()
	maps.Copy(functions, bench.SelfcheckFunctions())
	for b.Loop() {
		selfcheck.Run(calls, functions)
	}
}
