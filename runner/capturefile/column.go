package capturefile

import (
	"math"
	"regexp"
	"strings"
	"sync"

	"fullthrow/runner/input"
	"fullthrow/runner/limits"
)

// column is one column of a table: numbers, or words where the quantity is one
// that has names (axis, group).
type column struct {
	label    string // as the file has it
	quantity string // in small letters with _ for spaces
	unit     string // "" if none is given
	values   []float64
	words    []string

	over  cell // first cell that stands for an overload
	bad   cell // first cell that is no number
	word  cell // first cell that is a word for a number (true, up, low)
	empty cell // first empty cell
	inner bool // a cell stands below an empty one
}

type cell struct {
	line int // 0: none
	text string
}

// names are quantities whose cells are words.
var names = map[string]bool{"axis": true, "group": true}

// stands says which number a word stands for.
var stands = map[string]float64{
	"true": 1, "yes": 1, "on": 1, "up": 1, "high": 1,
	"false": 0, "no": 0, "off": 0, "down": 0, "low": -1,
}

var bracketed = sync.OnceValue(func() *regexp.Regexp {
	return regexp.MustCompile(`^(.*?)\s*[(\[]([^()\[\]]*)[)\]]$`)
})

// newColumn understands the name of a column.
func newColumn(f *File, line int, label string) (*column, error) {
	c := &column{label: strings.TrimSpace(label)}
	if c.label == "" {
		return nil, f.wrong(line, "", "a column without a name")
	}
	quantity := c.label
	if q, u, ok := strings.Cut(c.label, "/"); ok {
		quantity, c.unit = q, strings.TrimSpace(u)
	} else if m := bracketed().FindStringSubmatch(c.label); m != nil {
		quantity, c.unit = m[1], strings.TrimSpace(m[2])
		if u := plainUnit(c.unit); u != "" {
			c.unit = u
		}
	} else if i := strings.LastIndexByte(c.label, '_'); i > 0 {
		q, u := c.label[:i], c.label[i+1:]
		digit := q[len(q)-1] >= '0' && q[len(q)-1] <= '9'
		if _, err := limits.UnitBase(u); err == nil && u != "" && (u != "1" || digit) {
			quantity, c.unit = q, u
		}
	} else if i := strings.LastIndex(" "+c.label, " in "); i >= 0 { // "in s", "CH1 in V"
		if u := plainUnit(c.label[i+3:]); u != "" {
			quantity, c.unit = c.label[:i], u
			if base, _ := limits.UnitBase(u); i == 0 && base == "s" {
				quantity = "time"
			}
		}
	}
	c.quantity = strings.NewReplacer(" ", "_", "-", "_").Replace(strings.ToLower(strings.TrimSpace(quantity)))
	for _, numbered := range []string{"channel_", "value_"} {
		if rest, ok := strings.CutPrefix(c.quantity, numbered); ok && rest != "" &&
			strings.Trim(rest, "0123456789") == "" {
			c.quantity = strings.TrimSuffix(numbered, "_") + rest
		}
	}
	c.timeUnit()
	if c.quantity == "" {
		return nil, f.wrong(line, "", "column %q has a unit and no quantity", c.label)
	}
	return c, nil
}

// add takes a cell. What is wrong with it matters only if the column is used.
func (c *column) add(f *File, line int, text string) error {
	if names[c.quantity] {
		if n := len(c.words); n > 0 && c.words[n-1] == text {
			text = c.words[n-1] // share the memory
		} else {
			text = strings.Clone(text)
		}
		c.words = append(c.words, text)
		if text == "" && c.empty.line == 0 {
			c.empty = cell{line, ""}
		}
		return nil
	}
	if text == "" || text == "-" {
		if c.empty.line == 0 {
			c.empty = cell{line, ""}
		}
		c.values = append(c.values, math.NaN())
		return nil
	}
	c.inner = c.inner || c.empty.line > 0
	v, sign, ok := number(text)
	switch {
	case overload(text, v):
		if c.over.line == 0 {
			c.over = cell{line, strings.Clone(text)}
		}
		c.values = append(c.values, math.NaN())
		return nil
	case ok && sign == ',' && f.comma == ',':
		ok = false // only in quotation marks
	case ok:
		if err := f.number.seen(f, line, text, sign); err != nil {
			return err
		}
	default:
		if w, known := stands[strings.ToLower(text)]; known {
			v, ok = w, true
			if c.word.line == 0 {
				c.word = cell{line, strings.Clone(text)}
			}
		}
	}
	if !ok {
		v = math.NaN()
		if c.bad.line == 0 {
			c.bad = cell{line, strings.Clone(text)}
		}
	}
	c.values = append(c.values, v)
	return nil
}

