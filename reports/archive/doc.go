// Package archive keeps a station's records: the journal on disk before anyone
// is told of an event, the sealed reports, and the sealed repairs.
//
// A sealed report is one JSON file; each names the SHA-256 of the station's
// previous one and is signed (Ed25519), so that a report that was changed,
// removed or slipped in is found by [Verify]. Repairs are sealed the same way.
//
// Who may call what: one process holds an [Archive]; within it any goroutine
// may call anything. [Verify], [Load], [Files] and [ReadRepairs] only read, and
// may run beside it.
package archive
