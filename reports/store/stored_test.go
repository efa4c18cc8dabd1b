package store

import (
	"context"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/yield"
)

// stored is what both stores promise; [conform] holds them to it. Whoever asks
// one declares what it asks of it.
type stored interface {
	Add(ctx context.Context, items ...Item) (Added, error)
	AddRepairs(ctx context.Context, repairs ...reports.Repair) error
	SetFlags(ctx context.Context, key string, flags []Flag) error
	Counts(ctx context.Context, s Selection) (yield.Counts, error)
	Trend(ctx context.Context, s Selection, by By) ([]yield.Group, error)
	Checks(ctx context.Context, s Selection) ([]yield.CheckCount, error)
	Failures(ctx context.Context, s Selection, kind FailureKind) ([]yield.FailureCount, error)
	Aborts(ctx context.Context, s Selection, most int) ([]yield.UnitAborts, error)
	Cycle(ctx context.Context, s Selection) (yield.Histogram, error)
	Moments(ctx context.Context, s Selection) ([]yield.Moments, error)
	Series(ctx context.Context, s Selection, reading string, first bool, limit int) (yield.Series, error)
	GoldenSeries(ctx context.Context, s Selection, reading string, limit int) (yield.Series, error)
	Runs(ctx context.Context, s Selection, f RunFilter, after string, limit int) ([]Run, error)
	Run(ctx context.Context, run string) (Run, error)
	Report(ctx context.Context, run string) (archive.Sealed, error)
	History(ctx context.Context, product, serial string) ([]Run, []reports.Repair, error)
	Repairs(ctx context.Context, s Selection, limit int) ([]reports.Repair, error)
	Values(ctx context.Context, field By) ([]string, error)
	Readings(ctx context.Context, product string) ([]string, error)
	Flags(ctx context.Context, s Selection) ([]Flag, error)
	Stations(ctx context.Context) ([]StationState, error)
	Close() error
}

var (
	_ stored = (*Index)(nil)
	_ stored = (*Plant)(nil)
)
