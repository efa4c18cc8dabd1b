package station

import (
	"context"
	"errors"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// wallClock is a wall clock that a test sets.
type wallClock struct{ off atomic.Int64 }

func (w *wallClock) now() time.Time { return Wall().Add(time.Duration(w.off.Load())) }

func watched(w *wallClock) func(*Config) { return func(c *Config) { c.Wall = w.now } }

func TestClockIsWatched(t *testing.T) {
	for _, c := range []struct {
		name           string
		between        time.Duration // what is done to the clock before the second run
		during         time.Duration // and in it
		want           []reports.Code
		seconds        float64 // of the first of them
		refused        reports.Code
		refusedAfter   reports.Code // the third run
		notesInArchive int
	}{
		{"a clock that runs as it should", 0, 0, nil, 0, "", "", 0},
		{"a little", time.Second, -time.Second, nil, 0, "", "", 0},
		{"back", -3 * time.Minute, 0, []reports.Code{reports.ClockBack}, 180, "", "", 1},
		{"ahead", 3 * time.Hour, 0, []reports.Code{reports.ClockAhead}, 10800, "", "", 0},
		{"back in the run", 0, -4 * time.Minute, []reports.Code{reports.ClockBackIn}, 240, "", "", 1},
		{"far back in the run", 0, -4 * time.Hour, []reports.Code{reports.ClockBackIn}, 14400, "",
			reports.ClockBehind, 0},
		{"ahead in the run", 0, time.Hour, []reports.Code{reports.ClockAheadIn}, 3600, "", "", 0},
		{"back, and in the run ahead", -time.Minute, time.Hour, []reports.Code{reports.ClockBack, reports.ClockAheadIn},
			60, "", "", 0},
		{"far back", -6 * time.Minute, 0, nil, 0, reports.ClockBehind, "", 0},
		{"far ahead", 200 * 24 * time.Hour, 0, nil, 0, reports.ClockBeyond, "", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := &wallClock{}
				r := newRig(t, plan(`wait(8)`+measureStandby+` wait(8)`), oneLimit, watched(w))
				first := r.run(t, context.Background())
				assert.Empty(t, first.Clock)
				time.Sleep(30 * time.Second)
				w.off.Add(int64(c.between))
				began := w.now()
				go func() {
					time.Sleep(5 * time.Second)
					w.off.Add(int64(c.during))
				}()
				if c.refused != "" {
					_, err := r.Run(context.Background(), Job{})
					var no *NotReady
					require.ErrorAs(t, err, &no)
					assert.Equal(t, c.refused, no.Why.Code)
					assert.Equal(t, first.Ended, no.Why.Newest)
					assert.Equal(t, began, no.Why.Time)
					assert.NotEmpty(t, no.Advice())
					assert.Nil(t, r.InService(), "it takes units again when the clock is right")
					w.off.Store(0)
				}
				rep := r.run(t, context.Background())
				if c.refused != "" {
					began = w.now().Add(-rep.Ended.Sub(rep.Started))
				}
				var codes []reports.Code
				for _, k := range rep.Clock {
					codes = append(codes, k.Code)
				}
				assert.Equal(t, c.want, codes)
				if len(codes) > 0 {
					assert.Equal(t, c.seconds, rep.Clock[0].Seconds)
				}
				assert.Equal(t, reports.Passed, rep.Outcome)
				assert.WithinDuration(t, began, rep.Started, 0)
				// Whatever was done to the clock, the times are those that went by.
				assert.Equal(t, first.Ended.Sub(first.Started), rep.Ended.Sub(rep.Started))
				for i, k := range rep.Checks {
					assert.Equal(t, first.Checks[i].Ended.Sub(first.Checks[i].Started), k.Ended.Sub(k.Started))
				}
				time.Sleep(10 * time.Second)
				_, err := r.Run(context.Background(), Job{Unit: reports.Unit{SerialNumber: "S", Product: "kite"}})
				var no *NotReady
				if errors.As(err, &no); c.refusedAfter != "" {
					require.NotNil(t, no)
					assert.Equal(t, c.refusedAfter, no.Why.Code)
				} else {
					require.NoError(t, err)
				}
				v, err := archive.Verify(r.dir)
				require.NoError(t, err)
				assert.Empty(t, v.Problems)
				assert.Len(t, v.Notes, c.notesInArchive)
				r.archive.Close()
			})
		})
	}
}

// A program just started knows by the newest report alone that the clock went
// back.
func TestClockAgainstTheNewestReport(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wallClock{}
		r := newRig(t, plan(measureStandby), oneLimit, watched(w))
		r.run(t, context.Background())
		for _, c := range []struct {
			off  time.Duration
			want []reports.Reason
			not  reports.Code
		}{
			{-4 * time.Minute, []reports.Reason{{Code: reports.ClockBack, Seconds: 240}}, ""},
			{-14 * time.Minute, nil, reports.ClockBehind},
			{0, nil, ""},
		} {
			w.off.Store(int64(c.off))
			nest, err := New(r.Config)
			require.NoError(t, err)
			s, err := nest.Run(context.Background(), Job{Unit: reports.Unit{SerialNumber: "S", Product: "kite"}})
			var no *NotReady
			if errors.As(err, &no); c.not != "" {
				require.NotNil(t, no)
				assert.Equal(t, c.not, no.Why.Code)
				continue
			}
			require.NoError(t, err)
			assert.Equal(t, c.want, s.Report.Clock)
		}
		// A bound of the bench's lets one run through, after which the newest
		// report is of the right time.
		w.off.Store(-int64(20 * 24 * time.Hour))
		r.Config.ClockBounds.Behind = 30 * 24 * time.Hour
		nest, err := New(r.Config)
		require.NoError(t, err)
		_, err = nest.Run(context.Background(), Job{Unit: reports.Unit{SerialNumber: "S", Product: "kite"}})
		require.NoError(t, err)
		r.Config.ClockBounds = ClockBounds{}
		nest, err = New(r.Config)
		require.NoError(t, err)
		_, err = nest.Run(context.Background(), Job{Unit: reports.Unit{SerialNumber: "S", Product: "kite"}})
		require.NoError(t, err)
		r.archive.Close()
	})
}

// A run that is stopped after a limit was broken is on record as that, and the
// next one is a retest.
func TestStoppedAfterALimitWasBroken(t *testing.T) {
	for _, c := range []struct {
		name  string
		value float64
		want  bool
	}{{"broken", 20e-6, true}, {"kept", 9e-6, false}} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, plan(measureStandby+` wait(15)`), oneLimit)
				r.meter.value = c.value
				ctx, cancel := context.WithCancelCause(context.Background())
				go func() {
					time.Sleep(10 * time.Second)
					cancel(&Abort{reports.Reason{Code: reports.StoppedBySignal, Text: "Ctrl-C"}})
				}()
				rep := r.run(t, ctx)
				assert.Equal(t, reports.Aborted, rep.Outcome)
				assert.Equal(t, c.want, rep.CutShort)
				assert.Equal(t, c.want, rep.WasCutShort())
				attempts := 0
				if c.want {
					attempts = 1
				}
				assert.Equal(t, attempts, r.archive.Attempts("kite", "K824A00017M"))
				require.NoError(t, r.archive.Close())
				again, err := archive.Open(r.dir, "LQ-1")
				require.NoError(t, err)
				assert.Equal(t, attempts, again.Attempts("kite", "K824A00017M"), "by the files alone")
				e, ok := again.Newest()
				require.True(t, ok)
				assert.Equal(t, c.want, e.CutShort)
				require.NoError(t, again.Close())
			})
		})
	}
}
