// Package program runs an external program as a device of the bench: a flasher, a
// tool that takes a picture. The bench file names it by its path, with its
// arguments; no shell is between, and nothing is searched in PATH.
//
// An argument may have places, {name}, that the plan fills. A value is one
// argument or a part of one, whatever is in it: it may not be empty, begin with
// "-" at the start of an argument, hold control characters, or be longer than
// 200 bytes. The place {output} is a file of the driver's own, which the program
// is to write.
//
// Time, output and processes are bounded: it is ended after its time-out, with
// all that it started, and so it is on every way out. It runs in the machine's
// time also on a simulated bench, whose clock stands meanwhile.
//
// Tried: on shell scripts of a test, with children that ignore signals, write
// without end and leave their group. On Windows children are not ended.
package program

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode"

	"fullthrow/drivers"
)

// Options are what a bench file says of a program.
type Options struct {
	Path        string   // absolute
	Args        []string // with places {name}
	Directory   string   // where it runs; "": that of the runner
	Environment []string // NAME=value; nothing else is passed on but PATH, HOME, LANG and TMPDIR
	Timeout     time.Duration
}

const (
	usualTime = 30 * time.Second
	maxText   = 64 << 10 // of each of its outputs
	maxOutput = 32 << 20 // of the file it writes
	maxValue  = 200
	// linger is how long its outputs may stay open after its end.
	linger = 500 * time.Millisecond
)

var place = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`\{([a-z][a-z0-9_]*)\}`) })

// Program is one program of the bench file.
type Program struct {
	name   string
	o      Options
	values []string
	output bool
	guard  drivers.Guard
	closed atomic.Bool
}

var _ drivers.Program = (*Program)(nil)

// Open makes a device of a program. It is not run.
func Open(name string, clock drivers.Clock, o Options) (*Program, error) {
	bad := func(format string, args ...any) (*Program, error) {
		return nil, drivers.Errorf(name, "open", drivers.OutOfRange, format, args...)
	}
	if !filepath.IsAbs(o.Path) {
		return bad("the path %q is not absolute", o.Path)
	}
	if o.Timeout == 0 {
		o.Timeout = usualTime
	}
	if o.Timeout < 0 || o.Timeout > time.Hour {
		return bad("a time-out of %v", o.Timeout)
	}
	p := &Program{name: name, o: o, guard: drivers.NewGuard(clock)}
	for _, a := range o.Args {
		for _, m := range place().FindAllStringSubmatch(a, -1) {
			switch {
			case m[1] == "output":
				p.output = true
			case !slices.Contains(p.values, m[1]):
				p.values = append(p.values, m[1])
			}
		}
	}
	slices.Sort(p.values)
	return p, nil
}

func (p *Program) String() string { return p.name }

// Values names the places to fill.
func (p *Program) Values() []string { return slices.Clone(p.values) }

// Ready proves that the file is there and may be run.
func (p *Program) Ready(ctx context.Context) (string, error) {
	if p.closed.Load() {
		return "", drivers.Errorf(p.name, "ready", drivers.Closed, "closed")
	}
	if err := context.Cause(ctx); err != nil {
		return "", drivers.Wrap(p.name, "ready", err)
	}
	if _, err := exec.LookPath(p.o.Path); err != nil {
		return "", drivers.Errorf(p.name, "ready", drivers.Gone, "%w", err).
			WithHint("The bench file names a program that is not there, or that this account may not run.")
	}
	return filepath.Base(p.o.Path), nil
}

// Safe ends it if it runs.
func (p *Program) Safe(ctx context.Context) error {
	if p.closed.Load() {
		return nil
	}
	leave, entered := p.guard.Interrupt(ctx)
	defer leave()
	if !entered {
		return drivers.Errorf(p.name, "make safe", drivers.Busy, "%s does not end", p.o.Path).
			WithHint("End it by hand, or restart the computer.")
	}
	return nil
}

// Close ends it if it runs.
func (p *Program) Close() error {
	err := p.Safe(context.Background())
	p.closed.Store(true)
	return err
}

// Run runs it once.
func (p *Program) Run(ctx context.Context, values map[string]string) (drivers.Ran, error) {
	const op = "run"
	if p.closed.Load() {
		return drivers.Ran{}, drivers.Errorf(p.name, op, drivers.Closed, "closed")
	}
	ctx, leave, err := p.guard.Hold(ctx)
	if err != nil {
		return drivers.Ran{}, drivers.Wrap(p.name, op, err)
	}
	defer leave()
	r, err := p.run(ctx, values)
	if err != nil {
		return drivers.Ran{}, drivers.Wrap(p.name, op, err)
	}
	return r, nil
}

