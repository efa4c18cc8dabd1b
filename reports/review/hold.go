package review

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/statistics"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Hold answers whether the process can hold its limits: of one reading a study,
// of all the room they have, the least first.
type Hold struct {
	Schema   string                 `json:"schema"`
	About    About                  `json:"about"`
	Runs     string                 `json:"runs"` // that are counted: "first" or "judged"
	Readings []Room                 `json:"readings,omitempty"`
	Reading  string                 `json:"reading,omitempty"`
	Points   int64                  `json:"points,omitempty"` // in all; Study goes by the newest of Series
	Study    *yield.CapabilityStudy `json:"study,omitempty"`
	Series   *yield.Series          `json:"series,omitempty"`
}

// Room is how much room one reading has. Whether it moves is not looked at.
type Room struct {
	yield.Moments
	SD *float64 `json:"sd,omitempty"` // n - 1
	// Ppk is of all first runs. Bulk as 95 of 100 have it, of the newest 2000:
	// its value is null where these are alike. Readings are ranked by it.
	Ppk  *yield.Estimate `json:"ppk,omitempty"`
	Bulk *yield.Estimate `json:"bulk,omitempty"`
	// Nearer is the limit that these go by, "lower" or "upper".
	Nearer string `json:"nearer,omitempty"`
	// Problem is why there is no index: [yield.NoLimits], [yield.TooFewValues],
	// [yield.Constant] or [yield.LimitsSwapped].
	Problem yield.Code `json:"problem,omitempty"`
}

// FewestValues is how many values an index is made of at least.
const FewestValues = 8

// EnoughRoom is what is usually asked for.
const EnoughRoom = 1.33

// Least is what readings are ranked by; false where there is no index.
func (r Room) Least() (float64, bool) {
	switch {
	case r.Bulk != nil:
		return r.Bulk.Value, true
	case r.Ppk != nil:
		return r.Ppk.Value, true
	}
	return 0, false
}

// Hold answers.
func (r *Review) Hold(ctx context.Context, q Question) (Hold, error) {
	a := Hold{Schema: "fullthrow-hold/1", Reading: q.Reading, Runs: q.runs()}
	var err error
	if a.About, err = r.about(ctx, &q); err != nil {
		return a, err
	}
	if q.Reading == "" {
		a.Readings, err = r.rooms(ctx, &q)
		return a, err
	}
	s, err := r.series(ctx, &q, q.Reading, mostValues)
	if err != nil {
		return a, err
	}
	a.Series, a.Points = &s, s.Total
	o := yield.CapabilityOptions{Name: s.Name, Unit: s.Unit, Confidence: q.Confidence}
	study := s.Capability(o)
	if q.Every > 0 {
		groups, err := yield.Cut(s, yield.Cutting{Every: q.Every})
		if err != nil {
			return a, err
		}
		study = yield.CapabilityOf(groups, yield.Spec{Lower: s.Lower, Upper: s.Upper}, o)
	}
	a.Study = &study
	return a, nil
}

