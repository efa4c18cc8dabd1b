package program

import (
	"bytes"
	"crypto/rand"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"

	"golang.org/x/sys/unix"

	"fullthrow/drivers"
)

// family is a program and all that it starts.
type family struct {
	cmd    *exec.Cmd
	mark   string        // in the environment of all of them
	locked chan struct{} // closed when the program has ended
}

// newFamily puts the program into a group of its own. The system kills it when
// this process is gone.
func newFamily(cmd *exec.Cmd) *family {
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	f := &family{cmd, "FULLTHROW_PROGRAM_RUN=" + rand.Text(), make(chan struct{})}
	cmd.Env = append(cmd.Env, f.mark)
	cmd.Cancel = func() error { f.end(); return os.ErrProcessDone }
	return f
}

// start starts it by a thread that lives as long as the program: the system's
// signal comes when that thread ends.
func (f *family) start() error {
	started := make(chan error, 1)
	var broke drivers.PanicOf
	go func() {
		defer close(started)
		defer broke.Recover()
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		started <- f.cmd.Start()
		<-f.locked
	}()
	err := <-started
	broke.Raise()
	if err != nil {
		close(f.locked)
	}
	return err
}

// wait waits for its end, then ends what it left running.
func (f *family) wait() error {
	defer close(f.locked)
	err := f.cmd.Wait()
	f.end()
	return err
}

// rounds is how often it is looked for what was started meanwhile.
const rounds = 20

// end kills whoever has the mark in its environment: the program, what it started,
// and what left its group or outlived it.
func (f *family) end() {
	_ = unix.Kill(-f.cmd.Process.Pid, unix.SIGKILL)
	for range rounds {
		found := false
		for _, pid := range marked(f.mark) {
			found = unix.Kill(pid, unix.SIGKILL) == nil || found
		}
		if !found {
			return
		}
	}
}

// marked lists the processes, this one excepted, with a mark in the environment
// that they were started with. One that has ended has none.
func marked(mark string) []int {
	var list []int
	files, _ := filepath.Glob("/proc/[0-9]*/environ")
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil || !bytes.Contains(b, []byte(mark)) {
			continue
		}
		if pid, err := strconv.Atoi(filepath.Base(filepath.Dir(file))); err == nil && pid != os.Getpid() {
			list = append(list, pid)
		}
	}
	return list
}

func signalOf(e *exec.ExitError) string {
	if s, ok := e.Sys().(syscall.WaitStatus); ok && s.Signaled() {
		return s.Signal().String()
	}
	return ""
}
