package script

import (
	"fmt"
	"strconv"

	"fullthrow/runner/input"

	"github.com/yuin/gopher-lua/ast"
)

// Names no plan can write, for the functions that [source] puts in.
const (
	joinName   = "\x00join"
	indexName  = "\x00index"
	spreadName = "\x00spread"
)

// maxDepth is how deep expressions and blocks may be nested: the compiler
// calls itself for each.
const maxDepth = 200

// maxIndex is the largest array index: writing to t[n] takes 16 n bytes.
const maxIndex = 100_000

// freeIndex is where indexes begin to be counted as memory.
const freeIndex = 1024

// source looks through the syntax tree of one file before it is compiled. It
// refuses unknown names, lists uses and requires, and puts bounds into what the
// interpreter itself leaves unbounded: joining strings (a .. b becomes a call),
// writing far beyond the end of an array (t[k] = v becomes t[index(k)] = v),
// and tables of many values at once ({ ... } becomes { spread(...) }).
type source struct {
	file     string
	globals  map[string]bool
	scope    *scope
	depth    int
	check    string
	uses     []Use
	requires []required
}

type required struct {
	name string
	line int
}

// scope is a block's locals: the role that each stands for, where it is
// local meter = bench.meter, else "".
type scope struct {
	locals map[string]string
	up     *scope
}

func (s *source) find(name string) (role string, ok bool) {
	for sc := s.scope; sc != nil; sc = sc.up {
		if role, ok := sc.locals[name]; ok {
			return role, true
		}
	}
	return "", false
}

func (s *source) declare(name, role string) { s.scope.locals[name] = role }

func (s *source) open() { s.scope = &scope{map[string]string{}, s.scope} }

func (s *source) close() { s.scope = s.scope.up }

func (s *source) fail(line int, hint, format string, args ...any) {
	panic(&Error{File: s.file, Line: line, Text: fmt.Sprintf(format, args...), Hint: hint})
}

func (s *source) chunk(stmts []ast.Stmt) (failed *Error) {
	defer func() {
		if x := recover(); x != nil {
			e, ok := x.(*Error)
			if !ok {
				panic(x)
			}
			failed = e
		}
	}()
	s.block(stmts)
	return nil
}

func (s *source) deeper(line int) {
	if s.depth++; s.depth > maxDepth {
		s.fail(line, "split it up: local variables, functions", "nested more than %d deep", maxDepth)
	}
}

func (s *source) block(stmts []ast.Stmt) {
	s.open()
	for i := range stmts {
		s.stmt(&stmts[i])
	}
	s.close()
}

func (s *source) stmt(place *ast.Stmt) {
	st := *place
	s.deeper(st.Line())
	defer func() { s.depth-- }()
	switch x := st.(type) {
	case *ast.AssignStmt:
		for i := range x.Lhs {
			s.target(&x.Lhs[i])
		}
		s.exprs(x.Rhs)
		*place = s.assign(x)
	case *ast.LocalAssignStmt:
		// local function f is a local whose function sees itself.
		if len(x.Names) == 1 && len(x.Exprs) == 1 {
			if _, ok := x.Exprs[0].(*ast.FunctionExpr); ok {
				s.declare(x.Names[0], "")
			}
		}
		roles := make([]string, len(x.Names))
		for i, e := range x.Exprs {
			if i < len(roles) {
				roles[i] = s.role(e)
			}
		}
		s.exprs(x.Exprs)
		for i, n := range x.Names {
			s.declare(n, roles[i])
		}
	case *ast.FuncCallStmt:
		s.expr(&x.Expr)
	case *ast.DoBlockStmt:
		s.block(x.Stmts)
	case *ast.WhileStmt:
		s.expr(&x.Condition)
		s.block(x.Stmts)
	case *ast.RepeatStmt:
		s.open() // the condition sees the block's locals
		for i := range x.Stmts {
			s.stmt(&x.Stmts[i])
		}
		s.expr(&x.Condition)
		s.close()
	case *ast.IfStmt:
		s.expr(&x.Condition)
		s.block(x.Then)
		s.block(x.Else)
	case *ast.NumberForStmt:
		s.expr(&x.Init)
		s.expr(&x.Limit)
		if x.Step != nil {
			s.expr(&x.Step)
		}
		s.open()
		s.declare(x.Name, "")
		s.block(x.Stmts)
		s.close()
	case *ast.GenericForStmt:
		s.exprs(x.Exprs)
		s.open()
		for _, n := range x.Names {
			s.declare(n, "")
		}
		s.block(x.Stmts)
		s.close()
	case *ast.FuncDefStmt:
		if id, ok := x.Name.Func.(*ast.IdentExpr); ok {
			if _, local := s.find(id.Value); !local {
				s.fail(x.Line(), "write local function "+id.Value, "function %s would be a global; there are none",
					id.Value)
			}
		} else if x.Name.Func != nil {
			s.expr(&x.Name.Func)
		}
		if x.Name.Receiver != nil {
			s.expr(&x.Name.Receiver)
		}
		s.function(x.Func, x.Name.Method != "")
	case *ast.ReturnStmt:
		s.exprs(x.Exprs)
	case *ast.BreakStmt, *ast.LabelStmt, *ast.GotoStmt:
	default:
		s.fail(st.Line(), "", "a statement of an unknown kind (%T)", st)
	}
}

