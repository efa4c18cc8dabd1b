package reports

import "time"

// Schema names the layout of a sealed report. It changes when a reader of the
// old layout would misread the new one.
const Schema = "fullthrow-report/1"

// Report is what a run found: the fold of its events.
type Report struct {
	Schema  string    `json:"schema"` // layout of the report
	Start             // run, station, nest, unit, ...
	Started time.Time `json:"started"` // when the run began by the station's clock, UTC
	// time of the last event, UTC: Started and the time that went by since, whatever was done to the clock meanwhile
	Ended   time.Time `json:"ended"`
	Outcome Outcome   `json:"outcome"`
	Reason  *Reason   `json:"reason,omitempty"` // why it did not pass
	// CutShort says that the run broke a limit, or failed a check, and was then cut short; see WasCutShort. It
	// stands before the checks, for who reads no further.
	CutShort bool      `json:"cut_short,omitempty"`
	Causes   []Cause   `json:"causes,omitempty"`   // what may be wrong with a unit that failed, the likeliest first
	Checks   []Check   `json:"checks"`             // in the order in which they began
	Captures []Capture `json:"captures,omitempty"` // raw data and plots
	Prompts  []Prompt  `json:"prompts,omitempty"`  // questions to the operator and their answers
	Faults   []Fault   `json:"faults,omitempty"`   // of the bench
	Notes    []string  `json:"notes,omitempty"`    // made outside any check
	Bench    string    `json:"bench,omitempty"`    // what BenchReady found
	Unsafe   []Unsafe  `json:"unsafe,omitempty"`   // what was left able to hurt people
	Stood    []Stood   `json:"stood,omitempty"`    // how its machines came to stand
	Clock    []Reason  `json:"clock,omitempty"`    // how the clock was set before the run, or during it
	// Guardian is what its guardian did once the program was gone: [GuardianSafe],
	// [GuardianUnsafe] or [RunnerStuck].
	Guardian *Reason `json:"guardian,omitempty"`
	// Events is the number of events folded.
	Events int64 `json:"events"`
}

// WasCutShort says that the run broke a limit, or failed a check, and was then
// cut short: aborted, or ended by a fault of the bench or an error of the plan.
// It counts as a judged run that did not pass: else whoever stops a run in time
// would have no failure.
func (r *Report) WasCutShort() bool {
	if r.Outcome == Passed || r.Outcome == Failed {
		return false
	}
	missed := func(v Verdict) bool { return v == Fail || v == Inconclusive }
	for i := range r.Checks {
		if missed(r.Checks[i].Verdict) {
			return true
		}
		for k := range r.Checks[i].Readings {
			if missed(r.Checks[i].Readings[k].Verdict) {
				return true
			}
		}
	}
	return false
}
