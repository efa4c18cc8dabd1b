package program

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fullthrow/drivers"
	"fullthrow/drivers/drivertest"
)

// tool writes a shell script as the bench's program.
func tool(t *testing.T, script string) string {
	t.Helper()
	if runtime.GOOS == "windows" {
		t.Skip("the tests' programs are shell scripts, which Windows does not run")
	}
	path := filepath.Join(t.TempDir(), "tool")
	require.NoError(t, os.WriteFile(path, []byte("#!/bin/sh\n"+script), 0o755))
	return path
}

func open(t *testing.T, script string, o Options) *Program {
	t.Helper()
	o.Path = tool(t, script)
	p, err := Open("flasher", drivers.System, o)
	require.NoError(t, err)
	return p
}

func TestRun(t *testing.T) {
	ctx := t.Context()
	p := open(t, `printf '%s\n' "$@"; echo careful >&2; printf 'a\377b' ; exit 3`,
		Options{Args: []string{"--serial", "{serial}", "--set=x;{value}", "$HOME"}})
	require.Equal(t, []string{"serial", "value"}, p.Values())
	r, err := p.Run(ctx, map[string]string{"serial": "K8; rm -rf $(x) 'y'", "value": "-1"})
	require.NoError(t, err)
	require.Equal(t, 3, r.Exit)
	require.Equal(t, "--serial\nK8; rm -rf $(x) 'y'\n--set=x;-1\n$HOME\na\uFFFDb", r.Out, "nothing reaches a shell")
	require.Equal(t, "careful\n", r.Err)
	require.False(t, r.Cut)

	for _, values := range []map[string]string{{"serial": "x"}, {"serial": "x", "value": ""},
		{"serial": "--help", "value": "1"}, {"serial": "x", "value": "1", "more": "2"}, {"serial": "a\x00b", "value": "1"},
		{"serial": "a\nb", "value": "1"}, {"serial": strings.Repeat("x", 201), "value": "1"}} {
		_, err := p.Run(ctx, values)
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(err), "%v: %v", values, err)
	}

	r, err = open(t, "kill -SEGV $$", Options{}).Run(ctx, nil)
	require.NoError(t, err)
	require.Equal(t, "segmentation fault", r.Signal)
	require.Equal(t, -1, r.Exit)

	r, err = open(t, "echo $LEFT_OVER$GIVEN", Options{Environment: []string{"GIVEN=yes"}}).Run(ctx, nil)
	require.NoError(t, err)
	require.Equal(t, "yes\n", r.Out)
}

func TestBounded(t *testing.T) {
	r, err := open(t, "head -c 10000000 /dev/zero; head -c 100 /dev/zero >&2", Options{}).Run(t.Context(), nil)
	require.NoError(t, err)
	require.True(t, r.Cut)
	require.Len(t, r.Out, maxText)
	require.Len(t, r.Err, 100)
}

func TestOutput(t *testing.T) {
	ctx := t.Context()
	r, err := open(t, `printf picture > "$1"`, Options{Args: []string{"{output}"}}).Run(ctx, nil)
	require.NoError(t, err)
	require.Equal(t, "picture", string(r.Output))
	_, err = open(t, "", Options{Args: []string{"{output}"}}).Run(ctx, nil)
	require.Equal(t, drivers.Garbled, drivers.KindOf(err), "%v", err)
	_, err = open(t, `: > "$1"`, Options{Args: []string{"{output}"}}).Run(ctx, nil)
	require.ErrorContains(t, err, "flasher: run: tool has written no output: it is empty")
	r, err = open(t, `exit 1`, Options{Args: []string{"{output}"}}).Run(ctx, nil)
	require.NoError(t, err, "its exit code says enough")
	require.Equal(t, 1, r.Exit)
}

// children that ignore signals, have left the group, hold the outputs open, or
// outlive the program.
const stubborn = `
trap '' TERM INT HUP
setsid sleep 1000 &
(trap '' TERM; sleep 1001) &
`

// alive says which of the sleepers of a test are left.
func alive(t *testing.T, p *Program) []int {
	t.Helper()
	return marked(p.o.Path) // the script's path is in the environment of none else
}

func TestEndedWithItsChildren(t *testing.T) {
	run := func(name, script string, o Options, end func(p *Program, cancel context.CancelCauseFunc), check func(error)) {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancelCause(t.Context())
			defer cancel(nil)
			ready := filepath.Join(t.TempDir(), "ready")
			last := "sleep 1002"
			if end == nil {
				last = "exit 0"
			}
			p := open(t, fmt.Sprintf("%s\n: > %s\n%s", script, ready, last), o)
			p.o.Environment = []string{"OF=" + p.o.Path}
			done := make(chan error, 1)
			go func() { _, err := p.Run(ctx, nil); done <- err }()
			if end != nil {
				for _, err := os.Stat(ready); err != nil && len(done) == 0; _, err = os.Stat(ready) {
					time.Sleep(time.Millisecond)
				}
				end(p, cancel)
			}
			check(<-done)
			require.Empty(t, alive(t, p))
		})
	}
	why := errors.New("stopped")
	run("cancelled", stubborn, Options{}, func(_ *Program, cancel context.CancelCauseFunc) { cancel(why) },
		func(err error) { require.ErrorIs(t, err, why) })
	run("made safe", stubborn, Options{}, func(p *Program, _ context.CancelCauseFunc) { _ = p.Safe(t.Context()) },
		func(err error) { require.ErrorIs(t, err, drivers.ErrMadeSafe) })
	run("left running", stubborn, Options{}, nil, func(err error) { require.NoError(t, err) })
	run("too long", stubborn, Options{Timeout: 300 * time.Millisecond}, func(*Program, context.CancelCauseFunc) {},
		func(err error) {
			require.Equal(t, drivers.NoReply, drivers.KindOf(err))
			require.ErrorContains(t, err, "flasher: run: tool did not end in 300ms")
		})
}

func TestDevice(t *testing.T) {
	drivertest.TestDevice(t, func(t *testing.T) drivers.Device { return open(t, "", Options{}) })
	for _, o := range []Options{{Path: "tool"}, {Path: "/tool", Timeout: -1}, {Path: "/tool", Timeout: 2 * time.Hour}} {
		_, err := Open("flasher", drivers.System, o)
		require.Equal(t, drivers.OutOfRange, drivers.KindOf(err))
	}
	p, err := Open("flasher", drivers.System, Options{Path: "/nowhere/tool"})
	require.NoError(t, err)
	_, err = p.Ready(t.Context())
	require.Equal(t, drivers.Gone, drivers.KindOf(err))
	_, err = p.Run(t.Context(), nil)
	require.Equal(t, drivers.Gone, drivers.KindOf(err))
}
