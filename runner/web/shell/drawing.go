package shell

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"html"
	"html/template"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"fullthrow/reports/wording"
)

// Drawing is the line drawing of a handset, drawing.svg beside the plan: for
// each part that the plan or its causes name a group with id "part-NAME", a
// title, and data-x and data-y, the point that a callout leads to.
type Drawing struct {
	tokens []xml.Token
	parts  []Part
	box    [4]float64
}

// Part is one that can be pointed at.
type Part struct {
	Name  string // "left-stick"
	Title string // in the drawing's English
	X, Y  float64
	Side  string // where there is room for words: left, right, top or bottom
}

// Parts in the order in which they are drawn.
func (d *Drawing) Parts() []Part { return slices.Clone(d.parts) }

// Part finds a part by name.
func (d *Drawing) Part(name string) (Part, bool) {
	i := slices.IndexFunc(d.parts, func(p Part) bool { return p.Name == name })
	if i < 0 {
		return Part{}, false
	}
	return d.parts[i], true
}

// Title is what people call a part; d may be nil.
func (d *Drawing) Title(texts wording.Texts, name string) string {
	if d != nil {
		if p, ok := d.Part(name); ok {
			return texts.T(p.Title)
		}
	}
	return strings.ReplaceAll(name, "-", " ")
}

// Box is the drawing's own measure: x, y, width and height of its viewBox.
func (d *Drawing) Box() (x, y, width, height float64) { return d.box[0], d.box[1], d.box[2], d.box[3] }

// Titles are the sentences in the drawing that people read, for [Texts].
func (d *Drawing) Titles() []string {
	var out []string
	d.walk(func(t xml.Token, inTitle bool) {
		if text, ok := t.(xml.CharData); ok && inTitle {
			out = append(out, string(text))
		}
	})
	return out
}

// drawn are the elements that a drawing may have, and the attributes of any.
var (
	drawn = []string{"svg", "g", "path", "rect", "circle", "ellipse", "line", "polyline", "polygon", "text", "tspan",
		"title", "desc", "defs", "use", "symbol"}
	given = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(
			`^(id|class|role|aria-[a-z]+|data-[a-z]+|viewBox|d|x|y|x1|y1|x2|y2|cx|cy|r|rx|ry|dx|` +
				`dy|width|height|points|transform|fill|stroke|stroke-[a-z]+|fill-rule|opacity|visibility|text-anchor|` +
				`font-size|font-weight|href|paint-order|vector-effect)$`)
	})
)

// ParseDrawing reads a drawing. It may hold shapes, text and references within
// itself, and nothing that runs or loads: what else stands there is an error,
// FILE:LINE: and what is wrong. name is what the error calls the file.
func ParseDrawing(name string, data []byte) (*Drawing, error) {
	d := &Drawing{}
	dec := xml.NewDecoder(bytes.NewReader(data))
	dec.Strict = true
	fail := func(format string, args ...any) (*Drawing, error) {
		line, _ := dec.InputPos()
		return nil, fmt.Errorf("%s:%d: %s", name, line, fmt.Sprintf(format, args...))
	}
	var open []string
	var part *Part // whose title is awaited
	ids := map[string]bool{}
	for {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return fail("%v", err)
		}
		switch t := token.(type) {
		case xml.StartElement:
			if !slices.Contains(drawn, t.Name.Local) {
				return fail("a drawing may not hold <%s>", t.Name.Local)
			}
			if len(open) == 0 && t.Name.Local != "svg" {
				return fail("a drawing begins with <svg>, not <%s>", t.Name.Local)
			}
			kept := xml.StartElement{Name: xml.Name{Local: t.Name.Local}}
			values := map[string]string{}
			for _, a := range t.Attr {
				if a.Name.Local == "xmlns" || a.Name.Space == "xmlns" {
					continue
				}
				if a.Name.Space != "" || !given().MatchString(a.Name.Local) {
					return fail("<%s> may not have the attribute %s", t.Name.Local, a.Name.Local)
				}
				if a.Name.Local == "href" && !strings.HasPrefix(a.Value, "#") {
					return fail("a drawing refers to nothing outside itself, not to %q", a.Value)
				}
				if strings.Contains(strings.ToLower(a.Value), "url(") {
					return fail("a drawing has no url(...)")
				}
				values[a.Name.Local] = a.Value
				kept.Attr = append(kept.Attr, a)
			}
			if id := values["id"]; id != "" {
				if ids[id] {
					return fail("id %q stands there twice", id)
				}
				ids[id] = true
			}
			if len(open) == 0 {
				box := strings.Fields(values["viewBox"])
				if len(box) != 4 {
					return fail("<svg> needs a viewBox of four numbers")
				}
				for i, text := range box {
					if d.box[i], err = strconv.ParseFloat(text, 64); err != nil {
						return fail("viewBox: %q is not a number", text)
					}
				}
			}
			if part, ok := strings.CutPrefix(values["id"], "part-"); ok {
				p := Part{Name: part, Side: values["data-side"]}
				for key, to := range map[string]*float64{"data-x": &p.X, "data-y": &p.Y} {
					if *to, err = strconv.ParseFloat(values[key], 64); err != nil {
						return fail("part %q: %s is %q, not a number", part, key, values[key])
					}
				}
				if !slices.Contains([]string{"left", "right", "top", "bottom"}, p.Side) {
					return fail("part %q: data-side is %q, not left, right, top or bottom", part, p.Side)
				}
				if p.X < d.box[0] || p.Y < d.box[1] || p.X > d.box[0]+d.box[2] || p.Y > d.box[1]+d.box[3] {
					return fail("part %q: its point lies outside the drawing", part)
				}
				d.parts = append(d.parts, p)
			}
			if t.Name.Local == "g" || t.Name.Local == "svg" {
				part = nil
				if strings.HasPrefix(values["id"], "part-") {
					part = &d.parts[len(d.parts)-1]
				}
			}
			open = append(open, t.Name.Local)
			d.tokens = append(d.tokens, kept)
		case xml.EndElement:
			open = open[:len(open)-1]
			d.tokens = append(d.tokens, xml.EndElement{Name: xml.Name{Local: t.Name.Local}})
		case xml.CharData:
			if len(open) > 0 && open[len(open)-1] == "title" && part != nil {
				part.Title, part = string(t), nil
			}
			d.tokens = append(d.tokens, t.Copy())
		}
	}
	if len(d.tokens) == 0 {
		return nil, fmt.Errorf("%s:1: there is no drawing", name)
	}
	for _, p := range d.parts {
		if strings.TrimSpace(p.Title) == "" {
			return nil, fmt.Errorf("%s: part %q has no <title>", name, p.Name)
		}
	}
	return d, nil
}

