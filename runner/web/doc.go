// Package web serves the station's pages: the operator's, the manager's and the
// repair bench's. It reads events and reports and sends commands; it judges
// nothing.
package web
