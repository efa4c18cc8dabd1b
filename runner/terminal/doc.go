// Package terminal shows runs and answers to people at a terminal: lines, the
// live line, tables, drawings in text, questions, and the passage of one unit.
package terminal
