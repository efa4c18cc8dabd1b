// Package reports is the record of what happened to a unit: events in one
// order, the report that is their fold, the values it holds, and what a
// technician finds and does about a failed unit ([Repair]).
//
// A run's journal is the only source: [Fold] makes the same report from the
// journal on disk as from the events in memory. The layout of a report is
// report.schema.json. Values are SI without prefix, times RFC 3339 in UTC.
//
// Who keeps records is in archive, what scanners give in serial, what people
// are shown of one report in page. It knows neither the bench nor scripts:
// whoever runs a unit feeds it events.
package reports