// assign goes round a fault of the compiler: where a function's last parameter
// is given the value of a call (s = (f(s)), s, n = f(s), 1), it loads the
// function over the parameter before it reads the arguments. A lone call in
// last place it compiles well.
func (s *source) assign(x *ast.AssignStmt) ast.Stmt {
	last := len(x.Rhs) - 1
	clear := true
	for i, e := range x.Rhs {
		call, ok := e.(*ast.FuncCallExpr)
		if !ok || i >= len(x.Lhs) {
			continue
		}
		if i == last && i == len(x.Lhs)-1 {
			call.AdjustRet = false // only one value is taken anyway
		} else if _, ok := x.Lhs[i].(*ast.IdentExpr); ok && (i < last || call.AdjustRet) {
			clear = false
		}
	}
	if clear {
		return x
	}
	// By way of locals of its own.
	hold := &ast.LocalAssignStmt{Exprs: x.Rhs}
	move := &ast.AssignStmt{Lhs: x.Lhs}
	block := &ast.DoBlockStmt{Stmts: []ast.Stmt{hold, move}}
	for _, st := range []ast.Stmt{hold, move, block} {
		st.SetLine(x.Line())
		st.SetLastLine(x.LastLine())
	}
	for i := range x.Lhs {
		id := &ast.IdentExpr{Value: fmt.Sprintf("\x00%d", i)}
		id.SetLine(x.Line())
		id.SetLastLine(x.LastLine())
		hold.Names = append(hold.Names, id.Value)
		move.Rhs = append(move.Rhs, id)
	}
	return block
}

// target is the left side of an assignment.
func (s *source) target(e *ast.Expr) {
	switch x := (*e).(type) {
	case *ast.IdentExpr:
		if _, ok := s.find(x.Value); !ok {
			if s.globals[x.Value] {
				s.fail(x.Line(), "choose another name and declare it with local",
					"%s is part of the language and cannot be changed", x.Value)
			}
			s.fail(x.Line(), "write local "+x.Value+" = ... where it is first used",
				"%s is not declared; there are no globals", x.Value)
		}
	case *ast.AttrGetExpr:
		s.expr(&x.Object)
		s.key(&x.Key)
	default:
		s.expr(e)
	}
}

// key guards a key that is written to, unless it is written out.
func (s *source) key(e *ast.Expr) {
	switch x := (*e).(type) {
	case *ast.StringExpr, *ast.TrueExpr, *ast.FalseExpr, *ast.NilExpr:
		return
	case *ast.NumberExpr:
		if f, err := strconv.ParseFloat(x.Value, 64); err == nil && f < freeIndex {
			return
		}
	}
	s.expr(e)
	*e = s.call(indexName, (*e).Line(), *e)
}

