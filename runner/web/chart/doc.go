// Package chart draws the figures of the pages as SVG within HTML: yield over
// time, Pareto, histogram against limits, control chart, sums of deviations,
// comparison, units per hour, captures.
//
// A chart is plain data; Draw gives the drawing, the same numbers as a table,
// and notes on what the drawing does not show:
//
//	d := chart.Trend{Title: "First-pass yield", Unit: chart.Percent, Points: points}.Draw(words)
//
// Colours, fonts and line widths are classes of the page's style sheet, so that
// a chart follows light and dark, paper and forced colours; the drawing holds no
// script and no style. Every mark has a title and, where there is something
// behind it, a link; states differ in shape as well as colour. All marks can be
// reached by keyboard; where there are more than [Stops], those without a
// finding are reached by the table instead.
//
// Values are SI without prefix; an axis with a unit gets the prefix that suits
// it, [Percent] shows fractions. Special inputs: what is not a finite number is
// left out, breaks a line and is counted in a note; sizes beyond 1e300 are drawn
// at 1e300; no data at all gives a drawing that says so; more points than can be
// told apart are thinned, which a note says.
package chart
