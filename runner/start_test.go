package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// preparing are the calls that every command would pay for if a package made them
// as it is initialised: text is parsed, or a table computed.
var preparing = []string{"regexp.MustCompile", "regexp.Compile", "template.Must", "template.New", "template.ParseFS",
	"crc32.MakeTable", "toml.Unmarshal", "json.Unmarshal"}

// preparedAtStart lists what a file does before main that costs: such a call
// outside any function, a function called where it is written, and init. What
// stands in a function, sync.OnceValue's too, is done when it is called.
func preparedAtStart(f *ast.File) []ast.Node {
	var found []ast.Node
	for _, d := range f.Decls {
		switch d := d.(type) {
		case *ast.FuncDecl:
			if d.Name.Name == "init" && d.Recv == nil {
				found = append(found, d)
			}
		case *ast.GenDecl:
			ast.Inspect(d, func(n ast.Node) bool {
				if _, ok := n.(*ast.FuncLit); ok {
					return false
				}
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				if _, ok := call.Fun.(*ast.FuncLit); ok || slices.Contains(preparing, called(call.Fun)) {
					found = append(found, call)
				}
				return true
			})
		}
	}
	return found
}

// called is a function's name with its package's: "regexp.MustCompile".
func called(e ast.Expr) string {
	if s, ok := e.(*ast.SelectorExpr); ok {
		if x, ok := s.X.(*ast.Ident); ok {
			return x.Name + "." + s.Sel.Name
		}
	}
	return ""
}

func TestNothingIsPreparedAtStart(t *testing.T) {
	for source, want := range map[string]int{
		`var a = regexp.MustCompile("x")`:                                                  1,
		`var ( a = 1; b, c = 2, template.Must(template.New("x").Parse("y")) )`:             2,
		`var a = map[string]*regexp.Regexp{"x": regexp.MustCompile("x")}`:                  1,
		`var a = func() int { return 1 }()`:                                                1,
		`func init() { a() }`:                                                              1,
		`var a = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile("x") })`: 0,
		`func f() *regexp.Regexp { return regexp.MustCompile("x") }`:                       0,
		`func (t T) init() {}; var e = errors.New("x")`:                                    0,
	} {
		f, err := parser.ParseFile(token.NewFileSet(), "x.go", "package x\n"+source, 0)
		require.NoError(t, err)
		assert.Len(t, preparedAtStart(f), want, source)
	}

	files := token.NewFileSet()
	read := 0
	require.NoError(t, filepath.WalkDir("..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return err
		}
		f, err := parser.ParseFile(files, path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		read++
		for _, n := range preparedAtStart(f) {
			t.Errorf("%s: every command pays for this at its start: make it at its first use, by sync.OnceValue",
				files.Position(n.Pos()))
		}
		return nil
	}))
	require.Greater(t, read, 100, "files of the program")
}

// What is not asked for is not made, and each command goes by its own name.
func TestOnlyTheCommandIsMade(t *testing.T) {
	a := &app{}
	all := a.commands(nil)
	assert.Equal(t, len(all), len(a.commands([]string{"--json", "version"})))
	for _, c := range all {
		list := a.commands([]string{c.Name(), "x"})
		if assert.Len(t, list, 1, c.Name()) {
			assert.Equal(t, c.Name(), list[0].Name())
		}
	}
}

// BenchmarkStart says how many times as long "fullthrow version" takes as a program
// that says hello, both built alike and run in turn; as medians.
func BenchmarkStart(b *testing.B) {
	dir := b.TempDir()
	hello := filepath.Join(dir, "hello.go")
	const text = "package main\n\nimport \"fmt\"\n\nfunc main() { fmt.Println(\"hello\") }\n"
	require.NoError(b, os.WriteFile(hello, []byte(text), 0o600))
	build := func(name, from string) string {
		program := filepath.Join(dir, name)
		cmd := exec.CommandContext(b.Context(), "go", "build", "-o", program, from)
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
		out, err := cmd.CombinedOutput()
		require.NoError(b, err, "%s", out)
		return program
	}
	programs := [][]string{{build("fullthrow.exe", "."), "version"}, {build("hello.exe", hello)}}
	took := make([][]time.Duration, len(programs))
	b.ResetTimer()
	for range max(b.N, 50) {
		for i, p := range programs {
			cmd := exec.CommandContext(b.Context(), p[0], p[1:]...)
			began := time.Now()
			out, err := cmd.CombinedOutput()
			took[i] = append(took[i], time.Since(began))
			require.NoError(b, err, "%s", out)
		}
	}
	for i := range took {
		slices.Sort(took[i])
		took[i] = took[i][len(took[i])/2:]
	}
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(took[0][0])/1e6, "ms")
	b.ReportMetric(float64(took[0][0])/float64(took[1][0]), "times-hello")
}