// call makes a call of one of our functions that gives exactly one value.
func (s *source) call(name string, line int, args ...ast.Expr) ast.Expr {
	fn := &ast.IdentExpr{Value: name}
	fn.SetLine(line)
	fn.SetLastLine(line)
	c := &ast.FuncCallExpr{Func: fn, Args: args, AdjustRet: true}
	c.SetLine(line)
	c.SetLastLine(line)
	return c
}

func (s *source) exprs(list []ast.Expr) {
	for i := range list {
		s.expr(&list[i])
	}
}

func (s *source) expr(e *ast.Expr) {
	if *e == nil {
		return
	}
	s.deeper((*e).Line())
	defer func() { s.depth-- }()
	switch x := (*e).(type) {
	case *ast.IdentExpr:
		if _, ok := s.find(x.Value); !ok && !s.globals[x.Value] {
			s.unknown(x)
		}
	case *ast.AttrGetExpr:
		if role := s.role(x); role != "" {
			s.uses = append(s.uses, Use{Kind: "device", Check: s.check, Name: role, File: s.file, Line: x.Line()})
			return
		}
		s.expr(&x.Object)
		s.expr(&x.Key)
	case *ast.TableExpr:
		for _, f := range x.Fields {
			if f.Key != nil {
				s.key(&f.Key)
			}
			s.expr(&f.Value)
		}
		if n := len(x.Fields); n > 0 && x.Fields[n-1].Key == nil {
			last := &x.Fields[n-1].Value
			call, isCall := (*last).(*ast.FuncCallExpr)
			dots, isDots := (*last).(*ast.Comma3Expr)
			if isCall && !call.AdjustRet || isDots && !dots.AdjustRet {
				spread := s.call(spreadName, (*last).Line(), *last)
				spread.(*ast.FuncCallExpr).AdjustRet = false // all values
				*last = spread
			}
		}
	case *ast.FuncCallExpr:
		s.callExpr(x)
	case *ast.LogicalOpExpr:
		s.expr(&x.Lhs)
		s.expr(&x.Rhs)
	case *ast.RelationalOpExpr:
		s.expr(&x.Lhs)
		s.expr(&x.Rhs)
	case *ast.ArithmeticOpExpr:
		s.expr(&x.Lhs)
		s.expr(&x.Rhs)
	case *ast.StringConcatOpExpr:
		// a .. b .. c stands as a .. (b .. c): one call, and no nesting.
		var parts []ast.Expr
		line := x.Line()
		for {
			parts = append(parts, x.Lhs)
			next, ok := x.Rhs.(*ast.StringConcatOpExpr)
			if !ok || len(parts) == 99 { // a call has registers for so many
				parts = append(parts, x.Rhs)
				break
			}
			x = next
		}
		s.exprs(parts)
		*e = s.call(joinName, line, parts...)
	case *ast.UnaryMinusOpExpr:
		s.expr(&x.Expr)
	case *ast.UnaryNotOpExpr:
		s.expr(&x.Expr)
	case *ast.UnaryLenOpExpr:
		s.expr(&x.Expr)
	case *ast.FunctionExpr:
		s.function(x, false)
	case *ast.TrueExpr, *ast.FalseExpr, *ast.NilExpr, *ast.NumberExpr, *ast.StringExpr, *ast.Comma3Expr:
	default:
		s.fail((*e).Line(), "", "an expression of an unknown kind (%T)", *e)
	}
}

func (s *source) function(f *ast.FunctionExpr, method bool) {
	s.open()
	if method {
		s.declare("self", "")
	}
	if f.ParList != nil {
		for _, n := range f.ParList.Names {
			s.declare(n, "")
		}
	}
	s.block(f.Stmts)
	s.close()
}

// global tells whether e is the global of that name.
func (s *source) global(e ast.Expr, name string) bool {
	id, ok := e.(*ast.IdentExpr)
	if !ok || id.Value != name {
		return false
	}
	_, local := s.find(name)
	return !local
}

