// Package draw draws figures: for pages and reports as SVG with the classes of
// the theme, as files of their own with the theme within, and for terminals as
// text of any width without colour.
//
// A chart ([Trend], [Control], [Pareto], [Comparison], [Histogram],
// [Hours], [Capture]) is plain data; Draw gives the drawing, the same numbers as
// a table, and notes on what the drawing does not show:
//
//	d := draw.Trend{Frame: draw.Frame{Title: "First-pass yield", Unit: draw.Percent}, Points: points}.Draw(words)
//
// Each is described once, as a [Figure]: panels with two axes and what lies
// between them. Whoever has something else to show makes a figure of its own.
// [Scale] is where a value lies between its limits, [QR] a code, [Tokens] and
// [Style] the theme.
//
// The drawing holds no script. Every mark has a title and, where there is
// something behind it, a link; states and lines differ in shape as well as
// colour. All marks can be reached by keyboard; where there are more than
// [Stops], those without a finding are reached by the table instead. The package
// holds no prose: labels are handed in, and sentences come by name from [Words].
//
// Values are SI without prefix; an axis with a unit gets the prefix that suits
// it, [Percent] shows fractions. Special inputs: what is not a finite number is
// left out, breaks a line and is counted in a note; sizes beyond 1e300 are drawn
// at 1e300; no data at all gives a drawing that says so; more points than can be
// told apart are thinned, which a note says.
package draw
