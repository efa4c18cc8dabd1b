package web

import "fullthrow/reports"

// step is what to do with a unit, or a nest, after a run.
type step string

// The steps. The words for them are on the page.
const (
	stepHandOn   step = "hand-on"  // passed
	stepRetest   step = "retest"   // lay it in anew and test it once more
	stepRepair   step = "repair"   // to the repair bench
	stepAgain    step = "again"    // put right what is named, then test the same unit again
	stepEngineer step = "engineer" // the bench needs one
)

// Policy says what follows a run that did not pass.
type Policy struct {
	// Retests is how often a unit that failed is tested again before it goes to
	// repair: a contact may have been poor. 0: never.
	Retests int
	// Faults is after how many runs in a row that the bench could not finish
	// the engineer is called. Below, the same unit is tried again.
	Faults int
}

// StockPolicy is what holds where nothing else is said: one retest, and the
// engineer at the second fault of the bench in a row.
func StockPolicy() Policy { return Policy{Retests: 1, Faults: 2} }

// after is what to do now. failures is how often the unit failed since it last
// passed or was repaired, this run included; faults how many runs in a row the
// bench of the nest could not finish, this one included; out that the nest is
// out of service or not safe.
func (p Policy) after(o reports.Outcome, failures, faults int, out bool) step {
	switch {
	case out:
		return stepEngineer
	case o == reports.Passed:
		return stepHandOn
	case o == reports.Failed && failures <= p.Retests:
		return stepRetest
	case o == reports.Failed:
		return stepRepair
	case o == reports.Errored && faults >= p.Faults:
		return stepEngineer
	}
	return stepAgain
}
