package guardian

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"sync"
	"time"

	"fullthrow/drivers"
	"fullthrow/runner/bench"
	"fullthrow/runner/crash"
	"fullthrow/runner/station"
)

// Command is what the program is called with to be a guardian.
const Command = "guardian"

const replaced = "the guardian was ended; another took its place"

// Options of [Start].
type Options struct {
	Bench *bench.File
	Nests []int // that will be opened
	// Say tells people what goes on: a guardian that is waited for, one that was lost,
	// one that took its place. It may be called from any goroutine.
	Say func(text string)
}

// Guardian is the runner's side of it. Its methods may be called from any goroutine.
type Guardian struct {
	o Options

	claim *bench.Claim

	mu        sync.Mutex // one message at a time
	process   *process   // nil: lost
	armed     []int
	runs      map[string]message // begin
	unsafe    bool               // a nest was left so
	dismissed bool
	end       chan struct{} // closed when it is dismissed
}

var _ station.Guardian = (*Guardian)(nil)

// process is a guardian's process, seen from the runner.
type process struct {
	cmd     *exec.Cmd
	down    *os.File
	up      *os.File
	answers *json.Decoder
	gone    chan struct{} // closed when it has ended
	born    time.Time
}

// Start starts a guardian and returns when it holds the ports of the nests. To be
// called before they are opened; see [Guardian.Arm]. The error is a [*bench.Claimed]
// where another runner has one of them.
func Start(ctx context.Context, o Options) (*Guardian, error) {
	g := &Guardian{o: o, runs: map[string]message{}, end: make(chan struct{})}
	var err error
	if g.claim, err = g.waitForClaim(ctx); err != nil {
		return nil, err
	}
	g.mu.Lock()
	err = g.revive(ctx)
	g.mu.Unlock()
	if err != nil {
		g.claim.Release()
		return nil, err
	}
	go g.beat()
	return g, nil
}

// waitForClaim claims the ports, if need be when the guardian of a runner that is gone
// has made them safe.
func (g *Guardian) waitForClaim(ctx context.Context) (*bench.Claim, error) {
	begun, told := time.Now(), false
	for {
		c, err := g.o.Bench.Claim(g.o.Nests)
		held, ok := errors.AsType[*bench.Claimed](err)
		if !ok {
			return c, err
		}
		took := time.Since(begun)
		if took > claimTime || !held.Gone && alive(held.Process) && took > claimGrace {
			return nil, err
		}
		if held.Gone && !told {
			told = true
			g.o.Say(held.Error())
		}
		if err := drivers.System.Sleep(ctx, 20*time.Millisecond); err != nil {
			return nil, err
		}
	}
}

// Arm says that the runner has opened nest i: from here on it is made safe when the
// runner is gone. To be called before anything is switched on.
func (g *Guardian) Arm(i int) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.armed = append(g.armed, i)
	return g.tell(message{Do: doArm, Index: i})
}

// Begin implements [station.Guardian].
func (g *Guardian) Begin(dir, run, nest string) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	m := message{Do: doBegin, Dir: absolute(dir), Run: run, Nest: nest}
	g.runs[run] = m
	err := g.tell(m)
	if err != nil {
		delete(g.runs, run)
	}
	return err
}

// End implements [station.Guardian].
func (g *Guardian) End(run string, safe bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.unsafe = g.unsafe || !safe
	delete(g.runs, run)
	_ = g.tell(message{Do: doEnd, Run: run}) // lost: who takes its place does not hear of the run
}

// Dismiss says that all is closed, and waits until the guardian has left and the ports
// are given up. Where a run left something that was not safe, the guardian tries once
// more when this process has ended, and keeps the ports meanwhile.
func (g *Guardian) Dismiss() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.dismissed {
		return
	}
	g.dismissed = true
	close(g.end)
	p := g.process
	if p != nil && g.unsafe {
		return
	}
	defer g.claim.Release()
	if p == nil {
		return
	}
	_, _ = p.ask(context.Background(), message{Do: doDone})
	p.down.Close()
	select {
	case <-p.gone:
	case <-time.After(answerTime):
		g.lose(p) // it stands still, and all is safe
	}
}

// Process is the guardian's process, 0 while there is none.
func (g *Guardian) Process() int {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.process == nil {
		return 0
	}
	return g.process.cmd.Process.Pid
}

// beat tells the guardian once a second that the runner lives, and sees so that the
// guardian does.
func (g *Guardian) beat() {
	defer crash.Guard()
	for t := time.NewTicker(beatEvery); ; {
		select {
		case <-g.end:
			t.Stop()
			return
		case <-t.C:
		}
		g.mu.Lock()
		had := g.process != nil
		if !g.dismissed {
			if err := g.tell(message{Do: doBeat}); err != nil && had {
				g.o.Say("the guardian is lost, and no run begins until there is another: " + err.Error())
			}
		}
		g.mu.Unlock()
	}
}

