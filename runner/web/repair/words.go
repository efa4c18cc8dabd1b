package repair

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"

	"fullthrow/reports"
	"fullthrow/reports/wording"
)

// sentence is a sentence of the product in the reader's language.
func (b *Bench) sentence(q *request, s string) string { return b.c.Texts[q.page.Lang].T(s) }

// capital begins a sentence with a capital letter, where there are such.
func capital(s string) string {
	for i, r := range s {
		return s[:i] + string(unicode.ToUpper(r)) + s[i+len(string(r)):]
	}
	return s
}

// part is what people call a part of the handset.
func (b *Bench) part(q *request, name string) string {
	if name == "" {
		return ""
	}
	if b.c.Drawing != nil {
		if p, ok := b.c.Drawing.Part(name); ok {
			return b.sentence(q, p.Title)
		}
	}
	return strings.ReplaceAll(name, "-", " ")
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
	if slices.Contains(reports.Findings(), code) {
		return q.t("repair.found.is_" + code)
	}
	if k, ok := b.rules[code]; ok {
		return capital(b.sentence(q, k.Cause))
	}
	return code
}

// done is a remedy in words.
func (b *Bench) done(q *request, code string) string {
	if slices.Contains(reports.Remedies(), code) {
		return q.t("repair.done." + code)
	}
	return code
}

// likely is a confidence in words, in the steps of the reports.
func likely(q *request, percent int) string {
	step := "less_likely"
	switch {
	case percent >= 85:
		step = "very_likely"
	case percent >= 60:
		step = "likely"
	case percent >= 30:
		step = "possible"
	}
	return q.t("operator.cause."+step, "percent", percent)
}

func broken(v reports.Verdict) bool { return v == reports.Fail || v == reports.Inconclusive }

// value is a value of a reading in the manner of the language.
func value(t *wording.Translator, r reports.Reading, v reports.Value) string {
	if x, ok := v.Number(); ok {
		if l := r.Limit; l != nil && v.Equal(r.Value) && broken(r.Verdict) {
			for _, edge := range []*float64{l.Lower, l.Upper} {
				if edge != nil && x != *edge {
					if s := reports.FormatQuantityBeside(x, *edge, r.Unit); s != reports.FormatQuantity(x, r.Unit) {
						return t.Localise(s)
					}
				}
			}
		}
		return t.Quantity(x, r.Unit)
	}
	if yes, ok := v.Bool(); ok {
		return t.T("operator.reading." + strconv.FormatBool(yes))
	}
	if v.IsNone() {
		return "–"
	}
	return v.String()
}

// shown is a reading's value, with what is known of it from one side.
func shown(t *wording.Translator, r reports.Reading) string {
	s := value(t, r, r.Value)
	switch r.Bound {
	case "more":
		s = t.T("operator.reading.more", "value", s)
	case "less":
		s = t.T("operator.reading.less", "value", s)
	}
	return s
}

// allowed is a limit in words.
func allowed(t *wording.Translator, r reports.Reading) string {
	l := r.Limit
	switch {
	case l == nil:
		return ""
	case l.Lower != nil && l.Upper != nil:
		return t.T("repair.limit.between", "low", t.Quantity(*l.Lower, r.Unit), "high", t.Quantity(*l.Upper, r.Unit))
	case l.Upper != nil:
		return t.T("repair.limit.most", "high", t.Quantity(*l.Upper, r.Unit))
	case l.Lower != nil:
		return t.T("repair.limit.least", "low", t.Quantity(*l.Lower, r.Unit))
	case l.Equal != nil:
		return t.T("repair.limit.exactly", "value", value(t, r, *l.Equal))
	}
	var list []string
	for _, v := range l.OneOf {
		list = append(list, value(t, r, v))
	}
	return t.T("repair.limit.exactly", "value", strings.Join(list, ", "))
}

// The sentences in which a report tells evidence, so that they can be told in
// another language: see the package runner/causes.
var (
	evidenceFailed = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^(\S+\.\S+) (.+), allowed (.+?)(?:, and (\d+) more like it)?$`)
	})
	evidenceNormal = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^(\S+\.\S+) is normal \((.+)\)(?:, and (\d+) more like it)?$`)
	})
	evidenceAbsent = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^(\S+\.\S+) was not measured$`)
	})
	evidenceBetween = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^(\S+\.\S+) (.+), between (.+) and (.+?)(?:, and (\d+) more like it)?$`)
	})
	evidenceBeyond = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^(\S+\.\S+) (.+), (above|below) (.+?)(?:, and (\d+) more like it)?$`)
	})
	evidenceRight = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^right in (\d+) of (\d+) repairs? where it was ranked first$`)
	})
	quantityBound = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^(more|less) than (.+)$`) })
	limitRange    = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^(.+) to (.+)$`) })
	limitOne      = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^(at most|at least|exactly|one of) (.+)$`)
	})
)

// evidence tells a line of evidence in the reader's language; one that is not
// known is given as it stands, with its numbers in the manner of the language.
func evidence(q *request, line string) string {
	t := q.w
	more := func(s, n string) string {
		if n == "" {
			return s
		}
		count, _ := strconv.Atoi(n)
		return q.t("repair.evidence.more", "line", s, "count", count)
	}
	quantity := func(s string) string {
		if m := quantityBound().FindStringSubmatch(s); m != nil {
			return q.t("operator.reading."+m[1], "value", t.Localise(m[2]))
		}
		return t.Localise(s)
	}
	if m := evidenceFailed().FindStringSubmatch(line); m != nil {
		limit := m[3]
		if l := limitOne().FindStringSubmatch(limit); l != nil {
			switch l[1] {
			case "at most":
				limit = q.t("repair.limit.most", "high", t.Localise(l[2]))
			case "at least":
				limit = q.t("repair.limit.least", "low", t.Localise(l[2]))
			default:
				limit = q.t("repair.limit.exactly", "value", t.Localise(l[2]))
			}
		} else if l := limitRange().FindStringSubmatch(limit); l != nil {
			limit = q.t("repair.limit.between", "low", t.Localise(l[1]), "high", t.Localise(l[2]))
		}
		return more(q.t("repair.evidence.failed", "name", m[1], "value", quantity(m[2]), "limit", limit), m[4])
	}
	if m := evidenceNormal().FindStringSubmatch(line); m != nil {
		return more(q.t("repair.evidence.normal", "name", m[1], "value", quantity(m[2])), m[3])
	}
	if m := evidenceAbsent().FindStringSubmatch(line); m != nil {
		return q.t("repair.evidence.absent", "name", m[1])
	}
	if m := evidenceBetween().FindStringSubmatch(line); m != nil {
		return more(q.t("repair.evidence.between", "name", m[1], "value", quantity(m[2]), "low", t.Localise(m[3]), "high", t.Localise(m[4])), m[5])
	}
	if m := evidenceBeyond().FindStringSubmatch(line); m != nil {
		return more(q.t("repair.evidence."+m[3], "name", m[1], "value", quantity(m[2]), "edge", t.Localise(m[4])), m[5])
	}
	if m := evidenceRight().FindStringSubmatch(line); m != nil {
		right, _ := strconv.Atoi(m[1])
		of, _ := strconv.Atoi(m[2])
		return q.t("repair.evidence.right", "right", right, "count", of)
	}
	return t.Localise(line)
}
