package reports

import "time"

// Schema names the layout of a sealed report. It changes when a reader of the
// old layout would misread the new one.
const Schema = "fullthrow-report/1"

// Report is what a run found: the fold of its events.
type Report struct {
	Schema   string    `json:"schema"`
	Start              // run, station, nest, unit, ...
	Started  time.Time `json:"started"`
	Ended    time.Time `json:"ended"`
	Outcome  Outcome   `json:"outcome"`
	Reason   string    `json:"reason,omitempty"`
	Hint     string    `json:"hint,omitempty"`
	Checks   []Check   `json:"checks"`
	Captures []Capture `json:"captures,omitempty"`
	Prompts  []Prompt  `json:"prompts,omitempty"`
	Faults   []Fault   `json:"faults,omitempty"`
	Notes    []string  `json:"notes,omitempty"` // made outside any check
	Bench    string    `json:"bench,omitempty"` // what BenchReady found
	// Unsafe says what could not be put into its safe state, "" if all was.
	Unsafe string `json:"unsafe,omitempty"`
	// Events is the number of events folded.
	Events int64 `json:"events"`
}
