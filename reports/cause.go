package reports

import (
	"fmt"
	"math"
)

// Cause is what may be wrong with a unit that failed: a guess from its
// readings, by the product's rules, and never a certainty.
type Cause struct {
	Cause string `json:"cause"`           // what is wrong, in words
	Where string `json:"where,omitempty"` // which of several like parts, as people call it
	Part  string `json:"part,omitempty"`  // of the handset's drawing
	// Confidence is this cause's share of all that could have done the same,
	// above 0 and below 1.
	Confidence float64  `json:"confidence"`
	Evidence   []string `json:"evidence,omitempty"` // what speaks for it, in words, and last what speaks against it
	Explains   []string `json:"explains,omitempty"` // the failed readings it accounts for, as check.reading
	Inspect    string   `json:"inspect,omitempty"`  // what to look at first
	Rule       string   `json:"rule"`               // name of the rule that gave it
}

// AgainstIt begins a line of evidence that speaks against a cause.
const AgainstIt = "against it: "

// String is the cause in one line, with where: "left stick, sideways: play
// between shaft and potentiometer".
func (c Cause) String() string {
	if c.Where == "" {
		return c.Cause
	}
	return c.Where + ": " + c.Cause
}

// Likelihood says in words how sure the cause is: "likely, some 70 %". Percent
// are rounded to 5, since the number stands on experience; it is never 100.
func (c Cause) Likelihood() string {
	return fmt.Sprintf("%s, some %d %%", c.likely(), c.Percent())
}

// likely is the confidence as a word.
func (c Cause) likely() string {
	switch p := c.Percent(); {
	case p >= 85:
		return "very likely"
	case p >= 60:
		return "likely"
	case p >= 30:
		return "possible"
	}
	return "less likely"
}

// Percent is the confidence rounded to 5 %, from 5 to 95.
func (c Cause) Percent() int {
	return min(max(5*int(math.Round(20*c.Confidence)), 5), 95)
}

// distrust drops causes that say nothing or whose confidence is none.
func distrust(list []Cause) []Cause {
	var out []Cause
	for _, c := range list {
		if c.Cause != "" && c.Confidence > 0 && c.Confidence < 1 {
			out = append(out, c)
		}
	}
	return out
}
