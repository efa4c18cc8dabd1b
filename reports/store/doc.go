// Package store is an index of sealed reports: quick to ask, never the truth.
// On a station it is an SQLite file beside the records, made again from the
// report files whenever that is needed; for a plant it is a PostgreSQL
// database that many stations forward their reports to, seals included.
//
// Both have the same methods, held to the same promises by one suite of tests;
// they may be called from any goroutine, obey their context, and their errors
// begin "store: ". Whoever asks a store declares what it asks of it. Selections
// leave out golden units and reports with a flag, except where a method says
// otherwise. Times are UTC, values SI
// without prefix. What is asked often (yield, Pareto, trend, moments of a
// reading) comes from sums kept up to date by every insert, so that answers over
// a million units take a fraction of a second.
//
// # How it is kept
//
// One row each of run, sample and seal holds what lists show of a report, its
// readings, and what proves it. Beside them stand sums, one row (a cell) for
// each day of UTC and each group of runs that have product, revision, lot,
// station, nest and operator in common: counts by half hour, checks, failures,
// times, and the moments of every reading. A selection adds up the cells of its
// whole days and counts the runs at its ends one by one. What can only grow is
// added to; where something goes (a flag, or a first run that turns out not to
// have been the first, since reports may come in any order) the cell is made
// again from its rows. So every answer is what making the index anew would
// give: whole numbers and extremes exactly, means and sums of squares to the
// rounding of their order, some 1e-12 of the value.
//
// For spreadsheets and other programs there are views: see [Views].
//
// # What is cleaned
//
// Times are whole milliseconds, of any year; a run counts as a year at most.
// In texts a NUL and bytes that are no UTF-8 become U+FFFD; names, serial
// numbers and lots keep 160 bytes (a longer one ends in a hash of all of it, and
// is found by the whole), reasons and the like 2,000. The report keeps all.
package store
