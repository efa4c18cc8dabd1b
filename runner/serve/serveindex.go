package serve

import (
	"context"
	"errors"
	"io"
	"time"

	"fullthrow/reports/archive"
	"fullthrow/reports/store"
	"fullthrow/runner/input"
	"fullthrow/runner/metrics"
	"fullthrow/runner/records"
)

// indexer keeps the index of the records up to date beside the station. It
// never holds up a run: what does not fit into its queue, or could not be taken
// in, is found again by a look through the files.
type indexer struct {
	s     *Station
	index *store.Index
	queue chan archive.Sealed
	look  chan struct{} // capacity 1: look through the files
	told  func()        // something was taken in
	state metrics.Index
}

const (
	indexQueue = 512
	// indexLook is how often folders are looked at in any case: a report that was
	// put in, taken away or replaced is noticed within that time. Every sixth look is
	// at all files, by size and time.
	indexLook    = 10 * time.Minute
	indexThrough = 6
	// indexAgain is how long after a failure the next try comes.
	indexAgain = 20 * time.Second
)

// openIndex opens the index. A station without one tests all the same: its
// pages of figures say that it is not open.
func (s *Station) openIndex(ctx context.Context) *indexer {
	i := &indexer{s: s, queue: make(chan archive.Sealed, indexQueue), look: make(chan struct{}, 1),
		told: func() {}, state: metrics.Index{Enabled: true}}
	ix, err := store.OpenIndex(ctx, s.archive.Dir(), store.IndexOptions{Defer: true, Write: true, Damaged: i.again})
	if err != nil {
		s.Log.Warn("the index of the records cannot be opened; units are tested without it", "error", err, "hint",
			input.HintOf(err))
		s.metrics.SetIndex(metrics.Index{Enabled: true, Trouble: true})
		return nil
	}
	for _, note := range ix.Notes() {
		s.Log.Info("index", "note", note)
	}
	s.close = append(s.close, ix.Close)
	s.archive.LookUp(records.LookUp{Stay: true, Errs: io.Discard,
		Open: func(context.Context) (*store.Index, error) { return ix, nil }})
	i.index = ix
	return i
}

// sealed takes a report, without waiting. nil does nothing.
func (i *indexer) sealed(r archive.Sealed) {
	if i == nil {
		return
	}
	select {
	case i.queue <- r:
	default:
		i.again()
	}
}

// again has the files looked through soon. nil does nothing.
func (i *indexer) again() {
	if i == nil {
		return
	}
	select {
	case i.look <- struct{}{}:
	default:
	}
}

// run works until ctx ends.
func (i *indexer) run(ctx context.Context) {
	i.reconcile(ctx, false)
	tick := time.NewTicker(indexLook)
	defer tick.Stop()
	for looks := 1; ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			i.reconcile(ctx, looks%indexThrough == 0)
			looks++
		case <-i.look:
			i.reconcile(ctx, false)
		case r := <-i.queue:
			i.add(ctx, r)
		}
	}
}

// add takes in a report, and what waits behind it.
func (i *indexer) add(ctx context.Context, first archive.Sealed) {
	list := []archive.Sealed{first}
	for len(list) < 64 {
		select {
		case r := <-i.queue:
			list = append(list, r)
			continue
		default:
		}
		break
	}
	var items []store.Item
	var failed error
	for _, r := range list {
		item, err := store.ItemOf(i.s.archive.Dir(), r)
		if err != nil {
			failed = errors.Join(failed, err)
			continue
		}
		items = append(items, item)
	}
	added, err := i.index.Add(ctx, items...)
	i.state.Reports += int64(added.New)
	i.done(ctx, errors.Join(failed, err))
}

func (i *indexer) reconcile(ctx context.Context, through bool) {
	switch note, err := i.index.Mend(ctx); {
	case err != nil:
		i.done(ctx, err)
		return
	case note != "":
		i.s.Log.Warn("index", "note", note)
	}
	look := i.index.Follow
	if through {
		look = i.index.Reconcile
	}
	r, err := look(ctx)
	if err == nil {
		i.state.Reports, i.state.Flagged = int64(r.Files), r.Flags
		if r.Read > 0 {
			i.s.Log.Info("index brought up to date", "reports", r.Files, "new", r.Added, "flags", r.Flags)
		}
	}
	i.done(ctx, err)
}

// done says how it went, and tries again later what failed.
func (i *indexer) done(ctx context.Context, err error) {
	if ctx.Err() != nil {
		return
	}
	if i.state.Trouble = err != nil; err != nil {
		i.s.Log.Warn("the index is not up to date", "error", err, "hint", input.HintOf(err))
		time.AfterFunc(indexAgain, i.again)
	}
	i.s.metrics.SetIndex(i.state)
	i.told()
}
