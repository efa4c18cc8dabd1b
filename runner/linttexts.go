package main

import (
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"fullthrow/reports/wording"
	"fullthrow/runner/web/look"
)

// lintTexts checks what the pages show of a product besides its readings: the
// translations of its sentences and its drawing, where it has them. A sentence
// without translation is shown in English, so it is only a note; asked are the
// questions of one run of the plan.
func (m *method) lintTexts(home folder, asked []string) (problems, notes []problem) {
	drawing, found := m.lintDrawing(home)
	problems = append(problems, found...)
	sentences := slices.Concat(m.sentences(home), asked)
	if drawing != nil {
		sentences = append(sentences, drawing.Titles()...)
	}
	names, _ := fs.Glob(home.fs, wording.TextsFile("*")) // the pattern is a good one
	for _, name := range names {
		at := home.path(name)
		data, err := home.read(name)
		if err != nil {
			continue // gone since the folder was listed
		}
		texts, err := wording.ParseTexts(at, data)
		if err != nil {
			problems = append(problems, placed(at, err))
			continue
		}
		for _, s := range texts.Missing(sentences) {
			notes = append(notes, problem{at, 0, fmt.Sprintf("no translation of %q", s), ""})
		}
	}
	return problems, notes
}

// lintDrawing reads the product's drawing and looks in it for the part of each
// check.
func (m *method) lintDrawing(home folder) (*look.Drawing, []problem) {
	const name = "drawing.svg"
	if !home.has(name) {
		return nil, nil
	}
	data, err := home.read(name)
	if err != nil {
		return nil, []problem{{home.path(name), 0, err.Error(), ""}}
	}
	drawing, err := look.ParseDrawing(home.path(name), data)
	if err != nil {
		return nil, []problem{placed(home.path(name), err)}
	}
	var parts []string
	for _, p := range drawing.Parts() {
		parts = append(parts, p.Name)
	}
	var problems []problem
	for _, c := range m.plan.Checks {
		if c.Part != "" && !slices.Contains(parts, c.Part) {
			problems = append(problems, problem{m.file(c.File), c.Line, fmt.Sprintf("check %q: the drawing has no part %q", c.Name, c.Part), meantReading(c.Part, parts)})
		}
	}
	return drawing, problems
}

// spoken are the keys of limits.toml and causes.toml whose texts people read.
var spoken = []string{"words", "why", "cause", "inspect", "cause_above", "inspect_above", "cause_below", "inspect_below"}

// sentences are what people read of the plan, its limits and its causes.
func (m *method) sentences(home folder) (out []string) {
	for _, c := range m.plan.Checks {
		out = append(out, c.Name, c.About)
	}
	for _, name := range []string{"limits.toml", "causes.toml"} {
		if !home.has(name) {
			continue
		}
		data, err := home.read(name)
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

var placeOf = regexp.MustCompile(`^:([0-9]+): `)

// placed takes the line out of an error that begins with FILE:LINE:.
func placed(file string, err error) problem {
	text := strings.TrimPrefix(err.Error(), file)
	if at := placeOf.FindStringSubmatch(text); at != nil {
		line, _ := strconv.Atoi(at[1])
		return problem{file, line, text[len(at[0]):], ""}
	}
	return problem{file, 0, strings.TrimPrefix(text, ": "), ""}
}