// walk calls f for each token, saying whether it stands in a title.
func (d *Drawing) walk(f func(t xml.Token, inTitle bool)) {
	title := false
	for _, t := range d.tokens {
		if s, ok := t.(xml.StartElement); ok {
			title = s.Name.Local == "title" || s.Name.Local == "desc"
		}
		f(t, title)
		if _, ok := t.(xml.EndElement); ok {
			title = false
		}
	}
}

// HTML is the drawing to stand within a page, its titles in the language of the
// texts.
func (d *Drawing) HTML(texts wording.Texts) template.HTML {
	return d.html(texts, func(string) string { return "" })
}

// Pointing is the drawing with a part pointed at, and the axes of sticks that
// are to blame; where it has no such part, nothing is pointed at, and where there
// is no drawing, it is empty.
func (d *Drawing) Pointing(texts wording.Texts, part string, axis func(name string) bool) template.HTML {
	if d == nil {
		return ""
	}
	if _, ok := d.Part(part); !ok {
		return d.HTML(texts)
	}
	return d.html(texts, func(id string) string {
		name, isAxis := strings.CutPrefix(id, "axis-")
		switch {
		case id == "":
			return "is-pointing "
		case id == "part-"+part, isAxis && axis(name):
			return "is-bad "
		}
		return ""
	})
}

// html writes the drawing; state is the class that a group has besides its own,
// by its id, and of the drawing itself by "".
func (d *Drawing) html(texts wording.Texts, state func(id string) string) template.HTML {
	var b strings.Builder
	space := false
	d.walk(func(t xml.Token, inTitle bool) {
		switch t := t.(type) {
		case xml.StartElement:
			b.WriteString("<" + t.Name.Local)
			id, class := "", ""
			for _, a := range t.Attr {
				switch a.Name.Local {
				case "id":
					id = a.Value
				case "class":
					class = a.Value
				}
			}
			stated := ""
			if id != "" || t.Name.Local == "svg" {
				stated = state(id)
			}
			if class == "" && stated != "" {
				fmt.Fprintf(&b, ` class="%s"`, strings.TrimSpace(stated))
			}
			for _, a := range t.Attr {
				if a.Name.Local == "class" {
					a.Value = stated + class
				}
				fmt.Fprintf(&b, ` %s="%s"`, a.Name.Local, html.EscapeString(a.Value))
			}
			b.WriteString(">")
		case xml.EndElement:
			b.WriteString("</" + t.Name.Local + ">")
		case xml.CharData:
			text := string(t)
			if space = strings.TrimSpace(text) == ""; space {
				return
			}
			if inTitle {
				text = texts.T(text)
			}
			b.WriteString(html.EscapeString(text))
		}
	})
	return template.HTML(b.String())
}
