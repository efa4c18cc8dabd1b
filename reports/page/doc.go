// Package page is what people are shown of one report: the page ([WriteHTML]),
// the certificate and the table ([WriteCSV]).
package page
