// Package offline measures files: it knows every function of package measure
// by a table ([List]), what files and options each takes, in which unit each
// field of its result is, and how it is drawn.
//
// It reads through package capturefile and prints nothing itself: a [Result]
// can be written for people, as JSON, or as a drawing.
package offline
