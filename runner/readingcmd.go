package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/input"
)

// mostPoints is how many of the newest values a question about one reading
// takes in.
const mostPoints = 50_000

// series reads one reading of the selection; first runs only, if so asked.
func (q *question) series(ctx context.Context, reading string, retests, golden bool) (yield.Series, error) {
	var s yield.Series
	var err error
	if golden {
		s, err = q.store.GoldenSeries(ctx, q.sel, reading, mostPoints)
	} else {
		s, err = q.store.Series(ctx, q.sel, reading, !retests, mostPoints)
	}
	if errors.Is(err, store.ErrUnknown) {
		return s, q.unknownReading(ctx, reading)
	}
	return s, err
}

// unknownReading is the failure for a reading that does not occur, with the one
// that was perhaps meant.
func (q *question) unknownReading(ctx context.Context, reading string) error {
	names, err := q.store.Readings(ctx, q.sel.Product)
	if err != nil {
		return err
	}
	f := input.Usage("%s: there is no reading %q that is a number", q.name, reading)
	if len(names) == 0 {
		return f.Hint("there are no readings in " + q.where + " at all")
	}
	var within, heads []string
	for _, n := range names {
		if strings.Contains(strings.ToLower(n), strings.ToLower(reading)) {
			within = append(within, n)
		}
		check, _, _ := strings.Cut(n, ".")
		if !slices.Contains(heads, check) {
			heads = append(heads, check)
		}
	}
	switch n := input.Near(reading, names); {
	case len(within) > 0 && len(within) <= 8:
		f.Hint("did you mean " + strings.Join(within, " or ") + "?")
	case n != "":
		f.Hint(`did you mean "` + n + `"?`)
	case len(within) > 8:
		f.Hint(fmt.Sprintf("%d readings have that in their name, such as %s", len(within), strings.Join(within[:4], ", ")))
	default:
		f.Hint("readings are named check.reading; the checks are " + strings.Join(heads, ", "))
	}
	return f.Hint("fullthrow capability lists all of them")
}

// pointsWords says what a series is made of: "500 first runs".
func pointsWords(s yield.Series, retests, golden bool) string {
	what := "first run"
	switch {
	case golden:
		what = "run of golden units"
		if len(s.Points) != 1 {
			what = "runs of golden units"
		}
		return fmt.Sprintf("%d %s", len(s.Points), what)
	case retests:
		what = "judged run"
	}
	text := wording.Count(len(s.Points), what)
	if s.Total > int64(len(s.Points)) {
		text = fmt.Sprintf("the newest %d of %d %ss", len(s.Points), s.Total, what)
	}
	return text
}