// role is the device an expression stands for, "" where it is none or cannot
// be told.
func (s *source) role(e ast.Expr) string {
	switch x := e.(type) {
	case *ast.IdentExpr:
		role, _ := s.find(x.Value)
		return role
	case *ast.AttrGetExpr:
		if key, ok := x.Key.(*ast.StringExpr); ok && s.global(x.Object, "bench") {
			return key.Value
		}
	}
	return ""
}

func (s *source) callExpr(x *ast.FuncCallExpr) {
	literal := func(i int) string {
		if i < len(x.Args) {
			if t, ok := x.Args[i].(*ast.StringExpr); ok {
				return t.Value
			}
		}
		return ""
	}
	switch {
	case x.Func == nil: // receiver:method(...)
		if role := s.role(x.Receiver); role != "" {
			s.uses = append(s.uses, Use{Kind: "device", Check: s.check, Name: role, Method: x.Method, File: s.file,
				Line: x.Line()})
		} else {
			s.expr(&x.Receiver)
		}
	case s.global(x.Func, "reading"):
		s.uses = append(s.uses, Use{Kind: "reading", Check: s.check, Name: literal(0), File: s.file, Line: x.Line()})
	case s.global(x.Func, "require"):
		if len(x.Args) != 1 || literal(0) == "" {
			s.fail(x.Line(), `write the name out: require "search"`, "require needs the name of a library, written out")
		}
		s.requires = append(s.requires, required{literal(0), x.Line()})
	case s.global(x.Func, "picture"):
		if len(x.Args) != 1 || !referenceName().MatchString(literal(0)) {
			s.fail(x.Line(), referenceHint, "picture needs the name of a png or jpg file, written out")
		}
		s.uses = append(s.uses, Use{Kind: "picture", Check: s.check, Name: literal(0), File: s.file, Line: x.Line()})
	case s.global(x.Func, "ask") && len(x.Args) > 0:
		if options, ok := x.Args[0].(*ast.TableExpr); ok {
			for _, f := range options.Fields {
				key, named := f.Key.(*ast.StringExpr)
				if value, ok := f.Value.(*ast.StringExpr); ok && named && key.Value == "picture" {
					s.uses = append(s.uses, Use{Kind: "shown", Check: s.check, Name: value.Value, File: s.file,
						Line: value.Line()})
				}
			}
		}
	case s.global(x.Func, "check") && s.check == "":
		s.check = literal(0)
		s.exprs(x.Args)
		s.check = ""
		return
	default:
		s.expr(&x.Func)
	}
	s.exprs(x.Args)
}

// absent says what to use in place of what plans do not have.
var absent = map[string]string{
	"os": "use wait and note", "io": "a plan has no files; use note and keep", "debug": "use note",
	"coroutine": "use together",
	"package":   "use require", "dofile": "use require", "loadfile": "use require", "load": "write the function out",
	"loadstring": "write the function out",
	"module":     "return a table from the library", "collectgarbage": "it is not needed", "getfenv": "use locals",
	"setfenv": "use locals",
	"_G":      "use locals", "rawset": "use a plain assignment", "newproxy": "use a table", "arg": "use { ... }",
}

func (s *source) unknown(x *ast.IdentExpr) {
	if hint, ok := absent[x.Value]; ok {
		s.fail(x.Line(), hint, "%s is not part of a plan", x.Value)
	}
	var near []string
	for sc := s.scope; sc != nil; sc = sc.up {
		for n := range sc.locals {
			near = append(near, n)
		}
	}
	for n := range s.globals {
		near = append(near, n)
	}
	s.fail(x.Line(), didYouMean(x.Value, near), "%s is not declared", x.Value)
}

// didYouMean is a hint naming the candidate nearest to word, "" if none is.
func didYouMean(word string, candidates []string) string {
	if near := input.Near(word, sortedCopy(candidates)); near != "" {
		return "did you mean " + near + "?"
	}
	return ""
}
