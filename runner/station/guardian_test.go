package station

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// guardianFake takes down what it is told, with whether power was on then.
type guardianFake struct {
	rig  *rig
	told []string
	err  error
}

func (g *guardianFake) tell(what string) {
	if g.rig.power.isOn() {
		what += ", on"
	}
	g.told = append(g.told, what)
}

func (g *guardianFake) Begin(dir, run, nest string) error {
	g.tell("begin " + nest)
	if dir != g.rig.dir || !reports.ValidRun(run) {
		return errors.New("not of this archive")
	}
	return g.err
}

func (g *guardianFake) End(_ string, safe bool) {
	g.tell(fmt.Sprint("end, safe ", safe))
	if len(g.rig.archive.Entries()) == 0 {
		g.told = append(g.told, "not sealed")
	}
}

// The guardian hears of a run before anything is switched on, and until it is sealed;
// without one no run begins.
func TestGuardianHearsOfTheRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := &guardianFake{}
		r := newRig(t, plan(measureStandby), oneLimit, func(c *Config) { c.Guardian = g })
		g.rig = r
		assert.Equal(t, reports.Passed, r.run(t, context.Background()).Outcome)
		assert.Equal(t, []string{"begin A", "end, safe true"}, g.told)

		g.told, g.err = nil, errors.New("no process")
		_, err := r.Run(context.Background(), Job{})
		var notReady *NotReady
		require.ErrorAs(t, err, &notReady)
		assert.Equal(t, reports.Reason{Code: reports.Unguarded, Text: "no process"}, notReady.Why)
		assert.Equal(t, []string{"begin A"}, g.told)
		v, err := archive.Verify(r.dir)
		require.NoError(t, err)
		assert.Equal(t, 1, v.Reports, "no unit was touched, so nothing is recorded")
		assert.Empty(t, v.Pending)

		g.err = nil
		assert.Equal(t, reports.Passed, r.run(t, context.Background()).Outcome, "the nest is free again")
		g.told = nil
		r.power.safeErr = noReply()
		assert.Equal(t, reports.Errored, r.run(t, context.Background()).Outcome)
		assert.Equal(t, []string{"begin A", "end, safe false"}, g.told)
		r.archive.Close()
	})
}
