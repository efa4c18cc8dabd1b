package review

import (
	"context"
	"math"
	"time"

	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// longestMoved is the longest time that is parted into before and since.
const longestMoved = 92 * 24 * time.Hour

// Moved are the readings that lie elsewhere in the last quarter of a period
// than before, by sums alone: where to look first.
type Moved struct {
	Since      time.Time        `json:"since"`      // where the period was parted
	Comparison yield.Comparison `json:"comparison"` // A is before, B since
}

// Matters says that a difference takes a tenth of the limits' room or more, and
// goes towards a limit.
func Matters(d yield.Difference) bool {
	return d.Limit != nil && math.Abs(d.Limit.Share.Value) >= 0.1 && !d.Limit.Inward
}

// moved is nil where the period is too short to be parted, or nothing was read.
func (r *Review) moved(ctx context.Context, q *Question) (*Moved, error) {
	until := q.Runs.Until
	if until.IsZero() || until.After(q.now) {
		until = q.now
	}
	since := q.Runs.Since
	if since.IsZero() || until.Sub(since) > longestMoved {
		since = until.Add(-longestMoved) // what moved lately
	}
	if until.Sub(since) < 2*time.Hour {
		return nil, nil
	}
	split := until.Add(-until.Sub(since) / 4)
	if until.Sub(since) > 7*24*time.Hour {
		y, m, d := split.In(q.Runs.Zone).Date()
		split = time.Date(y, m, d, 0, 0, 0, 0, q.Runs.Zone)
	} else {
		split = split.Truncate(halfHour)
	}
	early, late := q.Runs, q.Runs
	early.Since, early.Until, late.Since = since, split, split
	var sides [2]yield.Side
	read := func(side *yield.Side, sel store.Selection) func() error {
		return func() error {
			moments, err := r.Records.Moments(ctx, sel)
			for _, n := range moments {
				side.Readings = append(side.Readings, yield.Sample{Moments: n})
			}
			return err
		}
	}
	if err := together(read(&sides[0], early), read(&sides[1], late)); err != nil {
		return nil, err
	}
	c := yield.Compare(sides[0], sides[1], yield.CompareOptions{Confidence: q.Confidence})
	if len(c.Readings) == 0 {
		return nil, nil
	}
	return &Moved{split.UTC(), c}, nil
}
