package drivers

import "slices"

// Hazard is what a device drives, and so can hurt people with as long as it is
// not in its safe state. The zero value says nothing about it; then the device
// counts as able to hurt.
type Hazard string

// The hazards, as tables of models and bench files name them.
const (
	Power  Hazard = "power"  // a voltage or current at the unit or in the fixture
	Motion Hazard = "motion" // something that moves and can pinch or strike
	Radio  Hazard = "radio"  // something that transmits
	// Nothing: it reads, or what it sets hurts nobody in any state.
	Nothing Hazard = "nothing"
	// ByOutputs stands in tables of models only: a board drives what the bench
	// file says of each of its outputs.
	ByOutputs Hazard = "by outputs"
)

// Hazards lists what an output can be said to drive.
func Hazards() []Hazard { return []Hazard{Power, Motion, Radio, Nothing} }

// CanHurt reports whether a device that drives all of these can hurt somebody.
// Only one that is known to drive nothing cannot: an empty list can.
func CanHurt(drives []Hazard) bool {
	return len(drives) == 0 || slices.ContainsFunc(drives, func(h Hazard) bool { return h != Nothing })
}
