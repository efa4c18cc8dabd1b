package limits

import (
	"bytes"
	"fmt"
	"math"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"

	"fullthrow/reports"
)

// fields reads the keys of one limit, each with its line.
type fields struct {
	p      *parsing
	path   []string
	values map[string]any
}

func (f fields) has(key string) bool { _, ok := f.values[key]; return ok }
func (f fields) line(key string) int {
	return f.p.places.of(append(append([]string(nil), f.path...), key)...)
}

func (f fields) text(key string) string {
	v, ok := f.values[key]
	if !ok {
		return ""
	}
	s, ok := v.(string)
	if !ok {
		f.p.Add(f.line(key), "", "%s must be a text, not %s", key, kindOf(v))
		return ""
	}
	if strings.TrimSpace(s) == "" && key != "unit" {
		f.p.Add(f.line(key), "", "%s is empty", key)
	}
	return s
}

func (f fields) number(key string) *float64 {
	v, ok := f.values[key]
	if !ok {
		return nil
	}
	x, ok := asNumber(v)
	if !ok {
		f.p.Add(f.line(key), "", "%s must be a number, not %s", key, kindOf(v))
		return nil
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		f.p.Add(f.line(key), "leave the line out where there is no limit", "%s must be finite", key)
		return nil
	}
	return &x
}

func (f fields) value(key string, v any) (reports.Value, bool) {
	switch x := v.(type) {
	case bool:
		return reports.Bool(x), true
	case string:
		return reports.Text(x), true
	}
	if x, ok := asNumber(v); ok && !math.IsNaN(x) && !math.IsInf(x, 0) {
		return reports.Number(x), true
	}
	f.p.Add(f.line(key), "", "%s must be a finite number, true, false or a text, not %s", key, kindOf(v))
	return reports.Value{}, false
}

func asNumber(v any) (float64, bool) {
	switch x := v.(type) {
	case int64:
		return float64(x), true
	case float64:
		return x, true
	}
	return 0, false
}

func kindOf(v any) string {
	switch x := v.(type) {
	case string:
		return fmt.Sprintf("the text %q", x)
	case bool:
		return fmt.Sprint(x)
	case int64, float64:
		return fmt.Sprintf("the number %v", x)
	case []any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "a date or time"
}

func sortOf(v reports.Value) string {
	if _, ok := v.Number(); ok {
		return "numbers"
	}
	if _, ok := v.Bool(); ok {
		return "true or false"
	}
	return "texts"
}

// places maps a dotted key ("standby.current.lower") to the line it stands on,
// and keeps the order in which tables and keys first appear.
type places struct {
	line  map[string]int
	order []string
}

// separator joins the parts of a key; it cannot occur in one that is written
// out (control characters are not allowed in TOML keys unescaped, and an
// escaped one fails the check of names anyway).
const separator = "\x1f"

func joinKey(parts ...string) string { return strings.Join(parts, separator) }

// findPlaces walks the document, which must have been parsed without error.
func findPlaces(data []byte) places {
	p := places{line: map[string]int{}}
	var parser unstable.Parser
	parser.Reset(data)
	var table []string
	for parser.NextExpression() {
		node := parser.Expression()
		switch node.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = p.walkKey(data, nil, node.Key())
		case unstable.KeyValue:
			p.walkValue(data, table, node)
		}
	}
	return p
}

func (p *places) walkValue(data []byte, prefix []string, node *unstable.Node) {
	key := p.walkKey(data, prefix, node.Key())
	value := node.Value()
	if value.Kind != unstable.InlineTable {
		return
	}
	for it := value.Children(); it.Next(); {
		p.walkValue(data, key, it.Node())
	}
}

func (p *places) walkKey(data []byte, prefix []string, it unstable.Iterator) []string {
	key := append([]string(nil), prefix...)
	for it.Next() {
		node := it.Node()
		key = append(key, string(node.Data))
		name := joinKey(key...)
		if _, ok := p.line[name]; !ok {
			p.order = append(p.order, name)
			p.line[name] = 1 + bytes.Count(data[:min(int(node.Raw.Offset), len(data))], []byte("\n"))
		}
	}
	return key
}

// of returns the line of the longest known prefix of the key, so that a
// missing key is reported where its table begins.
func (p *places) of(parts ...string) int {
	for n := len(parts); n > 0; n-- {
		if l, ok := p.line[joinKey(parts[:n]...)]; ok {
			return l
		}
	}
	return 1
}
