// Package drill attacks the program for as long as it is given: kills, stalls,
// damaged wires, full disks, hostile plans, rotten indexes, tampering. It holds
// only tests, behind the build tag drill; .ci/drill runs them, an hour by default,
// and prints a table of what was tried and what came of it.
//
// A campaign is one test that calls [campaign] with what it does once. Each case
// draws all that is random from its own seed, so that a seed repeats it.
package drill
