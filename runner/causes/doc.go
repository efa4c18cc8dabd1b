// Package causes ranks what may be wrong with a unit that failed.
//
// A limit says that a reading is wrong; what made it wrong shows in several
// readings together: play shows in the hysteresis of a moved stick and in its
// resting value, a tired spring in the resting value alone. A rule file,
// causes.toml beside the plan, holds such signatures:
//
//	product = "kittiwake-k8"
//	other   = 1                     # weight of what the file does not know
//
//	[name.left_x]                   # what people call it, for where
//	words = "left stick, sideways"
//	part  = "left-stick"            # of the handset's drawing
//
//	[[cause]]
//	name    = "stick-play"
//	cause   = "play between shaft and potentiometer"
//	inspect = "the coupling between the stick's shaft and the potentiometer"
//	each    = ["left_x", "left_y"]  # one rule per name; {each} stands for it in readings
//	often   = 8                     # how often, beside the other rules; 1 if left out
//	all     = [{ reading = "centre.{each}_play", is = "failed" }]
//	none    = [{ reading = "running.current", below = 60, unit = "mA" }]
//	for     = [{ reading = "sticks.{each}_hysteresis", is = "failed", times = 5 }]
//	against = [{ reading = "centre.{each}_noise", is = "failed", times = 4 }]
//	explains = ["centre.{each}_spread"]
//
// A rule fits when all of "all" hold, at least one of "any" (if there is any)
// and none of "none". "for" and "against" are evidence: each that holds makes
// the cause so many times more, or less, likely. A condition names a reading,
// or several with * ("sticks.*_noise", then count = how many must be so), and
// says is = "failed", "kept", "too high", "too low" or "absent", or above and
// below with a unit. "failed" includes inconclusive.
//
// # Confidence
//
// A rule that fits weighs often x the times of the evidence for it / the times
// of the evidence against it. Its confidence is its weight over the weights of
// everything that could have done the same: itself, the rules that fit and
// explain at least one of the same failed readings, and "other". Rules that
// have no failed reading in common do not compete: a unit may have two
// defects. A rule explains the failed readings that its conditions name and
// those listed in "explains". The answer is cut at 95 %: whatever the file
// says, it is a ranking of guesses and never a certainty. Often and times are
// the product's own experience.
//
// # What repairs teach
//
// A repair says which of the rules that explain the same failed readings was
// right, or that none was. [Rules.Learn] takes such repairs and multiplies the
// weight of each rule by a ratio, shared by all names of its each: those ratios
// that make what was found likeliest (each repair is a choice between the rules
// that fit and "other", with chances as their weights), together with the
// file's own weights, which count for as much as 5 repairs that went as they
// say (a gamma prior whose mode is 1). Few repairs so move little, and many move
// the confidence to how often the rule is really right. A ratio stays within 1/8
// and 8, and the cut at 95 % holds: no number of repairs makes a rule certain.
// The evidence then says how often the rule was right when it was ranked first.
// Rehearsals learn nothing: they judge the file as it stands.
//
// The package is pure: it reads no file, knows no device, no script and no
// limits file; values are compared in the unit they were recorded in. Rules
// are never changed after [Parse], also not by Learn, and may be used from several
// goroutines.
package causes