// rooms ranks all readings by the room they have; those without come last.
func (r *Review) rooms(ctx context.Context, q *Question) ([]Room, error) {
	moments, err := r.Records.Moments(ctx, q.Runs)
	if err != nil {
		return nil, err
	}
	rooms := make([]Room, len(moments))
	var ask []func() error
	for i, m := range moments {
		x := &rooms[i]
		if *x = newRoom(m, q.Confidence); x.Ppk == nil {
			continue
		}
		ask = append(ask, func() error {
			r.progress("reading", i+1, len(moments))
			s, err := r.Records.Series(ctx, q.Runs, m.Name, true, mostBulk)
			if err != nil {
				return err
			}
			if e, nearer := bulk(s, q.Confidence); e != nil {
				x.Bulk, x.Nearer = e, nearer
			}
			return nil
		})
	}
	if err := together(ask...); err != nil {
		return nil, err
	}
	slices.SortStableFunc(rooms, func(a, b Room) int {
		x, hasX := a.Least()
		y, hasY := b.Least()
		if hasX != hasY {
			if hasX {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(x, y), cmp.Compare(a.Name, b.Name))
	})
	return rooms, nil
}

func newRoom(m yield.Moments, level float64) Room {
	r := Room{Moments: m}
	if sd := m.SD(); !math.IsInf(sd, 0) && !math.IsNaN(sd) {
		r.SD = &sd
	}
	switch {
	case m.Lower == nil && m.Upper == nil:
		r.Problem = yield.NoLimits
	case m.N < FewestValues:
		r.Problem = yield.TooFewValues
	case r.SD == nil || *r.SD <= 1e-12*math.Abs(m.Mean): // what is left of rounding is no spread
		r.Problem = yield.Constant
	default:
		i := yield.NewIndices(m.Mean, *r.SD, yield.Spec{Lower: m.Lower, Upper: m.Upper})
		if math.IsNaN(i.Cpk) || math.IsInf(i.Cpk, 0) {
			r.Problem = yield.LimitsSwapped
			break
		}
		low, high := yield.CpkInterval(i.Cpk, float64(m.N), float64(m.N-1), level)
		r.Ppk = &yield.Estimate{Value: i.Cpk, Low: low, High: high, Confidence: level, Method: "Bissell"}
		r.Nearer = "upper"
		if m.Upper == nil || m.Lower != nil && i.Cpl < i.Cpu {
			r.Nearer = "lower"
		}
	}
	return r
}

// mostBulk is of how many values median and percentiles are taken.
const mostBulk = 2000

// bulk is Ppk as 95 of 100 units have it, whatever the other 5 do: with the
// median for the mean, and for the spread the distance from there to the 5th
// or 95th percentile, the one on the side of the limit, as in a normal
// distribution (1.645 standard deviations). For normal values, median and
// percentile make use of 64 % and 28 % of what the values tell (asymptotic
// variances), which widens the interval. It is +Inf where the 95 are alike.
func bulk(s yield.Series, level float64) (e *yield.Estimate, nearer string) {
	v := slices.Sorted(slices.Values(s.Values()))
	n := float64(len(v))
	if len(v) < FewestValues {
		return nil, ""
	}
	at := func(share float64) float64 { return statistics.Quantile(v, share) }
	middle, least := at(0.5), math.Inf(1)
	side := func(room, spread float64, name string) {
		k := room / (3 * spread / 1.645)
		if math.IsNaN(k) { // all on the limit, and so within it
			k = math.Inf(1)
		}
		if nearer == "" || k < least {
			least, nearer = k, name
		}
	}
	if s.Upper != nil {
		side(*s.Upper-middle, at(0.95)-middle, "upper")
	}
	if s.Lower != nil {
		side(middle-*s.Lower, middle-at(0.05), "lower")
	}
	e = &yield.Estimate{Value: least, Low: least, High: least, Confidence: level,
		Method: "Bissell, median and 95th percentile"}
	if !math.IsInf(least, 0) {
		e.Low, e.High = yield.CpkInterval(least, 0.64*n, 0.28*(n-1), level)
	}
	return e, nearer
}

// Of how many of the newest values answers are made. Singles on a chart can be
// seen one by one, subgroups cannot.
const (
	mostSingles = 250
	mostValues  = 10_000
	mostGolden  = 200
)

// series reads the newest values of a reading.
func (r *Review) series(ctx context.Context, q *Question, reading string, most int) (yield.Series, error) {
	s, err := r.Records.Series(ctx, q.Runs, reading, !q.Retests, most)
	return s, r.readingErr(ctx, q, reading, err)
}

// readingErr makes an unknown reading a [*Problem], with those there are.
func (r *Review) readingErr(ctx context.Context, q *Question, reading string, err error) error {
	if !errors.Is(err, store.ErrUnknown) {
		return err
	}
	names, err := r.Records.Readings(ctx, q.Runs.Product)
	if err != nil {
		return err
	}
	return &Problem{Code: BadReading, Args: []any{"name", "reading", "value", brief(reading)}, Given: reading,
		Known: names}
}

// golden is a reading of the golden units, whatever the period and lot: the
// bench is older than either. None of them is no error.
func (r *Review) golden(ctx context.Context, q *Question) (*Golden, error) {
	wide := q.Runs
	wide.Since, wide.Until, wide.Lot = time.Time{}, time.Time{}, ""
	s, err := r.Records.GoldenSeries(ctx, wide, q.Reading, mostGolden)
	if err != nil || len(s.Points) == 0 {
		return nil, r.readingErr(ctx, q, q.Reading, err)
	}
	return &Golden{s, yield.FindDrift(s, yield.DriftOptions{})}, nil
}

// Golden is a reading of the golden units, and whether it creeps: then the
// bench does.
type Golden struct {
	Series yield.Series `json:"series"`
	Drift  yield.Drift  `json:"drift"`
}

// passedOnly leaves out the values that broke their limit.
func passedOnly(points []yield.Point) (kept []yield.Point) {
	for _, p := range points {
		if p.Verdict != string(reports.Fail) {
			kept = append(kept, p)
		}
	}
	return kept
}
