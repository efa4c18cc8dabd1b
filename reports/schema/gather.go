package schema

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// Gather reads the comments and constants of the packages below root, which
// are named by their folders.
func Gather(root string, packages ...string) (Facts, error) {
	f := Facts{Words: map[string]string{}, Values: map[string][]string{}}
	for _, pkg := range packages {
		files, err := os.ReadDir(filepath.Join(root, pkg))
		if err != nil {
			return f, err
		}
		for _, file := range files {
			if name := file.Name(); !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go") {
				continue
			}
			path := filepath.Join(root, pkg, file.Name())
			parsed, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments)
			if err != nil {
				return f, err
			}
			for _, d := range parsed.Decls {
				if g, ok := d.(*ast.GenDecl); ok {
					f.declared(pkg+".", g)
				}
			}
		}
	}
	return f, nil
}

func (f Facts) declared(prefix string, g *ast.GenDecl) {
	for _, spec := range g.Specs {
		switch s := spec.(type) {
		case *ast.TypeSpec:
			doc := s.Doc
			if doc == nil && len(g.Specs) == 1 {
				doc = g.Doc
			}
			f.say(prefix+s.Name.Name, doc)
			fields, ok := s.Type.(*ast.StructType)
			if !ok {
				continue
			}
			for _, field := range fields.Fields.List {
				for _, n := range field.Names {
					f.say(prefix+s.Name.Name+"."+n.Name, field.Doc, field.Comment)
				}
			}
		case *ast.ValueSpec:
			id, ok := s.Type.(*ast.Ident)
			if !ok || g.Tok != token.CONST {
				continue
			}
			for _, v := range s.Values {
				if lit, ok := v.(*ast.BasicLit); ok && lit.Kind == token.STRING {
					if text, err := strconv.Unquote(lit.Value); err == nil {
						f.Values[prefix+id.Name] = append(f.Values[prefix+id.Name], text)
					}
				}
			}
		}
	}
}

// say keeps the first of the comments that there is.
func (f Facts) say(key string, groups ...*ast.CommentGroup) {
	for _, g := range groups {
		if g == nil {
			continue
		}
		text := strings.Join(strings.Fields(strings.NewReplacer("[", "", "]", "").Replace(g.Text())), " ")
		if text != "" {
			f.Words[key] = text
			return
		}
	}
}

// Only keeps the facts that were asked for.
func (f Facts) Only(used map[string]bool) Facts {
	out := Facts{Words: map[string]string{}, Values: map[string][]string{}}
	for key := range used {
		if w, ok := f.Words[key]; ok {
			out.Words[key] = w
		}
		if v, ok := f.Values[key]; ok {
			out.Values[key] = v
		}
	}
	return out
}
