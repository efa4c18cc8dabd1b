//go:build unix

package guardian

import (
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"strings"
	"syscall"
)

// apart gives the guardian a session of its own: what is typed at the runner's
// terminal, its end, and a signal to the runner's group do not reach it.
func apart(c *exec.Cmd) { c.SysProcAttr = &syscall.SysProcAttr{Setsid: true} }

// prepare makes the guardian outlive what is meant for its runner: what stops a
// service asks every process of it to end, and the runner knows best when it has.
func prepare() {
	signal.Ignore(syscall.SIGHUP, syscall.SIGINT, syscall.SIGQUIT, syscall.SIGTERM, syscall.SIGPIPE, syscall.SIGALRM,
		syscall.SIGUSR1, syscall.SIGUSR2, syscall.SIGTSTP, syscall.SIGTTIN, syscall.SIGTTOU)
	// As far as the system lets it, the last to be ended for want of memory: without
	// privileges no lower than the runner began with.
	for _, score := range []string{"-1000", "-500", "0"} {
		if os.WriteFile("/proc/self/oom_score_adj", []byte(score), 0) == nil {
			break
		}
	}
}

// alive reports whether there is such a process, other than one that has ended and
// was not asked for yet.
func alive(pid int) bool {
	if pid <= 0 {
		return false
	}
	if err := syscall.Kill(pid, 0); err != nil && err != syscall.EPERM {
		return false
	}
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return true // no /proc to look into
	}
	_, state, _ := strings.Cut(string(data), ") ")
	return !strings.HasPrefix(state, "Z") && !strings.HasPrefix(state, "X")
}

// endStuck ends the runner, if it still is who it was and no debugger holds it.
func endStuck(runner int) bool {
	return os.Getppid() == runner && !traced(runner) && syscall.Kill(runner, syscall.SIGKILL) == nil
}
