// Package input reads the files that people write: strictly, with each problem
// at its file and line, a hint what to do, and the name that was perhaps meant.
// A [Failure] is what ends the program, with its exit code.
package input
