// Package chart draws a capture with what was found in it as an SVG file: one
// or more panels below each other, each with its axes, lines, bars, marks and
// rules.
//
// Values are SI; axes named "quantity / unit" get the prefix that suits them.
// Lines differ in colour and dash, so that they can be told apart without
// colour; every figure has a title and a description for screen readers. What
// is not a finite number is left out.
package chart
