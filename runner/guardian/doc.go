// Package guardian makes a bench safe when the program that ran it is gone without
// having done so: killed, out of memory, ended by its own runtime.
//
// The runner starts the guardian, the same program in a second process, before it
// opens a bench with hardware, and hands it the bench file as it read it. The two
// are joined by two pipes, JSON messages down and an answer to each up. The system
// closes the pipe when the runner ends, however it ends; a guardian whose pipe is
// closed and that was not dismissed opens the ports, which the system has freed,
// makes safe what can hurt ([bench.File.Rescue]), writes into the journal of every
// run that was on ([archive.Guarded]), and ends.
//
// The runner beats once a second. A runner that is stopped or stuck in the middle of
// a run holds its ports, so the guardian ends it (SIGKILL) after [stuckAfter] seconds
// of its own awake time without a beat, and goes on as above. A suspended computer
// does not count, nor does a runner that a debugger holds.
//
// Both hold the claim on the ports ([bench.File.Claim]) from before they are opened
// until they are safe: no other runner opens them in between, whichever is killed.
//
// A guardian that is killed is replaced. One that cannot be replaced guards nothing,
// and then no run begins. Against an end of both, a computer without power included,
// there are the heartbeat output and the hardware watchdog of the fixture.
//
// Windows: the same without the claim, and without ending a stuck runner; built, never
// tried.
package guardian
