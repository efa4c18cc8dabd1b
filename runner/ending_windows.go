package main

import (
	"os"
	"syscall"
)

// stops end a command in order; SIGTERM stands for a closed window, the end of
// a session and a shutdown.
var stops = []stop{
	{os.Interrupt, "Ctrl-C"},
	{syscall.SIGTERM, "the end of its window or of the session"},
}

var drop, endure []os.Signal
