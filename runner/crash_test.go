package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// uncaught are the goroutines that may do without, each with the reason.
var uncaught = map[string]string{
	"drivers/drivertest/":        "in tests only",
	"reports/store/pgtest/":      "in tests only",
	"reports/archive/journal.go": "it calls subscribers, which look after themselves as the station's does",
	"drivers/sim/serve":          "a simulated fixture drives nothing that could be left on",
}

// A panic in a goroutine that nobody looks after ends the program with its
// outputs on.
func TestEveryGoroutineIsLookedAfter(t *testing.T) {
	n := 0
	require.NoError(t, filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		name := filepath.ToSlash(strings.TrimPrefix(path, ".."+string(filepath.Separator)))
		for prefix := range uncaught {
			if strings.HasPrefix(name, prefix) {
				return nil
			}
		}
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, path, nil, 0)
		require.NoError(t, err)
		functions := map[string]*ast.BlockStmt{}
		for _, decl := range f.Decls {
			if fn, ok := decl.(*ast.FuncDecl); ok {
				functions[fn.Name.Name] = fn.Body
			}
		}
		ast.Inspect(f, func(node ast.Node) bool {
			var body *ast.BlockStmt
			var call ast.Expr
			switch x := node.(type) {
			case *ast.GoStmt:
				call = x.Call.Fun
			case *ast.CallExpr: // of a sync.WaitGroup
				if s, ok := x.Fun.(*ast.SelectorExpr); ok && s.Sel.Name == "Go" && len(x.Args) == 1 {
					call = x.Args[0]
				}
			}
			switch x := call.(type) {
			case nil:
				return true
			case *ast.FuncLit:
				body = x.Body
			case *ast.SelectorExpr:
				body = functions[x.Sel.Name]
			case *ast.Ident:
				body = functions[x.Name]
			}
			n++
			if !looksAfter(body) {
				t.Errorf("%s: a panic in this goroutine ends the program at once: begin it with defer crash.Guard(), or hand the panic on",
					set.Position(node.Pos()))
			}
			return true
		})
		return nil
	}))
	require.Greater(t, n, 20, "goroutines looked at")
}

// looksAfter tells whether body recovers, or does its work under something that
// does.
func looksAfter(body *ast.BlockStmt) (found bool) {
	if body == nil {
		return false
	}
	ast.Inspect(body, func(node ast.Node) bool {
		call, ok := node.(*ast.CallExpr)
		if !ok {
			return true
		}
		switch fn := call.Fun.(type) {
		case *ast.Ident: // in a deferred function
			found = found || fn.Name == "recover" || fn.Name == "Caught"
		case *ast.SelectorExpr:
			found = found || fn.Sel.Name == "Guard" || fn.Sel.Name == "Recover" || fn.Sel.Name == "Caught"
		}
		return true
	})
	return found
}
