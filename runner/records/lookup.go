package records

import (
	"context"
	"errors"
	"fmt"
	"io"

	"fullthrow/reports/archive"
	"fullthrow/reports/store"
)

// errIncomplete says that an index does not know every report.
var errIncomplete = errors.New("the index is not up to date")

// LookUp has the archive look up in an index what it does not read at the start.
// open opens it for each look, or hands out one that stays open.
type LookUp struct {
	Open func(ctx context.Context) (*store.Index, error)
	Stay bool // it stays open
	Errs io.Writer
}

func (l LookUp) ask(f func(ctx context.Context, ix *store.Index) error) error {
	ctx, cancel := context.WithTimeout(context.Background(), indexPatience)
	defer cancel()
	ix, err := l.Open(ctx)
	if err != nil {
		return err
	}
	if !l.Stay {
		for _, note := range ix.Notes() {
			fmt.Fprintln(l.Errs, "note:", note)
		}
		defer ix.Close()
	}
	if ok, err := ix.Current(ctx); err != nil || !ok {
		return errors.Join(err, errIncomplete)
	}
	return f(ctx, ix)
}

// UnitRuns implements [archive.Finder].
func (l LookUp) UnitRuns(product, serial string) (list []archive.Entry, err error) {
	err = l.ask(func(ctx context.Context, ix *store.Index) error {
		list, err = ix.UnitRuns(ctx, product, serial)
		return err
	})
	return list, err
}

// FileOf implements [archive.Finder].
func (l LookUp) FileOf(number int64) (file string) {
	_ = l.ask(func(ctx context.Context, ix *store.Index) (err error) { // then the archive finds it by itself
		file, err = ix.FileOf(ctx, number)
		return err
	})
	return file
}
