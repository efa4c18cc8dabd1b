package station

import (
	"context"
	"errors"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
)

// A rehearsal judges as a run does and writes nothing.
func TestRehearsalJudgesAsARun(t *testing.T) {
	job := Job{Unit: reports.Unit{SerialNumber: "K824A00017M", Product: "kite"}}
	for _, c := range []struct {
		name, body string
		value      float64
		err        error
		outcome    reports.Outcome
	}{
		{"sound", `reading("current", measure.steady(bench.meter:current { over = 0.1 }).mean, "A")`, 9e-6, nil, reports.Passed},
		{"leaks", `reading("current", measure.steady(bench.meter:current { over = 0.1 }).mean, "A")`, 20e-6, nil, reports.Failed},
		{"silent meter", `reading("current", measure.steady(bench.meter:current { over = 0.1 }).mean, "A")`, 9e-6, noReply(), reports.Errored},
		{"no reading", `wait(0)`, 9e-6, nil, reports.Errored},
		{"keeps a capture", `local c = bench.meter:current { over = 0.1 } keep("c", c) reading("current", measure.steady(c).mean, "A")`, 9e-6, nil, reports.Passed},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, plan(c.body), oneLimit, func(k *Config) { k.Simulated = true })
			r.meter.value, r.meter.curErr = c.value, c.err
			want := r.run(t, context.Background())
			files, err := os.ReadDir(r.dir)
			require.NoError(t, err)
			got, err := r.Rehearse(context.Background(), job)
			require.NoError(t, err)
			after, err := os.ReadDir(r.dir)
			require.NoError(t, err)
			assert.Equal(t, len(files), len(after))

			assert.Equal(t, c.outcome, got.Outcome, got.Reason)
			assert.Empty(t, got.Captures)
			for _, rep := range []*reports.Report{&want, &got} {
				rep.Run, rep.Started, rep.Ended, rep.Captures, rep.Events = "", time.Time{}, time.Time{}, nil, 0
				for i := range rep.Checks {
					rep.Checks[i].Started, rep.Checks[i].Ended = time.Time{}, time.Time{}
				}
			}
			assert.Equal(t, want, got)
		})
	}
}

func TestRehearsalIsForSimulatedUnits(t *testing.T) {
	r := newRig(t, plan(`wait(0)`), oneLimit)
	_, err := r.Rehearse(context.Background(), Job{})
	assert.ErrorContains(t, err, "it has hardware")
	assert.False(t, r.power.on)

	r = newRig(t, plan(`wait(0)`), oneLimit, func(c *Config) { c.Archive = nil; c.Simulated = true })
	_, err = r.Run(context.Background(), Job{})
	assert.ErrorContains(t, err, "no archive")
	_, err = r.Rehearse(context.Background(), Job{})
	assert.NoError(t, err, "the nest is free again")
	r.guard.closed = false
	_, err = r.Rehearse(context.Background(), Job{})
	var notReady *NotReady
	assert.True(t, errors.As(err, &notReady))
}
