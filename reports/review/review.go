package review

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
	"fullthrow/reports/yield"
)

// Records are what answers are made of: a station's index, or a plant's store.
// The methods are those of [store.Index] and [store.Plant].
type Records interface {
	Counted
	Measured
	Listed
}

// Counted are runs added up.
type Counted interface {
	Counts(ctx context.Context, s store.Selection) (yield.Counts, error)
	Trend(ctx context.Context, s store.Selection, by store.By) ([]yield.Group, error)
	Checks(ctx context.Context, s store.Selection) ([]yield.CheckCount, error)
	Failures(ctx context.Context, s store.Selection, kind store.FailureKind) ([]yield.FailureCount, error)
	Aborts(ctx context.Context, s store.Selection, most int) ([]yield.UnitAborts, error)
	Cycle(ctx context.Context, s store.Selection) (yield.Histogram, error)
	Flags(ctx context.Context, s store.Selection) ([]store.Flag, error)
}

// Measured are readings over runs.
type Measured interface {
	Readings(ctx context.Context, product string) ([]string, error)
	Moments(ctx context.Context, s store.Selection) ([]yield.Moments, error)
	Series(ctx context.Context, s store.Selection, reading string, first bool, limit int) (yield.Series, error)
	GoldenSeries(ctx context.Context, s store.Selection, reading string, limit int) (yield.Series, error)
}

// Listed are runs one by one.
type Listed interface {
	Runs(ctx context.Context, s store.Selection, f store.RunFilter, after string, limit int) ([]store.Run, error)
	Run(ctx context.Context, run string) (store.Run, error)
	Report(ctx context.Context, run string) (archive.Sealed, error)
	History(ctx context.Context, product, serial string) ([]store.Run, []reports.Repair, error)
	Repairs(ctx context.Context, s store.Selection, limit int) ([]reports.Repair, error)
	Values(ctx context.Context, field store.By) ([]string, error)
}

// Review answers. Its methods may be called from any goroutine and obey ctx;
// errors that are no [*Problem] are those of the records.
type Review struct {
	Records Records
	Where   string           // what the records are called, for people; optional
	Now     func() time.Time // whose location is the plant's; optional
	Shifts  []time.Duration  // when its shifts begin, as in [store.Selection]; optional
	// Serials are the serial numbers that a scan may hold, the likeliest first;
	// optional.
	Serials func(scan string) []string
	// Progress is told of what takes long, from any goroutine; optional.
	Progress func(what string, done, total int)
}

func (r *Review) now() time.Time {
	if r.Now == nil {
		return time.Now()
	}
	return r.Now()
}

// About says which runs an answer is about; part of all answers.
type About struct {
	Where      string     `json:"where,omitempty"`
	Period     string     `json:"period,omitempty"` // the word that the span comes from
	Since      *time.Time `json:"since,omitempty"`
	Until      *time.Time `json:"until,omitempty"` // exclusive
	Product    string     `json:"product,omitempty"`
	Revision   string     `json:"revision,omitempty"`
	Lot        string     `json:"lot,omitempty"`
	Station    string     `json:"station,omitempty"`
	Nest       string     `json:"nest,omitempty"`
	Operator   string     `json:"operator,omitempty"`
	Zone       string     `json:"zone"` // of days and shifts
	Confidence float64    `json:"confidence"`
	// NotCounted are reports that are not as they were sealed, or are missing.
	NotCounted []store.Flag `json:"not_counted"`
	// Simulated: at least the newest run is of a simulated unit.
	Simulated bool `json:"simulated,omitempty"`
	// Newest is when the newest run of the selection began.
	Newest *time.Time `json:"newest,omitempty"`
}

// about also refuses values that occur nowhere in the records: a mistyped lot
// must not look like one that was never tested.
func (r *Review) about(ctx context.Context, q *Question) (About, error) {
	s := q.Runs
	a := About{
		Where: r.Where, Period: q.Period, Since: moment(s.Since), Until: moment(s.Until), Product: s.Product,
		Revision: s.Revision,
		Lot:      s.Lot, Station: s.Station, Nest: s.Nest, Operator: s.Operator, Zone: q.now.Format("MST"),
		Confidence: q.Confidence,
		NotCounted: []store.Flag{},
	}
	if err := r.known(ctx, s); err != nil {
		return a, err
	}
	flags, err := r.Records.Flags(ctx, s)
	if err != nil {
		return a, err
	}
	a.NotCounted = append(a.NotCounted, flags...)
	newest, err := r.newest(ctx, s)
	if newest != nil {
		a.Newest, a.Simulated = moment(newest.Started), newest.Simulated
	}
	return a, err
}

