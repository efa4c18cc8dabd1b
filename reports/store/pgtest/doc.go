// Package pgtest starts a PostgreSQL server for tests: Debian's, on a socket in
// a temporary folder, gone when the test ends.
package pgtest
