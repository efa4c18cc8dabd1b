// Package metrics counts what a station does, for a monitoring system that
// fetches it as OpenMetrics text over HTTP: runs and their outcomes, how long
// runs, checks and operators' answers take, faults of the bench, how far the
// plant is behind, and whether the index is sound.
//
// It follows the same events as terminal, page and report, and knows nothing
// else of a run. Names begin fullthrow_ and end in their unit (_seconds,
// _bytes) or, for counts that only grow, in _total; values are SI without
// prefix. Counts begin at zero with the program: what a monitoring system
// shows is rates; yields come from the records.
//
// Labels name product, station, nest, check, device and the words of the
// record (outcome, verdict, kind): never a serial number, operator or text. A
// label takes a bounded number of values; what comes beyond that is counted
// as "other". Golden units are counted apart.
//
// Any goroutine may call anything; a function that [Metrics.Follow] returns is
// for the events of one nest, in their order.
package metrics
