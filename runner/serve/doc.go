// Package serve is a station on its way up: its nests, pages, index, forwarder
// and, of a simulated one, its history.
package serve
