// Package manager serves the pages for those who answer for a line: each page
// answers one question about many units, and leads from every mark to the units
// behind it.
//
//	/today    How good is today?              yield, units per hour, time lost
//	/fails    What fails?                     Pareto by cause, check or reading
//	/drift    Is it drifting?                 control charts, the golden unit
//	/hold     Can the process hold the limit? capability, histogram
//	/differs  What differs?                   lots, stations, units side by side
//	/unit     What happened to this unit?     history, captures, report, seal
//	/units    the units behind a mark
//
// What is chosen stands in the address, so that a page can be kept and mailed:
// period (or from and to), product, revision, lot, station, nest, operator. Any
// table of a page comes as CSV with format=csv and table=NAME: RFC 4180, UTF-8,
// SI units without prefix, shares as parts of 1.
//
// It asks a [review.Review] for sums and a limited number of newest values, so
// that a page takes as long over a million units as over a thousand, and keeps
// nothing between requests. Every question has an end of its own
// ([Config.Patience]). Days and shifts are those of the plant's time zone.
package manager
