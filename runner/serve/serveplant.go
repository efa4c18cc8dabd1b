package serve

import (
	"context"
	"os"
	"path/filepath"

	"fullthrow/reports/forward"
	"fullthrow/reports/store"
	"fullthrow/runner/metrics"
	"fullthrow/runner/records"
)

// forwarder sends what was sealed to the plant, nil where no plant is named.
func (s *Station) forwarder(ix *indexer) *forward.Forwarder {
	dsn := s.O.Plant
	if dsn == "" {
		dsn = os.Getenv(records.PlantVariable)
	}
	if dsn == "" {
		return nil
	}
	c := forward.Config{
		Dir: s.archive.Dir(),
		Plant: func(ctx context.Context) (forward.Store, error) {
			return store.OpenPlant(ctx, dsn, store.PlantOptions{})
		},
		Attachments: true,
		Memory:      filepath.Join(s.Place.Data, records.PlantMemory),
		Tell:        s.plantTold(),
	}
	if ix != nil {
		c.Flags = func(ctx context.Context) ([]store.Flag, error) { return ix.index.Flags(ctx, store.Selection{}) }
	}
	return forward.New(c)
}

// plantTold logs what changes between station and plant, and counts it.
func (s *Station) plantTold() func(forward.State) {
	var before forward.State
	return func(now forward.State) {
		if now.Connected != before.Connected || now.Trouble != before.Trouble {
			if now.Trouble != "" {
				s.Log.Warn("plant", "state", now.String(), "hint", now.Hint)
			} else {
				s.Log.Info("plant", "state", now.String())
			}
		}
		before = now
		s.metrics.SetForward(metrics.Forward{Enabled: true, Connected: now.Connected, Contact: now.Contact,
			Known:   now.Behind.Known,
			Reports: now.Behind.Reports, Bytes: now.Behind.Bytes, Oldest: now.Behind.Oldest, Sent: int64(now.Sent.Sent),
			Problems: len(now.Problems), Skew: now.Skew.Ahead.Seconds()})
	}
}
