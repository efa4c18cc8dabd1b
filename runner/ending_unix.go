//go:build unix

package main

import (
	"os"
	"syscall"
)

// stops end a command in order. What the system would do by itself is worse:
// the program gone, or standing still, with its outputs as they are.
var stops = append([]stop{
	{os.Interrupt, "Ctrl-C (SIGINT)"},
	{syscall.SIGTERM, "SIGTERM"},
	{syscall.SIGHUP, "the end of its terminal (SIGHUP)"},
	{syscall.SIGQUIT, "Ctrl-\\ (SIGQUIT)"},
	{syscall.SIGTSTP, "Ctrl-Z (SIGTSTP)"},
	{syscall.SIGABRT, "SIGABRT"},
}, powerFails...)

var (
	// drop are heard and need nothing done.
	drop = []os.Signal{syscall.SIGPIPE}
	// endure would stop a program in the background that uses its terminal;
	// ignored, reading from it is an error and writing works.
	endure = []os.Signal{syscall.SIGTTIN, syscall.SIGTTOU}
)
