// Package scripts holds what a product's test is made of, as text: one folder
// per product with its plan (plan.lua), limits (limits.toml), serial number
// (product.toml), bench files and drawing, and lib/ with Lua shared by plans.
// The stock files are built into the program; a folder of your own on disk
// with the same files serves as well.
package scripts

import (
	"embed"
	"io/fs"
	"sort"
)

//go:embed lib/*.lua kittiwake-k8
var files embed.FS

// Lib returns the shared Lua files that a plan may require by name.
func Lib() fs.FS { return sub("lib") }

// Product returns the stock folder of a product, and false if there is none.
func Product(name string) (fs.FS, bool) {
	for _, p := range Products() {
		if p == name {
			return sub(name), true
		}
	}
	return nil, false
}

// Products lists the products that have a stock folder.
func Products() []string {
	entries, err := files.ReadDir(".")
	if err != nil {
		return nil
	}
	var names []string
	for _, e := range entries {
		if e.IsDir() && e.Name() != "lib" {
			names = append(names, e.Name())
		}
	}
	sort.Strings(names)
	return names
}

func sub(dir string) fs.FS {
	f, err := fs.Sub(files, dir)
	if err != nil {
		panic(err) // the folder is embedded: only a misspelling here gets us here
	}
	return f
}
