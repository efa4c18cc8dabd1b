package limits

import (
	"bytes"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

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