// tell asks the guardian for something; one that is lost is replaced first, once. The
// caller holds mu.
func (g *Guardian) tell(m message) error {
	if g.dismissed {
		return errors.New("guardian: it was dismissed")
	}
	ctx := context.Background()
	if p := g.process; p != nil {
		problem, err := p.ask(ctx, m)
		if err == nil {
			return problem
		}
		g.lose(p)
	}
	if err := g.revive(ctx); err != nil {
		return err
	}
	g.o.Say(replaced)
	problem, err := g.process.ask(ctx, m)
	return errors.Join(err, problem)
}

// lose gives a guardian up that does not answer: not two at a time.
func (g *Guardian) lose(p *process) {
	_ = p.cmd.Process.Kill()
	<-p.gone
	p.down.Close()
	p.up.Close()
	if g.process == p {
		g.process = nil
	}
}

// revive starts a guardian and tells it all that the last one knew. The caller holds mu.
func (g *Guardian) revive(ctx context.Context) error {
	p, err := start(g.claim.Files())
	if err != nil {
		return fmt.Errorf("guardian: start: %w", err)
	}
	ask := func(m message) error {
		problem, err := p.ask(ctx, m)
		if err != nil {
			return fmt.Errorf("guardian: %s: %w", m.Do, err)
		}
		return problem
	}
	take := message{Do: doTake, Runner: os.Getpid(), Name: g.o.Bench.Name, Data: g.o.Bench.Data,
		Models: g.o.Bench.ModelFiles}
	for _, f := range g.claim.Files() {
		take.Claim = append(take.Claim, f.Name())
	}
	err = ask(take)
	for _, i := range g.armed {
		if err == nil {
			err = ask(message{Do: doArm, Index: i})
		}
	}
	for _, m := range g.runs {
		if err == nil {
			err = ask(m)
		}
	}
	if err != nil {
		g.lose(p)
		return err
	}
	g.process = p
	go func() {
		defer crash.Guard()
		<-p.gone
		g.ended(p)
	}()
	return nil
}

// ended replaces a guardian that was ended by somebody else.
func (g *Guardian) ended(p *process) {
	if time.Since(p.born) < beatEvery { // whatever ends it may end the next one, too
		select {
		case <-g.end:
		case <-time.After(beatEvery):
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.dismissed || g.process != p {
		return
	}
	g.lose(p)
	if err := g.revive(context.Background()); err != nil {
		g.o.Say("the guardian was ended, and no run begins until there is another: " + err.Error())
		return
	}
	g.o.Say(replaced)
}

// start starts the process.
func start(claim []*os.File) (*process, error) {
	program := "/proc/self/exe" // this very program, also when its file was replaced
	if _, err := os.Stat(program); err != nil {
		if program, err = os.Executable(); err != nil {
			return nil, err
		}
	}
	// Both are closed on exec: no other child of the runner keeps the pipe open.
	in, down, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	up, out, err := os.Pipe()
	if err != nil {
		return nil, errors.Join(err, in.Close(), down.Close())
	}
	p := &process{down: down, up: up, answers: json.NewDecoder(up), gone: make(chan struct{}),
		born: time.Now()}
	p.cmd = &exec.Cmd{Path: program, Args: []string{os.Args[0], Command}, Stdin: in, Stdout: out, Stderr: os.Stderr,
		// Small, so that the system rather ends others for want of memory.
		ExtraFiles: claim, Env: append(os.Environ(), "GOMEMLIMIT=32MiB", "GOMAXPROCS=2")}
	apart(p.cmd)
	err = p.cmd.Start()
	in.Close()
	out.Close()
	if err != nil {
		return nil, errors.Join(err, down.Close(), up.Close())
	}
	go func() {
		defer crash.Guard()
		_ = p.cmd.Wait() // that it ended is all there is to know
		close(p.gone)
	}()
	return p, nil
}

// ask says something to the guardian and waits for its answer. problem is why it did
// not do it; err, that there is no answer.
func (p *process) ask(ctx context.Context, m message) (problem, err error) {
	line, err := json.Marshal(m)
	if err != nil {
		return nil, err
	}
	end := time.Now().Add(answerTime)
	_ = p.down.SetDeadline(end)
	_ = p.up.SetDeadline(end)
	stop := context.AfterFunc(ctx, func() { _ = p.up.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	if _, err := p.down.Write(append(line, '\n')); err != nil {
		return nil, err
	}
	var r reply
	if err := p.answers.Decode(&r); err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return nil, err
	}
	if r.Problem != "" {
		return errors.New(r.Problem), nil
	}
	return nil, nil
}
