package yield

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestShareInWords(t *testing.T) {
	for want, s := range map[string]Share{
		"90.0 %; from so few units, anywhere between 59.6 % and 98.2 %":   NewShare(9, 10, 0.95),
		"100.0 %; from so few units, anywhere between 72.2 % and 100.0 %": NewShare(10, 10, 0.95),
		"0.0 %; from so few units, anywhere between 0.0 % and 27.8 %":     NewShare(0, 10, 0.95),
		"97.3 %, between 96.1 % and 98.1 %":                               NewShare(973, 1000, 0.95),
		"99.99 %, between 99.94 % and 99.998 %":                           NewShare(9999, 10000, 0.95),
		"not known: there are no units":                                   NewShare(0, 0, 0.95),
		"not known: 3 of 2 units cannot be":                               NewShare(3, 2, 0.95),
	} {
		require.Equal(t, want, s.String())
	}
	require.Equal(t, "10.0 %; from so few runs, anywhere between 1.8 % and 40.4 %", NewShare(1, 10, 0.95).Sentence("runs"))
	require.Equal(t, "in 99.5 of 100 cases the true value lies in such an interval (Wilson)", NewShare(1, 10, 0.995).Sure())
}

func TestTimesAndEstimatesInWords(t *testing.T) {
	for v, want := range map[float64]string{0: "0 s", 0.4: "under 1 s", 45.4: "45 s", 99.6: "2 min", 720: "12 min", 5969: "99 min", 12240: "3.4 h", math.Inf(1): "not known"} {
		require.Equal(t, want, Span(v))
	}
	require.Equal(t, "38.2 s", Seconds(38.15001))
	require.Equal(t, "not known", Seconds(math.NaN()))
	for want, e := range map[string]Estimate{
		"0.300, between 0.202 and 0.428": {Value: 0.3, Low: 0.2024, High: 0.4283},
		"not known":                      {Value: math.NaN(), High: math.Inf(1)},
		"3.600 or more":                  {Value: math.Inf(1), Low: 3.6, High: math.Inf(1)},
		"5.000, 2.000 or more":           {Value: 5, Low: 2, High: math.Inf(1)},
		"5.000, 7.000 or less":           {Value: 5, Low: math.Inf(-1), High: 7},
	} {
		require.Equal(t, want, e.Perhaps(3))
	}
}

// Each term has one meaning, in one sentence, that can stand behind its name.
func TestTerms(t *testing.T) {
	seen := map[string]bool{}
	for _, term := range Terms() {
		require.False(t, seen[term.Key] || seen[strings.ToLower(term.Name)], term.Name)
		seen[term.Key], seen[strings.ToLower(term.Name)] = true, true
		require.True(t, strings.HasSuffix(term.Meaning, ".") && !strings.Contains(term.Meaning, ". "), term.Meaning)
		require.Equal(t, term.Meaning, Meaning(term.Key))
		require.Equal(t, term, Explain(strings.ToUpper(term.Name)))
	}
	require.Equal(t, "First-pass yield: units that passed at their first run, of all units tested.", Explain("first_pass").String())
	require.Equal(t, "", Meaning("yeld"))
}