func (p *Program) run(ctx context.Context, values map[string]string) (r drivers.Ran, err error) {
	written := ""
	if p.output {
		dir, err := os.MkdirTemp("", "fullthrow-program")
		if err != nil {
			return r, err
		}
		defer os.RemoveAll(dir)
		written = filepath.Join(dir, "output")
	}
	args, err := p.fill(values, written)
	if err != nil {
		return r, err
	}
	errOverdue := drivers.Errorf(p.name, "run", drivers.NoReply, "%s did not end in %v", filepath.Base(p.o.Path),
		p.o.Timeout).WithHint("Try it by hand with the same arguments, or give it a longer timeout in the bench file.")
	ctx, cancel := context.WithTimeoutCause(ctx, p.o.Timeout, errOverdue)
	defer cancel()

	out, errs := &kept{}, &kept{}
	cmd := exec.CommandContext(ctx, p.o.Path, args...)
	cmd.Dir, cmd.Stdout, cmd.Stderr, cmd.WaitDelay = p.o.Directory, out, errs, linger
	for _, name := range []string{"PATH", "HOME", "LANG", "TMPDIR", "SystemRoot"} {
		if v, ok := os.LookupEnv(name); ok {
			cmd.Env = append(cmd.Env, name+"="+v)
		}
	}
	cmd.Env = append(cmd.Env, p.o.Environment...)
	began := time.Now()
	f := newFamily(cmd)
	if err := f.start(); err != nil {
		return r, drivers.Errorf(p.name, "run", drivers.Gone, "%w", err)
	}
	err = f.wait()
	r = drivers.Ran{Exit: cmd.ProcessState.ExitCode(), Out: out.text(), Err: errs.text(), Cut: out.cut || errs.cut,
		Took: time.Since(began)}
	var exit *exec.ExitError
	switch {
	case context.Cause(ctx) != nil:
		return r, context.Cause(ctx)
	case errors.As(err, &exit):
		r.Signal = signalOf(exit)
	case err != nil && !errors.Is(err, exec.ErrWaitDelay):
		return r, err
	}
	if p.output {
		if r.Output, err = readOutput(written); err != nil && r.Exit == 0 {
			return r, drivers.Errorf(p.name, "run", drivers.Garbled, "%s has written no output: %w",
				filepath.Base(p.o.Path), err)
		}
	}
	return r, nil
}

// fill makes the arguments.
func (p *Program) fill(values map[string]string, written string) ([]string, error) {
	bad := func(format string, args ...any) ([]string, error) {
		return nil, drivers.Errorf(p.name, "run", drivers.OutOfRange, format, args...)
	}
	for _, v := range p.values {
		if _, ok := values[v]; !ok {
			return bad("no value for {%s}", v)
		}
	}
	for _, n := range slices.Sorted(maps.Keys(values)) {
		v := values[n]
		switch {
		case !slices.Contains(p.values, n):
			return bad("its arguments have no {%s}", n)
		case v == "", len(v) > maxValue:
			return bad("the value for {%s} is of %d bytes, want 1 to %d", n, len(v), maxValue)
		case strings.ContainsFunc(v, unicode.IsControl) || strings.ToValidUTF8(v, "") != v:
			return bad("the value for {%s} holds control characters", n)
		}
	}
	var args []string
	for _, a := range p.o.Args {
		filled := place().ReplaceAllStringFunc(a, func(m string) string {
			if m == "{output}" {
				return written
			}
			return values[m[1:len(m)-1]]
		})
		if strings.HasPrefix(filled, "-") && !strings.HasPrefix(a, "-") {
			return bad("the argument %q would be an option: values may not begin with -", filled)
		}
		args = append(args, filled)
	}
	return args, nil
}

func readOutput(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxOutput+1))
	if err == nil && len(b) == 0 {
		err = errors.New("it is empty")
	}
	if err == nil && len(b) > maxOutput {
		err = fmt.Errorf("more than %d MiB", maxOutput>>20)
	}
	return b, err
}

// kept is the beginning of what a program writes.
type kept struct {
	mu  sync.Mutex
	b   bytes.Buffer
	cut bool
}

func (k *kept) Write(b []byte) (int, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	room := maxText - k.b.Len()
	k.cut = k.cut || len(b) > room
	k.b.Write(b[:min(len(b), room)])
	return len(b), nil
}

func (k *kept) text() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return strings.ToValidUTF8(k.b.String(), "\uFFFD")
}
