package reports

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Longest texts of a repair, in characters.
const (
	maxRepairName = 80
	maxRepairText = 2000
)

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

// Check returns the repair as it is written down, against the run it answers.
func (r Repair) Check(of Report) (Repair, error) {
	refuse := func(hint, format string, args ...any) (Repair, error) {
		return Repair{}, &HintedError{Err: fmt.Errorf("repair: "+format, args...), Hint: hint}
	}
	if !ValidRun(r.ID) {
		return refuse("", "ID %.80q: 1 to 80 letters, digits and hyphens", r.ID)
	}
	if r.At.IsZero() {
		return refuse("", "it says not when")
	}
	r.At = r.At.Round(0).UTC()
	if r.Run != of.Run {
		return refuse("", "run %.80q is not %.80q", r.Run, of.Run)
	}
	if r.Unit == (Unit{}) {
		r.Unit = of.Unit
	}
	if r.Unit != of.Unit {
		return refuse("scan the unit that is on the bench", "unit %.80q is not %.80q, the unit of run %s",
			r.Unit.SerialNumber, of.Unit.SerialNumber, of.Run)
	}
	if of.Outcome != Failed {
		return refuse("run the unit again; if it fails, repair it", "run %s did not fail (%s): there is nothing to "+
			"repair yet", of.Run, of.Outcome)
	}
	for _, t := range []struct {
		name  string
		text  *string
		lines bool
		most  int
	}{{"by", &r.By, false, maxRepairName}, {"part", &r.Part, false, maxRepairName}, {"text", &r.Text, true,
		maxRepairText}} {
		*t.text = CleanText(*t.text, t.lines)
		if n := utf8.RuneCountInString(*t.text); n > t.most {
			return refuse("say it in fewer words", "%s has %d characters, at most %d are kept", t.name, n, t.most)
		}
	}
	if !slices.Contains(Findings(), r.Found) && !validRule(r.Found) {
		return refuse("one of "+strings.Join(Findings(), ", ")+", or the name of a rule of the product's causes",
			"found %.80q is no finding", r.Found)
	}
	if !slices.Contains(Remedies(), r.Done) {
		return refuse("one of "+strings.Join(Remedies(), ", "), "done %.80q is no remedy", r.Done)
	}
	r.Suggested = ""
	if len(of.Causes) > 0 {
		r.Suggested = of.Causes[0].Rule
	}
	return r, nil
}

// validRule reports whether a text may be the name of a cause rule.
func validRule(s string) bool {
	for _, c := range s {
		if c != '-' && !(c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z') {
			return false
		}
	}
	return len(s) >= 1 && len(s) <= maxRepairName
}

// CleanText is s without characters that draw nothing and could mislead a
// reader: controls become blanks, marks that turn the direction of writing go.
// Ends of lines stay where lines are wanted.
func CleanText(s string, lines bool) string {
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\r\n", "\n")
	s = strings.Map(func(c rune) rune {
		switch {
		case c == '\n' && lines:
			return c
		case unicode.IsControl(c), c == '\u2028', c == '\u2029':
			return ' '
		case c >= '\u202a' && c <= '\u202e', c >= '\u2066' && c <= '\u2069', c == '\u200e', c == '\u200f',
			c == '\ufeff':
			return -1
		}
		return c
	}, s)
	return strings.TrimSpace(s)
}

// Brief is what somebody else wrote, as there is room for it: on one line, at
// most n characters.
func Brief(s string, n int) string {
	s = CleanText(s, false)
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}
