package reports

import "time"

// Repair is what a technician found at a unit that had failed, and did about
// it. It is sealed into the station's record like a report, so what was once
// written down stays.
type Repair struct {
	ID    string    `json:"id"`    // unique: see [NewRunID]
	Run   string    `json:"run"`   // the failed run it answers
	Unit  Unit      `json:"unit"`  // the same as in that run
	At    time.Time `json:"at"`    // when it was written down, UTC
	By    string    `json:"by"`    // who, as given
	Found string    `json:"found"` // one of [Findings], or the name of a rule of the product's causes
	Part  string    `json:"part,omitempty"`
	Done  string    `json:"done"` // one of [Remedies]
	Text  string    `json:"text,omitempty"`
	// Suggested is the rule the report had ranked first, "" if it had none;
	// beside Found it shows how often the hints were right.
	Suggested string `json:"suggested,omitempty"`
}

// NoFaultFound says that the technician found nothing wrong with the unit.
const NoFaultFound = "no-fault-found"

// Scrapped, as what was done, says that the unit does not come back.
const Scrapped = "scrapped"

// Findings are the coded findings that hold for any product; beside these,
// Found may name a rule of the product's causes.
func Findings() []string {
	return []string{NoFaultFound, "assembly", "soldering", "component", "firmware", "damage", "other"}
}

// Remedies are the coded answers to what was done.
func Remedies() []string {
	return []string{"replaced", "resoldered", "reassembled", "adjusted", "cleaned", "reprogrammed", "nothing", Scrapped}
}
