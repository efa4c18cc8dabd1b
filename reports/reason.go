package reports

import (
	"strings"
	"time"
)

// Code says why something is as it is: why a run ended as it did, what is wrong
// with the bench, why a check or a reading could not be judged. What people read
// of it is made where their language is known, by package wording; nobody reads
// a sentence back.
type Code string

// Codes of the bench and of what ends a run. Behind each: the arguments of its
// [Reason], beside File and Line, which any code may have.
const (
	DeviceFailed     Code = "device"              // Device, Verb, Kind, Text, Hint
	BenchNotReady    Code = "bench_not_ready"     // Because
	NotSafe          Code = "not_safe"            // Because: the devices
	GuardOpen        Code = "guard_open"          // Nest: before the run
	GuardOpened      Code = "guard_opened"        // during the run
	GuardUnreadable  Code = "guard_unreadable"    // Because: the interlock, which so counts as open
	HeartbeatFailed  Code = "heartbeat_failed"    // Because: the output that keeps the hardware watchdog quiet
	OutOfService     Code = "out_of_service"      // Nest, Because
	StoppedByHand    Code = "stopped_by_operator" // Text: who
	StoppedByStation Code = "stopped_by_station"  // the station's program was ended
	StoppedBySignal  Code = "stopped_by_signal"   // Text: what ended the program: "Ctrl-C"
	Stopped          Code = "stopped"             // Text: by whatever else
	NobodyAsked      Code = "nobody_to_ask"       // Text: the plan's question
	Unrecorded       Code = "unrecorded"          // Text, Hint: the record could not be written in full
	Internal         Code = "internal"            // Text: a defect of fullthrow
	ProgramEnds      Code = "program_ends"        // Text, Hint: the program had to end at once
	// the program goes on taking memory for a plan that could not be stopped
	MemoryLost     Code = "memory_lost"
	MemoryTogether Code = "memory_together" // Size, Count runs: nobody knows which plan took it
	OtherFault     Code = "other_fault"     // Text, Hint: whatever else kept the bench from its work
	Several        Code = "several"         // Because: more than one thing, none before the others
)

// Codes of the station's clock: how far it was set, against the time that went
// by or the newest sealed report.
const (
	ClockBack    Code = "clock_back"     // Seconds, since the run before
	ClockAhead   Code = "clock_ahead"    // Seconds, since the run before
	ClockBackIn  Code = "clock_back_in"  // Seconds, during the run
	ClockAheadIn Code = "clock_ahead_in" // Seconds, during the run
	ClockBehind  Code = "clock_behind"   // Time, Newest: earlier than may be, so that no run begins
	ClockBeyond  Code = "clock_beyond"   // Time, Newest: later than may be, so that no run begins
)

// Codes of the guardian, which makes safe what a program that is gone left on.
const (
	GuardianSafe   Code = "guardian_safe"   // Seconds from when the program was seen gone until all was safe
	GuardianUnsafe Code = "guardian_unsafe" // Because: the devices that it could not make safe
	RunnerStuck    Code = "runner_stuck"    // Seconds without a sign of life; Because: what came of making safe
	Unguarded      Code = "unguarded"       // Text: why there is no guardian; no run begins
)

// Codes of the plan.
const (
	PlanError     Code = "plan_error"     // Text, Hint: Lua's or the plan's own words
	CallFailed    Code = "call_failed"    // Text, Hint: a call of the plan could not do what it was asked
	CheckDeadline Code = "check_deadline" // Check, Seconds
	PlanDeadline  Code = "plan_deadline"  // Seconds
	PlanOverdue   Code = "plan_overdue"   // Seconds: the deadline passed, and the plan went on
	PlanStuck     Code = "plan_stuck"     // Because: in a call that does not come back
	Computing     Code = "computing"      // Seconds: without an end
	MemoryTaken   Code = "memory_taken"   // Size
	TakenTwice    Code = "taken_twice"    // Check, Readings
)

// Codes of a check and of a whole run.
const (
	Missed        Code = "missed"         // Evidence: a reading that is not as its limit wants it
	CheckFailed   Code = "check_failed"   // Check, Because
	NotJudged     Code = "not_judged"     // Check, Because
	NotMeasured   Code = "not_measured"   // Readings, Because
	NoReading     Code = "no_reading"     // Readings that have a limit and never came
	CheckOpen     Code = "check_open"     // the check did not end
	NothingJudged Code = "nothing_judged" // no reading had a limit
	TakesDiffer   Code = "takes_differ"   // Check, Readings that failed, and not when it was taken once more
	CutBefore     Code = "cut_before"     // the record stops before the first check
	CutDuring     Code = "cut_during"     // Check
	CutAfter      Code = "cut_after"      // Check
	CutUnsealed   Code = "cut_unsealed"   // the run had ended, its report was not sealed
	CutDamaged    Code = "cut_damaged"    // Text: the journal lost what it had
	LeftOut       Code = "left_out"       // Readings: checks of the plan that were not begun
	// what a report says of itself that cannot be, see [Report.Contradiction]
	ReadingContradicts Code = "reading_contradicts" // Check, Readings, Text: the verdict
	CheckContradicts   Code = "check_contradicts"   // Check, Text: the verdict
	OutcomeContradicts Code = "outcome_contradicts" // Text: the outcome
	EventsContradict   Code = "events_contradict"   // Count: events that it says there were
	ReportChanged      Code = "report_changed"      // in a history: the report is not as it was sealed, and says nothing
)

