// Package yield turns counts and readings of many units into what a manager
// and a quality engineer ask: first-pass yield and how sure it is, what fails
// most, whether a reading drifts, whether the process can hold the limit, and
// what differs between lots, stations, revisions and units.
//
// It is pure: counts and values in, structs out; it opens no file and knows no
// store. Times are seconds, shares 0 to 1, values in the unit their series
// names. Every figure that stands for more than it has seen carries an
// interval. Any goroutine may call anything.
package yield
