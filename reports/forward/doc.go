// Package forward sends a station's sealed reports to the plant's store. It
// reads the records on disk and nothing else, so that it can neither hold up a
// run nor lose a report: what the plant does not have is sent again, from the
// place in the station's chain that the plant itself names.
package forward
