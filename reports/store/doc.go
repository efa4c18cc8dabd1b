// Package store is an index of sealed reports: quick to ask, never the truth.
// On a station it is an SQLite file beside the records, made again from the
// report files whenever that is needed; for a plant it is a PostgreSQL
// database that many stations forward their reports to, seals included.
//
// Both answer the same questions through [Store]. Times are UTC, values SI
// without prefix. What is asked often (yield, Pareto, trend, moments of a
// reading) comes from sums kept up to date by every insert, so that an answer
// takes as long over a million units as over a thousand.
package store
