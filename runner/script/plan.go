package script

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	lua "github.com/yuin/gopher-lua"
	"github.com/yuin/gopher-lua/parse"

	"fullthrow/drivers"
	"fullthrow/reports"
	"fullthrow/runner/input"
)

// Check is a named item of a plan.
type Check struct {
	Name     string
	About    string // one sentence for people
	Part     string // of the handset's drawing
	Deadline time.Duration
	Vital    bool // the plan ends if this check does not pass
	File     string
	Line     int // of the call of check
}

// Defaults of a plan.
const (
	DefaultCheckDeadline = 30 * time.Second
	DefaultPlanDeadline  = 10 * time.Minute
)

// Plan is a compiled plan. It may be shared by any number of runs; do not
// change it.
type Plan struct {
	Name              string // of the file, as given to [Load]
	Product, Revision string
	CycleTime         time.Duration // how long a run is meant to take, 0 not stated
	Deadline          time.Duration // of the whole plan
	Checks            []Check
	Sources           []reports.Source // the plan and the libraries it requires, by content

	declared bool
	proto    *lua.FunctionProto
	libs     map[string]*lua.FunctionProto
	files    []string // names that errors may carry, plan first
	uses     []Use
	base     map[string]lua.LGFunction
	// pictures beside the plan, by the names under which it asks for them
	references map[string]*reference
	measures   []binding
}

const maxSource = 256 << 10

// Load compiles the plan in file name of fsys, and the libraries it requires
// from lib (the folder scripts/lib: require "search" is its file search.lua),
// and runs the plan's top level once to learn its checks: without devices and
// without waits. The error is an [*Error].
func Load(fsys fs.FS, name string, lib fs.FS) (*Plan, error) {
	return loadWithin(fsys, name, lib, 2*time.Second)
}

func loadWithin(fsys fs.FS, name string, lib fs.FS, wall time.Duration) (*Plan, error) {
	p := &Plan{Name: name, libs: map[string]*lua.FunctionProto{}, base: baseFunctions()}
	bound, err := measures()
	if err != nil {
		return nil, &Error{Text: err.Error(), Hint: defectHint, Err: err}
	}
	p.measures = slices.Clone(bound)
	src, err := input.ReadFS(fsys, name, maxSource)
	if err != nil {
		return nil, &Error{File: name, Text: "cannot be read: " + plain(err), Err: err}
	}
	var failed *Error
	if p.proto, failed = p.compile(name, src, lib); failed != nil {
		return nil, failed
	}
	if failed := p.readReferences(fsys); failed != nil {
		return nil, failed
	}
	r, err := newRun(context.Background(), p, Host{Clock: drivers.System, Wall: wall, Memory: 64 << 20})
	if err != nil {
		return nil, err
	}
	defer r.stopf(nil)
	if failed := r.top(); failed != nil {
		return nil, failed
	}
	if p.Product == "" {
		return nil, &Error{File: name, Text: "there is no plan { ... } in it",
			Hint: `begin with: plan { product = "...", revision = "...", cycle_time = 45 }`}
	}
	if len(p.Checks) == 0 {
		return nil, &Error{File: name, Text: "the plan has no check",
			Hint: `add one: check("standby", { about = "..." }, function() ... end)`}
	}
	return p, nil
}

// plain drops the path from a file system's error; the reader has it already.
func plain(err error) string {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}

// take keeps what the top level declared.
func (p *Plan) take(heard *Plan) {
	p.Product, p.Revision, p.CycleTime, p.Deadline, p.Checks = heard.Product, heard.Revision, heard.CycleTime,
		heard.Deadline, heard.Checks
	p.declared = true
}

