// Package forward sends a station's sealed reports to the plant's store. It
// reads the records on disk and nothing else, so that it can neither hold up a
// run nor lose a report: what the plant does not have is sent again, from the
// place in the station's chain that the plant itself names.
//
// Nothing on the station's side has to survive for that. Either side may be
// cut off, killed, or put back from an older copy: the next contact finds what
// is missing. A report is one and the same by its run and its hash, so that
// sending it twice changes nothing, and a station is known by its key, so that
// two stations of one name stay apart.
//
// A report whose seal does not fit is not sent: it is told as a [Problem],
// flagged at the plant, and the rest goes on past it. Attachments go with
// their report, proved by their SHA-256 here and at the plant.
//
// Durations are real time; a test that wants them virtual runs in a bubble of
// testing/synctest. One goroutine runs a [Forwarder]; State and Nudge may be
// called from any.
package forward
