// Package page is what people are shown of one report: the page of a unit, as a
// file ([WriteHTML]) and as [Parts] that the pages of a station put together,
// the certificate and the table ([WriteCSV]).
//
// There is one page of a unit. [New] puts a report into a [View] in its reader's
// language; the parts show it: what to look at first, causes with evidence, what
// failed and by how much, the course, everything measured, captures, history,
// seal. Readers differ in their shell, in which parts stand in it, and in
// [Options]: good units drawn beside, sound to be heard, links, the handset's
// drawing.
package page