// compile turns one file into a prototype, and the libraries it requires.
func (p *Plan) compile(file string, src []byte, lib fs.FS) (proto *lua.FunctionProto, failed *Error) {
	defer func() {
		if x := recover(); x != nil {
			failed = &Error{File: file, Text: fmt.Sprintf("the Lua compiler cannot take this: %v", x),
				Hint: "write it in a plainer way"}
		}
	}()
	p.files = append(p.files, file)
	if len(src) > maxSource {
		return nil, &Error{File: file, Text: fmt.Sprintf("%d bytes long: at most %d", len(src), maxSource)}
	}
	sum := sha256.Sum256(src)
	p.Sources = append(p.Sources, reports.Source{Name: file, SHA256: hex.EncodeToString(sum[:])})
	chunk, err := parse.Parse(bytes.NewReader(src), file)
	if err != nil {
		return nil, syntaxError(file, src, err)
	}
	s := &source{file: file, globals: globalNames()}
	if failed := s.chunk(chunk); failed != nil {
		return nil, failed
	}
	p.uses = append(p.uses, s.uses...)
	proto, err = lua.Compile(chunk, file)
	if err != nil {
		return nil, syntaxError(file, src, err)
	}
	callInFull(proto)
	for _, req := range s.requires {
		if _, ok := p.libs[req.name]; ok {
			continue
		}
		at := func(text, hint string, err error) *Error {
			return &Error{File: file, Line: req.line, Text: text, Hint: hint, Err: err}
		}
		if !libraryName().MatchString(req.name) {
			return nil, at(fmt.Sprintf("require %q: not the name of a library", req.name),
				`a library is scripts/lib/<name>.lua: require "<name>"`, nil)
		}
		if lib == nil {
			return nil, at(fmt.Sprintf("require %q: there are no libraries here", req.name), "", nil)
		}
		text, err := input.ReadFS(lib, req.name+".lua", maxSource)
		if err != nil {
			hint := "the libraries are: " + strings.Join(libraries(lib), ", ")
			if near := input.Near(req.name, libraries(lib)); near != "" {
				hint = fmt.Sprintf("did you mean %q?", near)
			}
			return nil, at(fmt.Sprintf("require %q: cannot be read: %s", req.name, plain(err)), hint, err)
		}
		if bytes.HasPrefix(text, []byte("---@meta")) {
			return nil, at(fmt.Sprintf("require %q: it is for editors only", req.name),
				"take this line out: an editor finds the file by itself", nil)
		}
		p.libs[req.name] = nil // being compiled: libraries may require each other
		if p.libs[req.name], failed = p.compile("lib/"+req.name+".lua", text, lib); failed != nil {
			return nil, failed
		}
	}
	return proto, nil
}

var (
	libraryName = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z][a-z0-9_]*$`) })
	plainName   = libraryName
	compileText = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`(?s)compile error near line\((\d+)\) (.*?): (.*)$`)
	})
)

func libraries(lib fs.FS) []string {
	names, _ := fs.Glob(lib, "*.lua")
	out := make([]string, 0, len(names))
	for _, n := range names {
		if n = strings.TrimSuffix(n, ".lua"); n != "annotations" {
			out = append(out, n)
		}
	}
	return out
}

// syntaxError puts the parser's and the compiler's messages into words.
func syntaxError(file string, src []byte, err error) *Error {
	e := &Error{File: file, Text: strings.TrimSpace(err.Error()), Err: err}
	lines := bytes.Count(src, []byte("\n")) + 1
	var pe *parse.Error
	if errors.As(err, &pe) {
		near := strings.TrimSpace(pe.Token)
		switch {
		case pe.Pos.Line == parse.EOF || near == "" || near == "EOF":
			e.Line, e.Text, e.Hint = lines, "the file ends too early",
				"an end, a bracket or a quote is missing further up"
		case pe.Message == "syntax error":
			e.Line, e.Text = pe.Pos.Line, fmt.Sprintf("not Lua, at %q", clip(near, 40))
			e.Hint = "look there and just before: a comma, an end or a bracket is missing or too many"
		default:
			e.Line, e.Text = pe.Pos.Line, fmt.Sprintf("%s, at %q", pe.Message, clip(near, 40))
		}
		if all := bytes.Split(src, []byte("\n")); e.Line > 1 && e.Line <= len(all) && !bytes.Contains(all[e.Line-1],
			[]byte(near)) {
			e.Line-- // the end of the line was the mistake, and the parser is past it
		}
		return e
	}
	if m := compileText().FindStringSubmatch(err.Error()); m != nil {
		e.Line, _ = strconv.Atoi(m[1])
		e.Text = strings.TrimSpace(m[3])
	}
	return e
}

// position splits "file:line: text" where file is one of the plan's.
func (p *Plan) position(s string) (file string, line int, rest string) {
	for _, f := range p.files {
		after, ok := strings.CutPrefix(s, f+":")
		if !ok {
			continue
		}
		n := 0
		for n < len(after) && after[n] >= '0' && after[n] <= '9' {
			n++
		}
		if line, err := strconv.Atoi(after[:n]); err == nil {
			return f, line, strings.TrimSpace(strings.TrimPrefix(after[n:], ":"))
		}
	}
	return "", 0, s
}

// Use is a place in a plan, or in a library it requires, that uses a device or a
// picture, or takes a reading.
type Use struct {
	Kind   string // "device", "reading", "picture" (a reference) or "shown" (with a question)
	Check  string // where it can be told: the body of a check, "" in helper functions
	Name   string // role, reading or file; "" where it is computed as the plan runs
	Method string // of a device; "" where it cannot be told
	File   string
	Line   int
}

// Uses lists where the plan and its libraries use devices and take readings,
// by file and line. Devices reached through a table or an argument are not
// seen.
func (p *Plan) Uses() []Use { return slices.Clone(p.uses) }
