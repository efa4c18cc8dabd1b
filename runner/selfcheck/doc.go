// Package selfcheck shows that the numbers are right on the computer it runs
// on: it computes values that were published elsewhere, with the functions that
// judge units, and compares.
//
// The values are the files catalogue/*.toml, one for each area. A row names the
// function that is called, what it is given, the value as its source prints it,
// and the source:
//
//	area = "intervals"
//
//	[[call]]
//	name       = "81-of-263"                # area.name.of is the value's id
//	what       = "81 of 263, 95 %"
//	function   = "statistics.Wilson"        # one of those in Functions
//	args       = [81, 263, 0.95]
//	source     = "Newcombe 1998, Statistics in Medicine 17, 857-872, Table I"
//	provenance = "from memory"
//	note       = "without continuity correction"
//	values = [
//	  { of = "lower", want = ".2553" },
//	  { of = "lower", as = "lower-digits", want = "0.2552885199", provenance = "re-computed" },
//	]
//
// The difference that is allowed is half a unit in the last place of want,
// unless the row says relative = or allowed =. A text = must be met exactly.
//
// Provenance says how far to trust a value: "published" was seen in print or in
// a transcription of it, "re-computed" was worked out with other software from
// the formula of the source, "common practice" has no standard behind it,
// "from memory" is a print that was not opened again.
//
// Nothing is computed here that the program does not compute for units: a row
// whose value no function of the program gives does not belong here. The
// package imports no concrete driver; package main hands in the functions that
// read wires.
package selfcheck
