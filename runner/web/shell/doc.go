// Package shell is what all pages of the station have in common: the shell
// around a page, style sheets, languages, and how numbers, quantities and times
// are written in each language.
//
// [New] reads everything that is built in and fails on a mistake in it. A
// [Look] is never changed after that and may be used from several goroutines.
//
// A page is a template that fills the shell's block "main"; its data embeds a
// [Page], by which the functions of the template know the language:
//
//	{{define "main"}}<h1>{{t . "manager.today.title"}}</h1>
//	<p>{{t . "manager.today.units" "count" .Units}}, {{percent . .Yield}}</p>{{end}}
//
// Words stand in languages/<page>.<language>.toml, ids begin with the page's
// name: "manager.today.title". A place for a value is {name}; the value named
// count chooses between one and other. English is the language that the others
// are held against: what is missing in another is shown in English, and a test
// lists it.
//
// Times are shown in the location of the Look (the station's), fractions as
// percentages; values with a unit are SI without prefix, as in a report.
package shell
