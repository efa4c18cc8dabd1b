package drivertest

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// Program is a program at the far end of a wire, made with a library by another
// hand: words go to its standard input, a line comes back for each. It ends when its
// standard input does, which is when the test ends, however that is.
type Program struct {
	t   *testing.T
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
	err bytes.Buffer // what it wrote to its standard error

	end sync.Once
}

// Start starts a program and waits for the line "ready ...", of which the rest, what
// it is and its version, goes into the test's log.
func Start(t *testing.T, cmd *exec.Cmd) *Program {
	t.Helper()
	p := &Program{t: t, cmd: cmd}
	var err error
	if p.in, err = cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.out = bufio.NewReaderSize(out, 1<<16)
	cmd.Stderr = &p.err
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Stop)
	said := p.Line()
	what, ok := strings.CutPrefix(said, "ready ")
	if !ok {
		t.Fatalf("the peer says %q", said)
	}
	t.Log("peer:", what)
	return p
}

// Line is the next line of the program.
func (p *Program) Line() string {
	p.t.Helper()
	line, err := p.out.ReadString('\n')
	if err != nil {
		p.Stop()
		p.t.Fatalf("the peer is gone (%v): %s", err, p.err.String())
	}
	return strings.TrimSuffix(line, "\n")
}

// Ask sends it a line and returns its answer.
func (p *Program) Ask(format string, args ...any) string {
	p.t.Helper()
	if _, err := fmt.Fprintf(p.in, format+"\n", args...); err != nil {
		p.Stop()
		p.t.Fatalf("the peer takes no more (%v): %s", err, p.err.String())
	}
	return p.Line()
}

// Stop ends it and waits until it is gone.
func (p *Program) Stop() {
	p.end.Do(func() {
		_ = p.in.Close()
		_ = p.cmd.Process.Kill()
		_ = p.cmd.Wait()
	})
}

// Python is Debian's own Python, whose modules Debian's packages bring; without
// them the test is skipped with the reason.
func Python(t *testing.T, modules ...string) string {
	t.Helper()
	const python = "/usr/bin/python3"
	text, err := exec.Command(python, "-c", "import "+strings.Join(modules, ", ")).CombinedOutput()
	if err != nil {
		lines := strings.Split(strings.TrimSpace(string(text)), "\n")
		t.Skipf("no peer: %s with %s: %v: %s (.ci/test installs them)", python, strings.Join(modules, ", "), err,
			lines[len(lines)-1])
	}
	return python
}

// Npm is the folder of a package of the npm registry, "name-1.2.3", that .ci/test
// fetches, and the program that runs it; without them the test is skipped with the
// reason.
func Npm(t *testing.T, name string) (node, folder string) {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		t.Skipf("no peer: %v (.ci/test installs nodejs)", err)
	}
	return node, filepath.Join(Kept(t, name), "package")
}

// Kept is the folder in which .ci/test keeps a package of others, "name-1.2.3",
// outside the tree; without it the test is skipped with the reason.
func Kept(t *testing.T, name string) string {
	t.Helper()
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Skipf("no peer: %v", err)
	}
	folder := filepath.Join(cache, "fullthrow-tests", name)
	for _, whole := range []string{"package/package.json", "usr"} {
		if _, err = os.Stat(filepath.Join(folder, whole)); err == nil {
			return folder
		}
	}
	t.Skipf("no peer: %s is not here: %v (.ci/test fetches it)", name, err)
	return ""
}
