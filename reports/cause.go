package reports

import "math"

// Cause is what may be wrong with a unit that failed: a guess from its
// readings, by the product's rules, and never a certainty.
type Cause struct {
	Cause string `json:"cause"`           // what is wrong, in the product's words
	Where string `json:"where,omitempty"` // which of several like parts, as people call it
	Part  string `json:"part,omitempty"`  // of the handset's drawing
	// Confidence is this cause's share of all that could have done the same,
	// above 0 and below 1.
	Confidence float64    `json:"confidence"`
	Evidence   []Evidence `json:"evidence,omitempty"` // what speaks for it, and last what speaks against it
	Explains   []string   `json:"explains,omitempty"` // the failed readings it accounts for, as check.reading
	Inspect    string     `json:"inspect,omitempty"`  // what to look at first, in the product's words
	Rule       string     `json:"rule"`               // name of the rule that gave it
}

// String is the cause in one line, with where: "left stick, sideways: play
// between shaft and potentiometer".
func (c Cause) String() string {
	if c.Where == "" {
		return c.Cause
	}
	return c.Where + ": " + c.Cause
}

// Percent is the confidence rounded to 5 %, from 5 to 95, since the number
// stands on experience; it is never 100.
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
