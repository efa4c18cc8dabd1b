// Package limits reads the limits of a product and judges readings by them.
//
// A limits file is TOML beside the plan. Each table is named check.reading:
//
//	product = "kittiwake-k8"
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
// Decision rules. Simple acceptance: lower <= value <= upper passes, anything
// else fails, whatever the uncertainty. Guarded: with w = guard * U, where U is
// the reading's expanded uncertainty (k = 2), pass from lower + w to upper - w,
// fail below lower - w and above upper + w, inconclusive between (the rule of
// ISO 14253-1:1998 with guard = 1; guard = 0.83 gives the 95 % conformance
// probability of its 2017 edition where U is small beside the tolerance). A
// guarded limit whose reading states no uncertainty is an error.
//
// What never passes: a missing value, NaN, infinity, a value of another
// dimension than its limit, of another kind (text for a number), a bound
// ("more than 4 s") that leaves the matter open.
//
// The package is pure: it reads no file, knows no device and no script.
package limits
