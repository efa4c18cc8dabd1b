// Package repair serves the pages of the repair bench: a unit that failed is
// scanned, the page says where and why and shows good units beside it, and
// what was found and done is written down.
//
//	/repair/            units that wait for repair, and those lately repaired
//	/repair/scan        ?text= of a scanner: leads to the unit
//	/repair/unit        ?serial= and perhaps &run=: one unit; POST writes a repair down
//	/repair/hints       how often the suggested cause was the one found
//	/repair/record      ?suggested= or ?found=: the repairs behind a figure
//	/repair/?run=       leads to the unit of a run
//
// All of it works without a script, by keyboard and scanner. What is written
// down is sealed by the archive at once and never changed; the form carries an
// ID of its own, so that the same form sent twice is one repair. The pages
// judge nothing: a unit is sound again when it has passed at the line.
//
// A unit waits for repair when its newest judged run failed, more often than
// the line tests again by itself, and no repair has been written down since.
// Good units shown beside it are those whose first judged run passed, of the
// same lot and nest where there are enough, else of the lot, else of the
// product; golden units and reports with a flag are not among them.
package repair
