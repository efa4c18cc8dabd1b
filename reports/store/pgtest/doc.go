// Package pgtest starts a real PostgreSQL server for tests: Debian's, on a
// socket in a temporary folder of its own, gone when the test ends. It can be
// stopped, killed outright with all its processes, and started again on the
// same data, as a plant's server may be.
//
// A machine without PostgreSQL skips such tests and says so; where the
// environment variable CI is set they fail instead, so that nobody takes a
// skipped proof for one that was given. The server runs as user postgres (or
// nobody) where the tests run as root, since PostgreSQL refuses root.
package pgtest
