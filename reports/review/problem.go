package review

import (
	"fmt"
	"strings"
)

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
	return &Problem{Code: BadChoice, Args: []any{"name", option, "value", brief(value), "allowed", strings.Join(allowed, ", ")},
		Given: value, Known: allowed}
}

// brief cuts what somebody else wrote to what a sentence bears.
func brief(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}
