package lint

import (
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/pelletier/go-toml/v2"

	"fullthrow/reports"
	"fullthrow/reports/wording"
	"fullthrow/runner/causes"
	"fullthrow/runner/input"
	"fullthrow/runner/limits"
	"fullthrow/runner/product"
	"fullthrow/runner/script"
	"fullthrow/runner/web/shell"
)

// Texts checks what the pages show of a product besides its readings: the
// translations of its sentences and its drawing, where it has them. A sentence
// without translation is shown in English, so it is only a note; asked are the
// questions of one run of the plan.
func Texts(m *product.Method, home product.Folder, asked []string) (problems, notes []input.Problem) {
	drawing, found := lintDrawing(m, home)
	problems = append(problems, found...)
	sentences := slices.Concat(sentences(m, home), asked)
	if drawing != nil {
		sentences = append(sentences, drawing.Titles()...)
	}
	names, _ := fs.Glob(home.Files, wording.TextsFile("*")) // the pattern is a good one
	for _, name := range names {
		at := home.Path(name)
		data, err := home.Read(name)
		if err != nil {
			continue // gone since the folder was listed
		}
		texts, err := wording.ParseTexts(at, data)
		if err != nil {
			problems = append(problems, placed(at, err))
			continue
		}
		for _, s := range texts.Missing(sentences) {
			notes = append(notes, input.At(at, 0, fmt.Sprintf("no translation of %q", s), ""))
		}
	}
	return problems, notes
}

// lintDrawing reads the product's drawing and looks in it for the part of each
// check.
func lintDrawing(m *product.Method, home product.Folder) (*shell.Drawing, []input.Problem) {
	const name = "drawing.svg"
	if !home.Has(name) {
		return nil, nil
	}
	data, err := home.Read(name)
	if err != nil {
		return nil, []input.Problem{input.At(home.Path(name), 0, err.Error(), "")}
	}
	drawing, err := shell.ParseDrawing(home.Path(name), data)
	if err != nil {
		return nil, []input.Problem{placed(home.Path(name), err)}
	}
	var parts []string
	for _, p := range drawing.Parts() {
		parts = append(parts, p.Name)
	}
	var problems []input.Problem
	for _, c := range m.Plan.Checks {
		if c.Part != "" && !slices.Contains(parts, c.Part) {
			problems = append(problems, input.At(m.File(c.File), c.Line, fmt.Sprintf("check %q: the drawing has no "+
				"part %q", c.Name, c.Part), input.DidYouMean(c.Part, parts, "")))
		}
	}
	return drawing, problems
}

// spoken are the keys of limits.toml and causes.toml whose texts people read.
var spoken = []string{"words", "why", "cause", "inspect", "cause_above", "inspect_above", "cause_below",
	"inspect_below"}

// sentences are what people read of the plan, its limits and its causes.
func sentences(m *product.Method, home product.Folder) (out []string) {
	for _, c := range m.Plan.Checks {
		out = append(out, c.Name, c.About)
	}
	for _, name := range []string{"limits.toml", "causes.toml"} {
		if !home.Has(name) {
			continue
		}
		data, err := home.Read(name)
		var doc map[string]any
		if err != nil || toml.Unmarshal(data, &doc) != nil {
			continue // reported by who reads it first
		}
		out = append(out, spokenIn(doc)...)
	}
	return out
}

func spokenIn(v any) (out []string) {
	switch v := v.(type) {
	case map[string]any:
		for key, x := range v {
			if s, ok := x.(string); ok && slices.Contains(spoken, key) {
				out = append(out, s)
			} else {
				out = append(out, spokenIn(x)...)
			}
		}
		slices.Sort(out) // a map has no order
	case []any:
		for _, x := range v {
			out = append(out, spokenIn(x)...)
		}
	}
	return out
}

var placeOf = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^:([0-9]+): `) })

// placed takes the line out of an error that begins with FILE:LINE:.
func placed(file string, err error) input.Problem {
	text := strings.TrimPrefix(err.Error(), file)
	if at := placeOf().FindStringSubmatch(text); at != nil {
		line, _ := strconv.Atoi(at[1])
		return input.At(file, line, text[len(at[0]):], "")
	}
	return input.At(file, 0, strings.TrimPrefix(text, ": "), "")
}

// Causes compares the rules for causes, if the product has any, with the
// readings that the plan takes (those of one run of it, or without one those
// whose names stand in it) and with the limits.
func Causes(m *product.Method, played *[]script.Reading) (problems []input.Problem) {
	if m.Causes == nil {
		return nil
	}
	names, open := m.Limits.Names(), map[string]bool{}
	take := func(full string) {
		if !slices.Contains(names, full) {
			names = append(names, full)
		}
	}
	if played != nil {
		for _, r := range *played {
			take(r.Check + "." + r.Name)
		}
	}
	for _, u := range m.Plan.Uses() {
		switch {
		case u.Kind != "reading":
		case u.Check != "" && u.Name != "":
			take(u.Check + "." + u.Name)
		case played == nil:
			open[u.Check] = true
		}
	}
	for _, p := range m.Causes.Check(causes.Known{
		Readings: names,
		Open:     func(check string) bool { return open[check] || open[""] },
		Unit:     m.Limits.Unit,
		Judge: func(name string, v reports.Value, unit string) reports.Reading {
			check, reading, _ := strings.Cut(name, ".")
			return m.Limits.Judge(check, reading, limits.Indication{Value: v, Unit: unit})
		},
	}) {
		problems = append(problems, input.Problem(p))
	}
	return problems
}
