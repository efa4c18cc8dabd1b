package reports

import "time"

// Schema names the layout of a sealed report. It changes when a reader of the
// old layout would misread the new one.
const Schema = "fullthrow-report/1"

// Report is what a run found: the fold of its events.
type Report struct {
	Schema   string    `json:"schema"` // layout of the report
	Start              // run, station, nest, unit, ...
	Started  time.Time `json:"started"` // when the run began, UTC
	Ended    time.Time `json:"ended"`   // time of the last event, UTC
	Outcome  Outcome   `json:"outcome"`
	Reason   *Reason   `json:"reason,omitempty"`   // why it did not pass
	Causes   []Cause   `json:"causes,omitempty"`   // what may be wrong with a unit that failed, the likeliest first
	Checks   []Check   `json:"checks"`             // in the order in which they began
	Captures []Capture `json:"captures,omitempty"` // raw data and plots
	Prompts  []Prompt  `json:"prompts,omitempty"`  // questions to the operator and their answers
	Faults   []Fault   `json:"faults,omitempty"`   // of the bench
	Notes    []string  `json:"notes,omitempty"`    // made outside any check
	Bench    string    `json:"bench,omitempty"`    // what BenchReady found
	Unsafe   []Unsafe  `json:"unsafe,omitempty"`   // what was left able to hurt people
	Stood    []Stood   `json:"stood,omitempty"`    // how its machines came to stand
	// Guardian is what its guardian did once the program was gone: [GuardianSafe],
	// [GuardianUnsafe] or [RunnerStuck].
	Guardian *Reason `json:"guardian,omitempty"`
	// Events is the number of events folded.
	Events int64 `json:"events"`
}
