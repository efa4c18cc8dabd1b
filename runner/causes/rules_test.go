package causes

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/runner/input"
	"fullthrow/runner/limits"
)

const corpus = "../../testdata/causes"

// bad says what each *.bad.toml must be told, "line: text | hint" in order.
var bad = map[string][]string{
	"keys.bad.toml": {
		`3: unknown key "prodct" in the file | did you mean "product"?`,
		`7: unknown key "ofen" in [[cause]] | did you mean "often"?`,
		`8: unknown key "readin" in a condition | did you mean "reading"?`,
		`11: unknown key "word" in [name] | did you mean "words"?`,
	},
	"kind.bad.toml":   {`6: often must be a number | `},
	"syntax.bad.toml": {`4: `},
	"sense.bad.toml": {
		`3: other must be above 0, not 0 | what the file does not know has some weight: a rule is never certain`,
		`5: [name.left_z]: no cause has this in its each | did you mean "left_x"?`,
		`8: cause "no-words" does not say what is wrong | cause = "play between shaft and potentiometer"`,
		`8: cause "no-words" does not say what to inspect | inspect = "...": what to look at first`,
		`8: cause "no-words" would fit every unit | say in all or any what must be so`,
		`11: cause "no-words" stands twice | the other is on line 8`,
		`17: is "faild" | did you mean "failed"?`,
		`18: is and above or below together | two conditions in all say both`,
		`19: a quantity without a unit | unit = "1" for a plain number`,
		`20: unknown unit "uAmp" | `,
		`21: "current" is not the name of a reading | check.reading, as in the limits: "centre.left_x_play"`,
		`22: "centre.{each}_play": the cause has no each | each = ["left_x", ...]`,
		`23: nothing is said of "a.b" | is = "failed", or above or below with a unit`,
		`24: no value is above 3 and below 2 | `,
		`25: count of a single reading | count goes with *: "sticks.*_noise"`,
		`26: times in a condition that must hold | evidence stands in for and against`,
		`28: evidence without its weight | times = 5: how many times as likely this makes, or does not make, the cause`,
		`28: times must be above 1 and at most 1000, not 0.5 | `,
		`30: often must be above 0, not -1 | `,
		`30: cause "each-unused" has each, and no reading that uses it | write {each} where the name stands in a reading`,
		`30: each lists left_x twice | `,
	},
	"empty.bad.toml": {`1: there is no cause in the file | each rule is a table [[cause]]`},
}

func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(corpus, "*.bad.toml"))
	require.NoError(t, err)
	assert.Len(t, files, len(bad), "each bad file has its messages, and each list of messages its file")
	for _, file := range files {
		name := filepath.Base(file)
		t.Run(name, func(t *testing.T) {
			data, err := os.ReadFile(file)
			require.NoError(t, err)
			rules, err := Parse(name, data, limits.Convert)
			assert.Nil(t, rules)
			var fe *input.Error
			require.True(t, errors.As(err, &fe), "%v", err)
			var got []string
			for _, p := range fe.Problems {
				assert.Equal(t, name, p.File)
				got = append(got, fmt.Sprintf("%d: %s | %s", p.Line, p.Text, p.Hint))
			}
			want := bad[name]
			if assert.Len(t, got, len(want), "%s", strings.Join(got, "\n")) {
				for i := range want {
					assert.True(t, strings.HasPrefix(got[i], want[i]), "got %s, want %s", got[i], want[i])
				}
			}
			assert.Contains(t, err.Error(), name)
		})
	}
}

// A file that any bytes make either gives rules or problems with lines, never
// both, and never stops the program.
func FuzzParse(f *testing.F) {
	files, err := filepath.Glob(filepath.Join(corpus, "*.toml"))
	require.NoError(f, err)
	for _, file := range files {
		data, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		rules, err := Parse("f.toml", data, limits.Convert)
		if (rules == nil) == (err == nil) {
			t.Fatalf("rules %v and error %v", rules, err)
		}
		if err == nil {
			rules.Rank(nil)
		}
	})
}
