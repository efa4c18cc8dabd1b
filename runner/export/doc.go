// Package export makes rows of the records for other programs: runs, readings,
// failures and repairs, as CSV or JSON Lines.
package export
