package main

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"fullthrow/reports"
	"fullthrow/runner/input"
	"fullthrow/runner/records"
	"fullthrow/runner/rehearsal"
	"fullthrow/runner/station"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A rehearsal that is stopped exits as aborted, with what it has so far.
func TestStoppedRehearsal(t *testing.T) {
	ctx, cancel := context.WithCancelCause(context.Background())
	cancel(&station.Abort{Why: reports.Reason{Code: reports.StoppedBySignal, Text: "Ctrl-C (SIGINT)"}})
	var out, errs bytes.Buffer
	a := &app{in: strings.NewReader(""), out: &out, Place: records.Place{Errs: &errs}}
	err := a.rehearse(ctx, rehearsal.Options{Units: 10, Nests: 1, Seed: 1})
	var f *input.Failure
	require.ErrorAs(t, err, &f)
	assert.Equal(t, input.ExitAborted, f.Code)
	assert.Contains(t, errs.String(), "stopped by Ctrl-C (SIGINT), after 0 of 10 units")
}
