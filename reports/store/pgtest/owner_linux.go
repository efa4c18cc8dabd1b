package pgtest

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is whom the server runs as; ok is false where it runs as whoever
// runs the tests.
func account() (uid, gid int, ok bool, err error) {
	if os.Geteuid() != 0 {
		return 0, 0, false, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.Atoi(u.Uid)
		gid, err2 := strconv.Atoi(u.Gid)
		if err := errors.Join(err1, err2); err != nil {
			return 0, 0, false, fmt.Errorf("user %s: %w", name, err)
		}
		return uid, gid, true, nil
	}
	return 0, 0, false, errors.New("PostgreSQL does not run as root, and there is no user postgres or nobody")
}

// give lets the server's user own a directory.
func give(dir string) error {
	uid, gid, ok, err := account()
	if err != nil || !ok {
		return err
	}
	return os.Chown(dir, uid, gid)
}

// owned makes a command run as the server's user, and end when the test's
// process does, however it does: SIGQUIT is "immediate shutdown".
func owned(cmd *exec.Cmd) {
	cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGQUIT}
	if uid, gid, ok, _ := account(); ok {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
}

// childrenOf lists the processes that pid has started and that still run.
func childrenOf(pid int) []*os.Process {
	var children []*os.Process
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, name := range stats {
		data, err := os.ReadFile(name)
		if err != nil {
			continue // it has ended meanwhile
		}
		// "pid (name, which may hold blanks and brackets) state parent ..."
		fields := bytes.Fields(data[bytes.LastIndexByte(data, ')')+1:])
		if len(fields) < 2 || string(fields[1]) != strconv.Itoa(pid) {
			continue
		}
		child, err := strconv.Atoi(filepath.Base(filepath.Dir(name)))
		if err != nil {
			continue
		}
		if p, err := os.FindProcess(child); err == nil {
			children = append(children, p)
		}
	}
	return children
}
