package store

import (
	"errors"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// Errors of the stores.
var (
	ErrUnknown  = errors.New("not in the store")
	ErrConflict = errors.New("another report of the same run is in the store")
)

// Item is a sealed report on its way into a store.
type Item struct {
	Sealed archive.Sealed // proved by [reports.Load]
	File   string         // within the station's archive, with slashes
	// Size and Modified of the file, for [Reconcile]; zero at a plant.
	Size     int64
	Modified time.Time
	// Attachments by their SHA-256; a plant keeps them, a station does not.
	Attachments map[string][]byte
}

// Added is what became of the items of one Add.
type Added struct{ New, Known int }

// Selection says which runs a question is about. Fields left empty do not
// narrow it. Units are selected by their first judged run.
type Selection struct {
	Since, Until time.Time // of the run's beginning: Since <= t < Until; kept to half hours by everything that counts
	Product      string
	Revision     string
	Lot          string
	Station      string
	Nest         string
	Operator     string
	// Zone is where days and shifts begin at midnight and at Shifts; nil is
	// UTC. Zones that are not a multiple of 30 minutes from UTC are rounded.
	Zone *time.Location
	// Shifts are the times of day at which shifts begin, after midnight and
	// ascending, multiples of 30 minutes; none means 06:00, 14:00, 22:00.
	Shifts []time.Duration
}

// By is what to group by, or a field of a run.
type By string

// What a Trend may be grouped by. Values takes those from Product on.
const (
	ByHour     By = "hour"
	ByShift    By = "shift"
	ByDay      By = "day"
	ByWeek     By = "week" // ISO 8601, beginning on Monday
	ByMonth    By = "month"
	ByProduct  By = "product"
	ByRevision By = "revision"
	ByLot      By = "lot"
	ByStation  By = "station"
	ByNest     By = "nest" // as "LQ-1 A", station and nest
	ByOperator By = "operator"
)

// FailureKind is what failures are counted by.
type FailureKind string

// The kinds of failure.
const (
	ByCheck   FailureKind = "check"
	ByReading FailureKind = "reading"
	ByCause   FailureKind = "cause"
)

// RunFilter narrows a list of runs further. Fields left empty do not.
type RunFilter struct {
	SerialNumber string
	Outcome      reports.Outcome
	Check        string // that failed
	Reading      string // check.reading that failed
	Cause        string // rule or words of the likeliest cause, with where: see [reports.Cause.String]
	First        bool   // first judged runs only
	Flagged      bool   // with a flag only
	CutShort     bool   // that broke a limit and were then cut short
}

// Run is one run as the index knows it.
type Run struct {
	Run      string          `json:"run"`
	Unit     reports.Unit    `json:"unit"`
	Station  string          `json:"station"`
	Nest     string          `json:"nest"`
	Operator string          `json:"operator,omitempty"`
	Attempt  int             `json:"attempt"` // as the station counted
	First    bool            `json:"first"`   // the unit's first judged run, over all stations
	Started  time.Time       `json:"started"`
	Ended    time.Time       `json:"ended"`
	Outcome  reports.Outcome `json:"outcome"`
	// CutShort: it broke a limit and was then cut short. It counts as a judged
	// run that did not pass.
	CutShort  bool             `json:"cut_short,omitempty"`
	Reason    *reports.Reason  `json:"reason,omitempty"`
	Failed    []string         `json:"failed,omitempty"` // readings that failed, "check.reading"; checks without one
	Where     string           `json:"where,omitempty"`  // of several like parts the cause is in
	Cause     string           `json:"cause,omitempty"`  // the likeliest, in the product's words
	Rule      string           `json:"rule,omitempty"`   // of that cause
	Part      string           `json:"part,omitempty"`   // of the handset's drawing
	Simulated bool             `json:"simulated,omitempty"`
	Number    int64            `json:"number"` // in its station's chain
	SHA256    string           `json:"sha256"`
	File      string           `json:"file,omitempty"`
	Clock     []reports.Reason `json:"clock,omitempty"` // how the station's clock was set before the run, or during it
	Flag      string           `json:"flag,omitempty"`  // why it is not counted, "" if it is
}

// Flag says that a report is not as it was sealed, or is missing.
type Flag struct {
	Run     string `json:"run,omitempty"` // "" where the file no longer tells
	Station string `json:"station"`
	File    string `json:"file"`
	Kind    string `json:"kind"` // "changed", "removed", "inserted", "contradicts"
	Text    string `json:"text"` // what was found, for people
}

// StationState is how far a station's reports have come.
type StationState struct {
	Station string    `json:"station"`
	Key     string    `json:"key"`    // public Ed25519 key, lower-case hex
	Number  int64     `json:"number"` // highest such that all reports up to it are here
	SHA256  string    `json:"sha256"` // of that report
	Reports int64     `json:"reports"`
	Newest  time.Time `json:"newest"` // when the newest run began
}