// Codes of a reading.
const (
	NoValue             Code = "no_value"
	NotANumber          Code = "not_a_number"
	NotFinite           Code = "not_finite"
	UnknownUnit         Code = "unknown_unit"          // Unit, Text: units that may be meant
	UnitWithoutNumber   Code = "unit_without_number"   // Unit
	UnknownBound        Code = "unknown_bound"         // Text
	BoundWithoutNumber  Code = "bound_without_number"  // Text
	BadUncertainty      Code = "bad_uncertainty"       //
	UncertaintyOfNone   Code = "uncertainty_of_none"   // given for what is no number
	UncertaintyMissing  Code = "uncertainty_missing"   // the limit is guarded
	UncertaintyTooLarge Code = "uncertainty_too_large" // no value could pass
	OtherKind           Code = "other_kind"            // Kind, of the limit: "numbers"; Text: the value
	OtherDimension      Code = "other_dimension"       // Unit; LimitUnit
	NearLimit           Code = "near_limit"            // nearer than the guard band
	OnlyMore            Code = "only_more"             // known to be more than this
	OnlyLess            Code = "only_less"             // known to be less than this
	// known from one side, and there are single values to compare with
	OneSided            Code = "one_sided"
	InconclusiveIsError Code = "inconclusive_is_error" // Because
	UnknownVerdict      Code = "unknown_verdict"       // Text
	BadLimit            Code = "bad_limit"             // not finite
	PassedWithoutValue  Code = "passed_without_value"
	PassedWithoutLimit  Code = "passed_without_limit"
	PassedOutside       Code = "passed_outside"
)

// Reason is a [Code] with its arguments.
type Reason struct {
	Code      Code      `json:"code"`
	Device    string    `json:"device,omitempty"`     // its role in the bench file
	Verb      string    `json:"verb,omitempty"`       // what it was asked for: "read current"
	Kind      string    `json:"kind,omitempty"`       // of the failure, see drivers.Kind
	Nest      string    `json:"nest,omitempty"`       // place in the station
	Check     string    `json:"check,omitempty"`      // name in the plan
	Readings  []string  `json:"readings,omitempty"`   // names within Check
	Evidence  *Evidence `json:"evidence,omitempty"`   // the reading that missed its limit
	File      string    `json:"file,omitempty"`       // of the plan
	Line      int       `json:"line,omitempty"`       // of File
	Unit      string    `json:"unit,omitempty"`       // as the plan wrote it
	LimitUnit string    `json:"limit_unit,omitempty"` // as the limit has it
	Seconds   float64   `json:"seconds,omitempty"`    // s
	Size      int64     `json:"size,omitempty"`       // bytes
	Count     int       `json:"count,omitempty"`      // how many
	Text      string    `json:"text,omitempty"`       // somebody else's words: a device's, the plan's, the system's
	Hint      string    `json:"hint,omitempty"`       // what to do, in somebody else's words
	Time      time.Time `json:"time,omitzero"`        // what the clock says
	Newest    time.Time `json:"newest,omitzero"`      // end of the newest sealed report
	Because   []Reason  `json:"because,omitempty"`    // what it comes from
}

// CodeText is the code, "" where there is no reason.
func (r *Reason) CodeText() string {
	if r == nil {
		return ""
	}
	return string(r.Code)
}

// CodeTexts are the codes of reasons, with a blank between them.
func CodeTexts(list []Reason) string {
	var codes []string
	for i := range list {
		codes = append(codes, list[i].CodeText())
	}
	return strings.Join(codes, " ")
}

// OfPlan reports whether the plan itself is wrong, and nothing of the bench: it
// will end the next run in the same way.
func (r Reason) OfPlan() bool {
	switch r.Code {
	case PlanError, Computing, MemoryTaken, TakenTwice:
		return true
	}
	return false
}

// CutShort reports whether the record of the run stops before its end.
func (r *Reason) CutShort() bool {
	if r == nil {
		return false
	}
	switch r.Code {
	case CutBefore, CutDuring, CutAfter, CutUnsealed, CutDamaged:
		return true
	}
	return false
}

// Relation is what a piece of evidence says of its reading.
type Relation string

// The relations.
const (
	Outside Relation = "outside" // failed; Limit is what was allowed
	Within  Relation = "within"  // passed
	Above   Relation = "above"   // Limit.Lower, of the product's rule
	Below   Relation = "below"   // Limit.Upper, of the rule
	Between Relation = "between" // Limit.Lower and Limit.Upper, of the rule
	Missing Relation = "missing" // not measured; Reading may be a pattern: "sticks.*_noise"
	Ranked  Relation = "ranked"  // no reading: the rule was Right of Count times when it was ranked first
)

// Evidence is one thing that speaks for a cause, or against it.
type Evidence struct {
	Reading  string   `json:"reading,omitempty"` // check.reading
	Relation Relation `json:"relation"`
	Value    *Value   `json:"value,omitempty"`   // of the reading, in Unit
	Bound    string   `json:"bound,omitempty"`   // as in [Reading]
	Unit     string   `json:"unit,omitempty"`    // without prefix
	Limit    *Limit   `json:"limit,omitempty"`   // in Unit
	More     int      `json:"more,omitempty"`    // so many readings more are like it
	Right    int      `json:"right,omitempty"`   // repairs that found the rule right
	Count    int      `json:"count,omitempty"`   // repairs at which it had been ranked first
	Against  bool     `json:"against,omitempty"` // it speaks against the cause
}

// EvidenceOf is what a reading shows in relation to a limit, of which only what
// is allowed is kept.
func EvidenceOf(rd Reading, is Relation, l *Limit) Evidence {
	e := Evidence{Reading: rd.Check + "." + rd.Name, Relation: is, Bound: rd.Bound, Unit: rd.Unit}
	if !rd.Value.IsNone() {
		e.Value = &rd.Value
	}
	if l != nil {
		e.Limit = &Limit{Lower: l.Lower, Upper: l.Upper, Equal: l.Equal, OneOf: l.OneOf, Guard: l.Guard}
	}
	return e
}
