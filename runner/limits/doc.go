// Package limits reads the limits of a product and judges readings by them.
//
// A limits file is TOML beside the plan. Each table is named check.reading:
//
//	product = "kittiwake-k8"
//	inconclusive = "fail"   # or "error"; see below
//
//	[standby.current]
//	lower = 1          # pass from here ...
//	upper = 12         # ... to here, both included
//	unit  = "uA"       # SI prefixes allowed: 0.012 mA and 12 uA are the same limit
//	why   = "Cell must last a year on the shelf"      # required
//	cause_above   = "leaking filter capacitor"        # what a failure usually means
//	inspect_above = "C4 beside the power switch"      # where to look first
//
//	[link.error_rate]
//	upper = 0.5
//	unit  = "%"
//	rule  = "guarded"  # "simple" (default) or "guarded"
//	guard = 1.0        # guard band in multiples of the expanded uncertainty
//	why   = "..."
//
//	[switches.moves]
//	equal = true       # or a number with unit, or a text
//	why   = "..."
//
//	[sticks.noise]
//	each  = ["left_x", "left_y"]  # for left_x_noise and left_y_noise
//	upper = 0.4
//	unit  = "%"
//	why   = "..."
//
//	[sticks.mode]
//	one_of = ["1", "2"]
//	why    = "..."
//
// The file is read strictly: an unknown key, a lower limit above the upper, a
// missing why or an unknown unit is a [Problem] with its line.
//
// Decision rules. With U the expanded uncertainty of the reading (k = 2):
//
//	simple   lower <= value <= upper passes, anything else fails, whatever U
//	guarded  with w = guard * U:
//	         lower + w <= value <= upper - w   passes (guarded acceptance)
//	         value < lower - w, value > upper + w   fails (guarded rejection)
//	         between: inconclusive, neither is proven
//
// Guarded with guard = 1 is the rule of ISO 14253-1:1998; guard = 0.825 gives
// the 95 % conformance probability of its 2017 edition where U is small beside
// the tolerance (JCGM 106:2012, 8.3, has both guarded rules). A guarded limit
// whose reading states no uncertainty is an error. Agree on the rule with who
// gets the units: simple acceptance lets through nearly half of the units that
// lie just beyond a limit.
//
// Where a reading states its uncertainty, the probability that the true value
// lies within the limits is recorded with it (JCGM 106:2012, 7), under either
// rule. [GlobalRisk] says what a rule lets through over all units made,
// [GuardBand] which guard band keeps that below a given share.
//
// An inconclusive reading never lets its unit pass. With inconclusive = "fail",
// which is also the default, the unit has failed: it is not proven to be within
// its limits, and the report says that this, and not a defect, is the reason.
// With inconclusive = "error" nothing is said of the unit, and it is to be
// measured again, better. There is no "pass": where the uncertainty is at the
// receiver's risk, that is simple acceptance, and the limit says so.
//
// What never passes: a missing value, NaN, infinity, a value of another
// dimension than its limit, of another kind (text for a number), a bound
// ("more than 4 s") that leaves the matter open.
//
// The package is pure: it reads no file, knows no device and no script.
package limits
