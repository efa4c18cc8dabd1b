package main

import (
	"testing"
	"time"
)

// await waits until so is true. The test's own deadline (go test -timeout) is
// the only one: how long something takes is the machine's affair. so is called
// by the test itself, so that it may end the test.
func await(t testing.TB, what string, so func() bool) {
	t.Helper()
	for !so() {
		inTime(t, what)
		time.Sleep(2 * time.Millisecond)
	}
}

// inTime ends the test, saying what it waits for, shortly before go test
// -timeout would end all of them without a word.
func inTime(t testing.TB, what string) {
	t.Helper()
	end, ok := t.(interface{ Deadline() (time.Time, bool) })
	if !ok {
		return // a benchmark
	}
	if at, ok := end.Deadline(); ok && time.Until(at) < 5*time.Second {
		t.Fatalf("waited in vain until the end of go test -timeout: %s", what)
	}
}
