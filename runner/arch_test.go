package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// floors reads the table of packages in DEVELOPERS.md: on which floor each
// stands. A package imports only what lies on a lower floor; a package missing
// there fails.
func floors(t *testing.T) map[string]int {
	t.Helper()
	text, err := os.ReadFile("../DEVELOPERS.md")
	require.NoError(t, err)
	list := map[string]int{}
	for _, m := range regexp.MustCompile(`(?m)^\| ([0-9]+) \| ([a-z0-9/]+) \| .+ \|$`).FindAllStringSubmatch(string(text), -1) {
		floor, err := strconv.Atoi(m[1])
		require.NoError(t, err)
		require.NotContains(t, list, m[2], "it stands there twice")
		list[m[2]] = floor
	}
	require.NotEmpty(t, list)
	return list
}

// rooms adds to the floors what a floor alone does not say: who may not know
// whom, with the reason.
var rooms = []struct{ of, not, why string }{
	{"drivers", "fullthrow/runner", "drivers serve any runner"},
	{"drivers", "fullthrow/reports", "drivers and the record know nothing of each other"},
	{"drivers", "fullthrow/scripts", "drivers do not depend on a product"},
	{"reports", "fullthrow/runner", "a report must be readable without the runner"},
	{"reports", "fullthrow/drivers", "a report must be readable without the bench"},
	{"reports/review", "fullthrow/reports/wording", "answers are codes and numbers"},
	{"reports/review", "fullthrow/reports/page", "answers are codes and numbers"},
	{"reports/statistics", "fullthrow/", "statistics are of numbers"},
	{"reports/yield", "fullthrow/reports/store", "figures are pure over rows"},
	{"reports/review", "fullthrow/runner", "whoever shows answers, they are the same"},
	{"scripts", "fullthrow/", "scripts are text"},
	{"runner/script", "fullthrow/drivers/", "only runner/bench knows concrete drivers"},
	{"runner/station", "fullthrow/drivers/", "only runner/bench knows concrete drivers"},
	{"runner/measure", "fullthrow/drivers/", "measurements are pure"},
	{"runner/measure", "github.com/yuin/gopher-lua", "measurements are pure"},
	{"runner/limits", "fullthrow/drivers", "limits are pure"},
	{"reports/draw", "fullthrow/reports/yield", "a drawing knows values and limits, and nothing of what is drawn"},
	{"reports/draw", "fullthrow/reports/wording", "labels are handed to a drawing"},
	{"runner/causes", "fullthrow/drivers", "rules for causes are pure"},
	{"runner/causes", "fullthrow/runner/limits", "rules for causes go by the record alone"},
	{"runner/selfcheck", "fullthrow/drivers/", "only runner/bench knows concrete drivers"},
	{"runner/station", "github.com/yuin/gopher-lua", "only runner/script knows Lua"},
}

type packageFiles struct {
	imports map[string]bool // of its ordinary files
	docs    []string        // files with a package comment
}

func readTree(t *testing.T) map[string]*packageFiles {
	t.Helper()
	root := ".."
	tree := map[string]*packageFiles{}
	require.NoError(t, filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && d.Name() != ".." || d.Name() == "testdata") {
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly|parser.ParseComments)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		dir := filepath.ToSlash(rel)
		p := tree[dir]
		if p == nil {
			p = &packageFiles{imports: map[string]bool{}}
			tree[dir] = p
		}
		for _, i := range f.Imports {
			name, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			p.imports[name] = true
		}
		if hasText(f.Doc) {
			p.docs = append(p.docs, filepath.Base(path))
		}
		return nil
	}))
	return tree
}

func hasText(c *ast.CommentGroup) bool { return c != nil && strings.TrimSpace(c.Text()) != "" }

func TestImportsPointDown(t *testing.T) {
	tree := readTree(t)
	require.NotEmpty(t, tree)
	floors := floors(t)
	for dir, p := range tree {
		floor, ok := floors[dir]
		if !ok {
			t.Errorf("package %s has no floor: add it to the table in DEVELOPERS.md, or put it where it belongs", dir)
			continue
		}
		for name := range p.imports {
			other, ours := strings.CutPrefix(name, "fullthrow/")
			if !ours {
				continue
			}
			if below, ok := floors[other]; ok && below >= floor {
				t.Errorf("%s (floor %d) imports %s (floor %d): imports point down only", dir, floor, other, below)
			}
		}
		for _, r := range rooms {
			if dir != r.of && !strings.HasPrefix(dir, r.of+"/") {
				continue
			}
			for name := range p.imports {
				if name == r.not || strings.HasPrefix(name, strings.TrimSuffix(r.not, "/")+"/") {
					t.Errorf("%s imports %s: %s", dir, name, r.why)
				}
			}
		}
	}
	for dir := range floors {
		if tree[dir] == nil {
			t.Errorf("the table has package %s, the tree has not", dir)
		}
	}
}

func TestOnlyScriptKnowsLua(t *testing.T) {
	for dir, p := range readTree(t) {
		for name := range p.imports {
			if strings.HasPrefix(name, "github.com/yuin/gopher-lua") && dir != "runner/script" {
				t.Errorf("%s imports %s: runner/script is the only one that may", dir, name)
			}
		}
	}
}

func TestOnePackageCommentEach(t *testing.T) {
	for dir, p := range readTree(t) {
		sort.Strings(p.docs)
		if len(p.docs) != 1 {
			t.Errorf("package %s has %d package comments %v, want exactly one", dir, len(p.docs), p.docs)
		}
	}
}