func moment(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// newest is the newest run of a selection, nil if there is none.
func (r *Review) newest(ctx context.Context, s store.Selection) (*store.Run, error) {
	runs, err := r.Records.Runs(ctx, s, store.RunFilter{}, "", 1)
	if err != nil || len(runs) == 0 {
		return nil, err
	}
	return &runs[0], nil
}

// known refuses what occurs nowhere.
func (r *Review) known(ctx context.Context, s store.Selection) error {
	nest := s.Nest
	if nest != "" && s.Station != "" {
		nest = s.Station + " " + nest // as the store names it
	}
	for _, f := range []struct {
		by    store.By
		value string
	}{
		{store.ByProduct, s.Product}, {store.ByRevision, s.Revision}, {store.ByLot, s.Lot}, {store.ByNest, nest},
		{store.ByStation, s.Station}, {store.ByOperator, s.Operator},
	} {
		if f.value == "" {
			continue
		}
		values, err := r.Records.Values(ctx, f.by)
		if err != nil {
			return err
		}
		if f.by == store.ByNest {
			for _, v := range values {
				_, nest, _ := cutNest(v)
				values = append(values, nest)
			}
		}
		if !slices.Contains(values, f.value) {
			return &Problem{Code: BadNone, Args: []any{"name", string(f.by), "value", brief(f.value)}, Given: f.value,
				Known: values}
		}
	}
	return nil
}

// cutNest parts "LQ-1 A", as the store names a nest.
func cutNest(s string) (station, nest string, ok bool) {
	i := strings.LastIndexByte(s, ' ')
	if i < 0 {
		return "", s, false
	}
	return s[:i], s[i+1:], true
}

// Why a selection has no judged first runs.
const (
	EmptyUnjudged = "unjudged" // it has runs, none of which judged a unit that counts
	EmptyPeriod   = "period"   // there are runs outside of its period
	EmptyChoice   = "choice"   // there are runs, but none of this product, lot, ...
	EmptyRecord   = "record"   // there is no run at all
)

// Empty says why there is nothing in a selection, and which is the newest run
// there is instead: of the selection, of it at any time, or of all.
func (r *Review) Empty(ctx context.Context, q *Question) (why string, newest *store.Run, err error) {
	wide := q.Runs
	wide.Since, wide.Until = time.Time{}, time.Time{}
	for _, try := range []struct {
		why string
		s   store.Selection
	}{{EmptyUnjudged, q.Runs}, {EmptyPeriod, wide}, {EmptyChoice, store.Selection{}}} {
		if newest, err = r.newest(ctx, try.s); err != nil || newest != nil {
			return try.why, newest, err
		}
	}
	return EmptyRecord, nil, nil
}

// atOnce is how many questions are put to the records side by side.
const atOnce = 4

// together asks several things side by side; the first error counts.
func together(ask ...func() error) error {
	errs := make([]error, len(ask))
	slots := make(chan struct{}, atOnce)
	var wg sync.WaitGroup
	for i, f := range ask {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			errs[i] = reports.Caught(f)
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// progress tells how far something is.
func (r *Review) progress(what string, done, total int) {
	if r.Progress != nil {
		r.Progress(what, done, total)
	}
}

// Problem is why a question cannot be answered as it was put. Words for it are
// made by whoever shows it.
type Problem struct {
	Code string // see below
	// Args are what it is about: name, value, name, value, ... An option's name
	// is the value of "name".
	Args []any
	// Given was not understood, and may have been meant to be one of Known.
	Given string
	Known []string
}

// The codes of problems. Those of options have its "name" and the "value" that
// was given.
const (
	BadOption     = "option"     // the question takes no option "name"
	BadCharacters = "characters" // there is something in it that cannot be shown
	BadLong       = "long"       // longer than "count" characters
	BadChoice     = "choice"     // none of those "allowed"
	BadNumber     = "number"     // not a number
	BadWhole      = "whole"      // not a whole number from "least" on
	BadPercent    = "percent"    // no percentage, or a confidence not from 50 to under 100
	BadShare      = "share"      // a share of 1 where per cent are meant
	BadSeconds    = "seconds"    // no length of time
	BadWhen       = "when"       // no time or period; "zone" is that of times
	BadCalendar   = "calendar"   // a day or week that no calendar has
	BadOrder      = "order"      // the end is not after the beginning
	BadPeriod     = "period"     // both a period and its ends are given
	BadShifts     = "shifts"     // not times of day in order, at full or half hours
	BadCutting    = "cutting"    // both by and every are given
	BadRange      = "range"      // a range of values without its reading
	BadNone       = "none"       // a value that occurs nowhere in the record
	BadReading    = "reading"    // there is no such reading
	BadUnit       = "unit"       // no run of such a unit
	BadRun        = "run"        // there is no such run, or it is not of this unit
	BadChart      = "chart"      // a chart of the yield for a reading, or the other way round
	BadYield      = "yield"      // the option says nothing of the yield
	BadSide       = "side"       // what is to be compared does not exist
	BadSides      = "sides"      // "a" and "b" are not of a kind
	BadSame       = "same"       // the two sides are the same
	BadAmbiguous  = "ambiguous"  // it may mean several things: "allowed"
	BadNarrow     = "narrow"     // an option leaves nothing of a side
	BadNoRuns     = "no_runs"    // a side has no judged run here
)

// Error is for logs and tests.
func (p *Problem) Error() string {
	var b strings.Builder
	for i := 0; i+1 < len(p.Args); i += 2 {
		fmt.Fprintf(&b, " %v=%v", p.Args[i], p.Args[i+1])
	}
	return "review: " + p.Code + b.String()
}

// Arg is the value of an argument as text, "" where there is none.
func (p *Problem) Arg(name string) string {
	for i := 0; i+1 < len(p.Args); i += 2 {
		if p.Args[i] == name {
			return fmt.Sprint(p.Args[i+1])
		}
	}
	return ""
}

func problem(code string, args ...any) *Problem { return &Problem{Code: code, Args: args} }

// choice is a value that is none of those allowed.
func choice(option, value string, allowed []string) *Problem {
	return &Problem{Code: BadChoice, Args: []any{"name", option, "value", brief(value), "allowed",
		strings.Join(allowed, ", ")},
		Given: value, Known: allowed}
}

// brief cuts what somebody else wrote to what a sentence bears.
func brief(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}
