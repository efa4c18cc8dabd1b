//go:build !linux

package program

import "os/exec"

// family is a program alone: what it starts is not known here.
type family struct{ cmd *exec.Cmd }

func newFamily(cmd *exec.Cmd) *family   { return &family{cmd} }
func (f *family) start() error          { return f.cmd.Start() }
func (f *family) wait() error           { return f.cmd.Wait() }
func signalOf(e *exec.ExitError) string { return "" }
