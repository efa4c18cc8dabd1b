package main

import "syscall"

// powerFails is sent where a battery takes over.
var powerFails = []stop{{syscall.SIGPWR, "a power failure (SIGPWR)"}}
