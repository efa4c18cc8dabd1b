package repair

import (
	"fullthrow/reports"
	"fullthrow/reports/wording"
)

// sentence is a sentence of the product in the reader's language.
func (b *Bench) sentence(q *request, s string) string { return b.c.Texts[q.page.Lang].T(s) }

// part is what people call a part of the handset.
func (b *Bench) part(q *request, name string) string {
	return b.c.Drawing.Title(b.c.Texts[q.page.Lang], name)
}

// parts are those that can be named in a repair.
func (b *Bench) parts(q *request) (list []option) {
	seen := map[string]bool{}
	put := func(name string) {
		if name != "" && !seen[name] {
			seen[name] = true
			list = append(list, option{Value: name, Text: b.part(q, name)})
		}
	}
	if b.c.Drawing != nil {
		for _, p := range b.c.Drawing.Parts() {
			put(p.Name)
		}
	}
	for _, k := range b.c.Causes {
		put(k.Part)
	}
	return list
}

// found is a finding in words: a general one, or a rule's cause.
func (b *Bench) found(q *request, code string) string {
	var cause *reports.Cause
	if k, ok := b.rules[code]; ok {
		cause = &k
	}
	return wording.Capital(q.w.Finding(b.c.Texts[q.page.Lang], code, cause))
}
