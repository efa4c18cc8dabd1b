package terminal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/term"

	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/crash"
	"fullthrow/runner/station"
)

// dialog puts a plan's questions to the operator at the terminal.
type dialog struct {
	s        *Screen
	lines    chan string // what was typed; closed at the end of input
	operator string
	// turn gets a token for each question when all before it is on the screen;
	// nil: at once.
	Turn chan struct{}
}

// NewDialog returns nil where nobody can answer: standard input is no terminal.
func NewDialog(in io.Reader, s *Screen, operator string) *dialog {
	f, ok := in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil
	}
	return startDialog(in, s, operator)
}

func startDialog(in io.Reader, s *Screen, operator string) *dialog {
	d := &dialog{s: s, lines: make(chan string), operator: operator}
	go func() { // reads ahead, so that waiting for a line obeys a context
		defer crash.Guard()
		defer close(d.lines)
		for sc := bufio.NewScanner(foreground{in}); sc.Scan(); {
			d.lines <- sc.Text()
		}
	}()
	return d
}

// foreground reads from a terminal that the program may not be in the
// foreground of: until it is, reading fails, which is not the end.
type foreground struct{ io.Reader }

func (f foreground) Read(p []byte) (int, error) {
	for {
		n, err := f.Reader.Read(p)
		file, ok := f.Reader.(*os.File)
		if err == nil || !ok || !errors.Is(err, Gone) || !term.IsTerminal(int(file.Fd())) {
			return n, err
		}
		time.Sleep(time.Second / 4)
	}
}

// errNobody says that there is no operator to ask.
var errNobody = errors.New("there is nobody to ask: standard input is not a terminal")

// Ask shows the prompt until it is answered in the form it wants.
func (d *dialog) Ask(ctx context.Context, p reports.Prompt) (reports.Value, string, error) {
	shown := p // the answer is one of its choices as they are
	shown.Text, shown.Unit = Indented(p.Text), Line(p.Unit)
	if d == nil {
		return reports.Value{}, "", reports.Hinted(errNobody, "run fullthrow test at a terminal, or use a plan that "+
			"asks nothing")
	}
	if d.Turn != nil {
		select {
		case <-ctx.Done():
			return reports.Value{}, "", context.Cause(ctx)
		case <-d.Turn:
		}
	}
	for again := ""; ; {
		d.s.Say("%s\n%s %s", again, d.s.Strong("? "+shown.Text), d.form(shown))
		select {
		case <-ctx.Done():
			d.s.Say("")
			return reports.Value{}, "", context.Cause(ctx)
		case line, ok := <-d.lines:
			if !ok {
				return reports.Value{}, "", &station.Abort{Why: reports.Reason{Code: reports.StoppedBySignal,
					Text: "the end of its terminal, at a question"}}
			}
			v, err := answer(p, strings.TrimSpace(line))
			if err == nil {
				return v, d.operator, nil
			}
			again = "  " + err.Error()
		}
	}
}

// form says what may be typed.
func (d *dialog) form(p reports.Prompt) string {
	switch p.Kind {
	case "confirm":
		return "(y or n, then Enter)"
	case "choose":
		var b strings.Builder
		for i, c := range p.Choices {
			fmt.Fprintf(&b, "\n    %d  %s", i+1, Line(c))
		}
		return b.String() + "\n  (its number, then Enter)"
	case "number":
		return "(a number" + wording.Prefixed(" in ", p.Unit) + ", then Enter)"
	}
	return "(then Enter)"
}

// answer reads what was typed. An empty line answers nothing: gloves press
// Enter by mistake.
func answer(p reports.Prompt, line string) (reports.Value, error) {
	if line == "" {
		return reports.Value{}, errors.New("nothing was typed")
	}
	switch p.Kind {
	case "confirm":
		switch strings.ToLower(line) {
		case "y", "yes":
			return reports.Bool(true), nil
		case "n", "no":
			return reports.Bool(false), nil
		}
		return reports.Value{}, fmt.Errorf("%q is neither y nor n", line)
	case "choose":
		for _, c := range p.Choices {
			if strings.EqualFold(c, line) {
				return reports.Text(c), nil
			}
		}
		if n, err := strconv.Atoi(line); err == nil && n >= 1 && n <= len(p.Choices) {
			return reports.Text(p.Choices[n-1]), nil
		}
		return reports.Value{}, fmt.Errorf("%q is none of the choices", line)
	case "number":
		x, err := strconv.ParseFloat(strings.Replace(line, ",", ".", 1), 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return reports.Value{}, fmt.Errorf("%q is not a number", line)
		}
		return reports.Number(x), nil
	}
	return reports.Text(line), nil
}
