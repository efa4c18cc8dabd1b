// Package reports is the record of what happened to a unit: events in one
// order, the journal that keeps them on disk before anyone is told, the report
// that is their fold, and the sealed files of an archive.
//
// A run's journal is the only source: [Fold] makes the same report from the
// journal on disk as from the events in memory. A sealed report is one JSON
// file; each names the SHA-256 of the station's previous one and is signed
// (Ed25519), so that a report that was changed, removed or slipped in is found
// by [Verify]. What a technician finds and does about a failed unit is sealed
// the same way ([Repair]). Values are SI without prefix, times RFC 3339 in UTC.
//
// Beside these: the page and the table made of one report ([WriteHTML],
// [WriteCSV]), its layout (report.schema.json), quantities as people read them
// ([FormatQuantity]), and what a scanner may give as a serial number
// ([SerialFormat]).
//
// Who may call what: one process holds an [Archive]; within it any goroutine
// may call anything. [Verify], [Load], [Files] and [ReadRepairs] only read, and
// may run beside it.
//
// It knows neither the bench nor scripts: whoever runs a unit feeds it events.
package reports
