// Package serial reads what a scanner or a keyboard gives as a serial number:
// a product's own form ([Format]), GS1 element strings, the check characters of
// ISO/IEC 7064 and GS1, and the code that ties a paper to its sealed report.
package serial
