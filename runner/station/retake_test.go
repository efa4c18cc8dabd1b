package station

import (
	"context"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

// A check that failed is taken once more where a wire has no check sum: what
// fails again is the unit's, and nothing that failed once passes.
func TestRetake(t *testing.T) {
	// The values of current and of what has no limit in the check, each time.
	source := func(first, second string) string {
		return `plan { product = "kite", deadline = 60 }
local takes, prepared = 0, 0
check("standby", { vital = true, retake = function() prepared = prepared + 1 end }, function()
  takes = takes + 1
  if takes == 1 then ` + first + ` else ` + second + ` end
  reading("prepared", prepared, "1")
  reading("takes", takes, "1")
end)
check("later", function() reading("x", 1, "1") end)
`
	}
	const (
		good = `reading("current", 9e-6, "A")`
		bad  = `reading("current", 40e-6, "A")`
		none = `reading("current", 0/0, "A")`
	)
	differ := reports.Reason{Code: reports.TakesDiffer, Check: "standby", Readings: []string{"current"}}
	for _, c := range []struct {
		name, first, second string
		unchecked           []string
		outcome             reports.Outcome
		reason              reports.Reason
		takes               int
	}{
		{"good", good, bad, []string{"meter"}, reports.Passed, reports.Reason{}, 1},
		{"bad, and the wires have check sums", bad, good, nil, reports.Failed, reports.Reason{Code: reports.Missed}, 1},
		{"bad both times", bad, bad, []string{"meter"}, reports.Failed, reports.Reason{Code: reports.Missed}, 2},
		{"bad once", bad, good, []string{"meter"}, reports.Errored, differ, 2},
		{"bad, then not a number", bad, none, []string{"meter"}, reports.Errored, reports.Reason{}, 2},
		{"bad, then nothing", bad, "", []string{"meter"}, reports.Errored, differ, 2},
		{"not a number is no failure", none, good, []string{"meter"}, reports.Errored, reports.Reason{}, 1},
		{"bad, then a fault of the plan", bad, "error('no')", []string{"meter"}, reports.Errored,
			reports.Reason{Code: reports.PlanError, Text: "no"}, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				limits := oneLimit + "[later.x]\nupper = 2\nunit = \"1\"\nwhy = \"test\"\n"
				r := newRig(t, source(c.first, c.second), limits, func(n *Config) { n.Unchecked = c.unchecked })
				defer r.archive.Close()
				rep := r.run(t, context.Background())
				assert.Equal(t, c.outcome, rep.Outcome, "%+v", rep.Reason)
				assert.True(t, says(rep.Reason, c.reason), "%+v", rep.Reason)
				k := rep.Checks[0]
				if c.takes == 1 {
					assert.Empty(t, k.Retaken)
					return
				}
				if c.second != "error('no')" {
					require.NotEmpty(t, k.Retaken)
					last := k.Retaken[len(k.Retaken)-2:]
					assert.Equal(t, reports.Number(1), last[0].Value, "what must be done before was done once")
					assert.Equal(t, reports.Number(2), last[1].Value)
				}
				assert.Equal(t, reports.Fail, reading(t, rep, "standby", "current").Verdict, "what came first stays")
				assert.Len(t, rep.Checks, 1, "the plan does not go on after it")
			})
		})
	}
}
