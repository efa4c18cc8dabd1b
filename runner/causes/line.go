package causes

import (
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// lines says where things stand: "product", "name.left_x", "cause.3",
// "cause.3.all.0".
type lines map[string]int

// findLines walks a document that was decoded without error.
func findLines(data []byte) lines {
	l := lines{}
	var p unstable.Parser
	p.Reset(data)
	line := func(n *unstable.Node) int { return p.Shape(n.Raw).Start.Line }
	prefix, causes := "", -1
	for p.NextExpression() {
		n := p.Expression()
		key, at := "", 0
		for it := n.Key(); it.Next(); {
			if key += "." + string(it.Node().Data); at == 0 {
				at = line(it.Node())
			}
		}
		key = key[min(1, len(key)):]
		switch n.Kind {
		case unstable.Table:
			prefix = key + "."
			l[key] = at
		case unstable.ArrayTable:
			if key == "cause" {
				causes++
				l[fmt.Sprintf("cause.%d", causes)] = at
				prefix = fmt.Sprintf("cause.%d.", causes)
				continue
			}
			if list, of := cutCause(key); of { // [[cause.all]]
				base := fmt.Sprintf("cause.%d.%s", causes, list)
				k := 0
				for l[fmt.Sprintf("%s.%d", base, k)] > 0 {
					k++
				}
				l[fmt.Sprintf("%s.%d", base, k)] = at
				prefix = fmt.Sprintf("%s.%d.", base, k)
			}
		case unstable.KeyValue:
			l[prefix+key] = at
			if v := n.Value(); v.Kind == unstable.Array {
				k := 0
				for it := v.Children(); it.Next(); {
					c := it.Node()
					if c.Kind != unstable.InlineTable {
						continue
					}
					here := at
					if first := c.Children(); first.Next() {
						if keys := first.Node().Key(); keys.Next() {
							here = line(keys.Node())
						}
					}
					l[fmt.Sprintf("%s%s.%d", prefix, key, k)] = here
					k++
				}
			}
		}
	}
	return l
}

func cutCause(key string) (list string, ok bool) {
	if len(key) > 6 && key[:6] == "cause." {
		return key[6:], true
	}
	return "", false
}

// hasKey tells whether a key of a cause itself stands on a line.
func (l lines) hasKey(key string, line int) bool {
	for k, at := range l {
		if parts := strings.Split(k, "."); at == line && len(parts) == 3 && parts[0] == "cause" && parts[2] == key {
			return true
		}
	}
	return false
}