// numbers are the values of a column that must all be there, in the unit to;
// "" takes the unit without prefix, which is returned.
func (f *File) numbers(c *column, to string) ([]float64, string, error) {
	return f.numeric(c, to, false)
}

func (f *File) numeric(c *column, to string, gaps bool) ([]float64, string, error) {
	switch {
	case names[c.quantity]:
		return nil, "", f.wrong(f.header, "", "column %q holds words, not numbers", c.label)
	case c.word.line > 0:
		return nil, "", f.wrong(c.word.line, "", "%s is %q, which is no number", c.quantity, clip(c.word.text))
	}
	if err := f.whole(c, gaps); err != nil {
		return nil, "", err
	}
	base, err := limits.UnitBase(c.unit)
	if err != nil {
		return nil, "", f.wrong(f.header, `units as in limit files: "current / mA"`, "column %q: %v", c.label, err)
	}
	if to == "" {
		to = base
	}
	if to != "1" && c.unit == "" {
		return nil, "", f.wrong(f.header, `write "`+c.quantity+" / "+to+`", or give --unit "`+c.label+"="+to+`"`,
			"column %q has no unit", c.label)
	}
	if to == c.unit || to == "1" && c.unit == "" {
		return c.values, to, nil
	}
	if _, err := limits.Convert(1, c.unit, to); err != nil {
		return nil, "", f.wrong(f.header, `write "`+c.quantity+" / "+to+`"`, "column %q: %v", c.label, err)
	}
	out := make([]float64, len(c.values))
	for i, v := range c.values {
		if out[i], err = limits.Convert(v, c.unit, to); err != nil || math.IsInf(out[i], 0) {
			return nil, "", f.wrong(int(f.lines[i]), "", "%s is %v %s, too large a number", c.quantity, v, c.unit)
		}
	}
	return out, to, nil
}

// whole checks that a column has no cell that is not a number, and unless gaps
// may be there no empty one.
func (f *File) whole(c *column, gaps bool) error {
	if c.over.line > 0 && (c.bad.line == 0 || c.over.line < c.bad.line) {
		return f.wrong(c.over.line, "take it again in a larger range; what was not measured cannot be counted",
			"%s is %q, which stands for an overload, not for a reading", c.quantity, clip(c.over.text))
	}
	if c.bad.line > 0 {
		hint := ""
		switch t := strings.ToLower(strings.Trim(c.bad.text, "+-")); {
		case t == "nan" || t == "inf" || t == "infinity":
			hint = "take the row away; what was not measured cannot be counted"
		case strings.Contains(t, ",") && f.comma == ',':
			hint = "where commas separate the columns, the decimal sign is the point"
		case strings.ContainsAny(t, ",."):
			hint = "write numbers without grouping: 1234.5"
		}
		return f.wrong(c.bad.line, hint, "%s is %q, which is no number", c.quantity, clip(c.bad.text))
	}
	if c.empty.line > 0 && !gaps {
		return f.wrong(c.empty.line, "", "%s is empty", c.quantity)
	}
	return nil
}

// truths are the values of a column of true and false.
func (f *File) truths(c *column) ([]bool, error) {
	if err := f.whole(c, false); err != nil {
		return nil, err
	}
	out := make([]bool, len(c.values))
	for i, v := range c.values {
		if v != 0 && v != 1 {
			return nil, f.wrong(int(f.lines[i]), "", "%s is neither true nor false", c.quantity)
		}
		out[i] = v == 1
	}
	return out, nil
}

// counts are the values of a column of whole numbers of 0 or more.
func (f *File) counts(c *column) ([]int, error) {
	v, _, err := f.numbers(c, "1")
	if err != nil {
		return nil, err
	}
	out := make([]int, len(v))
	for i, x := range v {
		if x != math.Trunc(x) || x < 0 || x > 1e9 {
			return nil, f.wrong(int(f.lines[i]), "", "%s is %v, want a whole number", c.quantity, x)
		}
		out[i] = int(x)
	}
	return out, nil
}

// need finds columns, or says which is missing.
func (f *File) need(kind string, quantities ...string) ([]*column, error) {
	if f.Sound != nil {
		return nil, f.wrong(0, "", "this is sound; wanted is a table of %s", kind)
	}
	var out []*column
	for _, q := range quantities {
		c := f.find(q)
		if c == nil {
			var have []string
			for _, c := range f.columns {
				have = append(have, c.quantity)
			}
			hint := "it has " + clip(strings.Join(have, ", "))
			if s := input.Near(q, have); s != "" {
				hint = `did you mean the column "` + s + `"?`
			}
			if q == "time" {
				hint = f.missingTime(have)
			}
			return nil, f.wrong(f.header, hint, "a table of %s needs a column %q", kind, q)
		}
		out = append(out, c)
	}
	return out, nil
}

func clip(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
