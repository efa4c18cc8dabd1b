package input

import (
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// entry is one key of a TOML file: where it stands and what kind of value it
// has.
type entry struct {
	path []string // with the number of the element after an array of tables: nest 0 device meter port
	line int
	kind unstable.Kind // of the value; Table or ArrayTable for a header; Invalid for a table named only on the way
}

// outline lists the keys of a TOML file in the order in which they stand. The
// file must be free of syntax errors.
func outline(data []byte) []entry {
	var p unstable.Parser
	p.Reset(data)
	var list []entry
	count := map[string]int{} // elements so far of each array of tables
	var table []string

	line := func(n *unstable.Node) int { return p.Shape(n.Raw).Start.Line }
	var keyValue func(base []string, n *unstable.Node)
	keyValue = func(base []string, n *unstable.Node) {
		path, at := append([]string(nil), base...), 0
		for it := n.Key(); it.Next(); {
			if at > 0 { // a dotted key makes the tables on its way
				list = append(list, entry{append([]string(nil), path...), at, unstable.Invalid})
			}
			path, at = append(path, string(it.Node().Data)), line(it.Node())
		}
		v := n.Value()
		list = append(list, entry{path, at, v.Kind})
		inline := func(path []string, v *unstable.Node) {
			for it := v.Children(); it.Next(); {
				if it.Node().Kind == unstable.KeyValue {
					keyValue(path, it.Node())
				}
			}
		}
		if v.Kind == unstable.InlineTable {
			inline(path, v)
		}
		if v.Kind != unstable.Array {
			return
		}
		tables := 0
		for it := v.Children(); it.Next(); {
			if it.Node().Kind == unstable.InlineTable {
				element, first := append(path[:len(path):len(path)], strconv.Itoa(tables)), len(list)
				list = append(list, entry{element, at, unstable.Invalid})
				if inline(element, it.Node()); len(list) > first+1 {
					list[first].line = list[first+1].line
				}
				tables++
			}
		}
	}
	for p.NextExpression() {
		n := p.Expression()
		switch n.Kind {
		case unstable.KeyValue:
			keyValue(table, n)
		case unstable.Table, unstable.ArrayTable:
			table = nil
			for it := n.Key(); it.Next(); {
				table = append(table, string(it.Node().Data))
				at := strings.Join(table, "\x00")
				kind := unstable.Invalid
				if it.IsLast() {
					kind = n.Kind
				}
				list = append(list, entry{append([]string(nil), table...), line(it.Node()), kind})
				switch {
				case n.Kind == unstable.ArrayTable && it.IsLast():
					table = append(table, strconv.Itoa(count[at]))
					count[at]++
				case count[at] > 0:
					table = append(table, strconv.Itoa(count[at]-1))
				}
			}
			list = append(list, entry{append([]string(nil), table...), list[len(list)-1].line, unstable.Invalid})
		}
	}
	return list
}

// Lines finds where a key stands: at("nest", "0", "name").
type Lines map[string]spot

// spot is a line, and which of all keys it is that stands there.
type spot struct{ line, order int }

// LinesOf are those of a TOML file that is free of syntax errors.
func LinesOf(data []byte) Lines { return linesOf(outline(data)) }

func linesOf(list []entry) Lines {
	m := Lines{}
	for i, e := range list {
		if k := strings.Join(e.path, "\x00"); m[k].line == 0 {
			m[k] = spot{e.line, i}
		}
	}
	return m
}

// Spot returns the line of the key with this path, 0 where it is missing, and
// which of all keys it is.
func (m Lines) Spot(path ...string) (line, order int) {
	s := m[strings.Join(path, "\x00")]
	return s.line, s.order
}

// At returns the line of the key with this path; where the key is missing, the
// line of the nearest table that would hold it; 0 when there is none.
func (m Lines) At(path ...string) int {
	for n := len(path); n > 0; n-- {
		if line, _ := m.Spot(path[:n]...); line > 0 {
			return line
		}
	}
	return 0
}
