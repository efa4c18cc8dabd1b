package limits

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"

	"github.com/pelletier/go-toml/v2"

	"fullthrow/reports"
	"fullthrow/runner/input"
)

// The decision rules.
const (
	Simple  = "simple"
	Guarded = "guarded"
)

// What becomes of a reading that its decision rule can neither pass nor fail.
const (
	ToFail  = "fail"  // it stays inconclusive, and the unit does not pass
	ToError = "error" // it is an error of the measurement: nothing is said of the unit
)

// Set is the content of one limits file. It is never changed after [Parse] and
// may be used from several goroutines.
type Set struct {
	product      string
	inconclusive string
	sum          string
	order        []string // "check.reading" as in the file
	limits       map[string]*limit
}

// limit is one table of the file, in the unit it was written in.
type limit struct {
	line         int
	lower, upper *float64
	equal        *reports.Value
	oneOf        []reports.Value
	unit         unit
	symbol       string // as written
	rule         string
	guard        float64 // multiples of U
	why          string

	cause, causeAbove, causeBelow       string
	inspect, inspectAbove, inspectBelow string
}

// keys are what a limit may say.
var keys = []string{
	"lower", "upper", "equal", "one_of", "each", "unit", "why", "rule", "guard",
	"cause", "cause_above", "cause_below", "inspect", "inspect_above", "inspect_below",
}

// shape is a limits file as Parse reads it, for schemas: what each of keys takes.
type shape struct {
	Product      string                      `toml:"product"`
	Inconclusive string                      `toml:"inconclusive"` // "fail" (default) or "error"
	Checks       map[string]map[string]bound `toml:",rest"`
}

// bound is what a reading is held to: a table [check.reading].
type bound struct {
	Lower        float64  `toml:"lower"`
	Upper        float64  `toml:"upper"`
	Equal        any      `toml:"equal"`  // a number, true, false or a text
	OneOf        []any    `toml:"one_of"` // numbers or texts
	Each         []string `toml:"each"`   // names that stand for the * in the reading's name
	Unit         string   `toml:"unit"`
	Why          string   `toml:"why"`   // why the limit is what it is
	Rule         string   `toml:"rule"`  // "simple" or "guarded"
	Guard        float64  `toml:"guard"` // multiples of the expanded uncertainty
	Cause        string   `toml:"cause"`
	CauseAbove   string   `toml:"cause_above"`
	CauseBelow   string   `toml:"cause_below"`
	Inspect      string   `toml:"inspect"`
	InspectAbove string   `toml:"inspect_above"`
	InspectBelow string   `toml:"inspect_below"`
}

// Type is the type of a limits file, for schemas.
func Type() reflect.Type { return reflect.TypeFor[shape]() }

// Product is the product that the file says it is for.
func (s *Set) Product() string { return s.product }

// Inconclusive is what becomes of inconclusive readings: "fail" or "error".
func (s *Set) Inconclusive() string { return s.inconclusive }

// SHA256 is that of the file, in hexadecimal.
func (s *Set) SHA256() string { return s.sum }

// Names lists every limit as "check.reading", in the order of the file.
func (s *Set) Names() []string { return append([]string(nil), s.order...) }

// Expected lists the readings of a check that have a limit, without the
// check's name, in the order of the file. Each of them must come: a limit whose
// reading never came is a failure to measure.
func (s *Set) Expected(check string) []string {
	var names []string
	for _, n := range s.order {
		if c, reading, _ := strings.Cut(n, "."); c == check {
			names = append(names, reading)
		}
	}
	return names
}

// Checks lists the checks that have limits, in the order of the file.
func (s *Set) Checks() []string {
	seen := map[string]bool{}
	var checks []string
	for _, n := range s.order {
		if c, _, _ := strings.Cut(n, "."); !seen[c] {
			seen[c] = true
			checks = append(checks, c)
		}
	}
	return checks
}

// Line is where the limit "check.reading" stands in the file, 0 if there is
// none.
func (s *Set) Line(name string) int {
	if l := s.limits[name]; l != nil {
		return l.line
	}
	return 0
}

// Why is the reason that the file gives for the limit "check.reading", "" if
// there is none.
func (s *Set) Why(name string) string {
	if l := s.limits[name]; l != nil {
		return l.why
	}
	return ""
}

// Unit is the unit that the limit "check.reading" is written in, "" for a
// limit without unit (true/false, text) and where there is none.
func (s *Set) Unit(name string) string {
	if l := s.limits[name]; l != nil {
		return l.symbol
	}
	return ""
}

var nameForm = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z][a-z0-9_]*$`) })

// Parse reads a limits file. name is what problems call it. The error is a
// [*input.Error] with every problem found, and the Set is nil then.
func Parse(name string, data []byte) (*Set, error) {
	p := &parsing{List: input.List{File: name}}
	var doc map[string]any
	if err := toml.Unmarshal(data, &doc); err != nil {
		var de *toml.DecodeError
		if errors.As(err, &de) {
			line, _ := de.Position()
			hint := ""
			if strings.Contains(de.Error(), "already") {
				hint = "each limit stands in the file once"
			}
			p.Add(line, hint, "%s", strings.TrimPrefix(de.Error(), "toml: "))
		} else {
			p.Add(1, "", "%s", strings.TrimPrefix(err.Error(), "toml: "))
		}
		return nil, p.Err()
	}
	p.at = input.LinesOf(data)
	sum := sha256.Sum256(data)
	p.set = &Set{sum: hex.EncodeToString(sum[:]), limits: map[string]*limit{}}
	p.document(doc)
	if err := p.Err(); err != nil {
		return nil, err
	}
	return p.set, nil
}

type parsing struct {
	input.List
	at  input.Lines
	set *Set
}

func (p *parsing) document(doc map[string]any) {
	switch product := doc["product"].(type) {
	case string:
		if strings.TrimSpace(product) == "" {
			p.Add(p.line("product"), "", "product is empty")
		}
		p.set.product = product
	case nil:
		hint := `write product = "..." above the first table`
		for k := range doc {
			if input.Near(k, []string{"product"}) != "" {
				hint = ""
			}
		}
		if hint != "" {
			p.Add(1, hint, "product is missing")
		}
	default:
		p.Add(p.line("product"), "", "product must be a text, not %s", kindOf(product))
	}
	p.policy(doc)
	for _, check := range p.inOrder(doc) {
		line := p.line(check)
		table, ok := doc[check].(map[string]any)
		switch {
		case check == "product", check == "inconclusive":
		case !ok:
			hint := input.DidYouMean(check, []string{"product", "inconclusive"}, `a limits file holds product = "..." and tables [check.reading]`)
			p.Add(line, hint, "unknown key %q", check)
		case !nameForm().MatchString(check):
			p.Add(line, nameHint, "%q is not a name for a check", check)
		default:
			p.check(check, table)
		}
	}
}

// policy reads what becomes of inconclusive readings.
func (p *parsing) policy(doc map[string]any) {
	p.set.inconclusive = ToFail
	v, ok := doc["inconclusive"]
	if !ok {
		return
	}
	hint := `"fail": such a unit does not pass; "error": such a reading says nothing of the unit`
	switch s, isText := v.(string); {
	case !isText:
		p.Add(p.line("inconclusive"), hint, "inconclusive must be a text, not %s", kindOf(v))
	case s == "pass":
		p.Add(p.line("inconclusive"),
			`a reading that may be outside its limit cannot pass; where simple acceptance is agreed, `+
				`write rule = "simple" at that limit`, `inconclusive readings cannot pass`)
	case s != ToFail && s != ToError:
		p.Add(p.line("inconclusive"), hint, "unknown policy %q", s)
	default:
		p.set.inconclusive = s
	}
}

const nameHint = "small letters, digits and _, beginning with a letter"

func (p *parsing) check(check string, table map[string]any) {
	for _, reading := range p.inOrder(table, check) {
		line := p.line(check, reading)
		fields, ok := table[reading].(map[string]any)
		switch {
		case !ok:
			p.Add(line, fmt.Sprintf("limits belong to a reading: [%s.<reading>]", check),
				"%q stands in [%s], which is a check", reading, check)
		case !nameForm().MatchString(reading):
			p.Add(line, nameHint, "%q is not a name for a reading", reading)
		default:
			p.limit(check, reading, fields)
		}
	}
}

// inOrder returns the keys of a table as they appear in the file.
func (p *parsing) inOrder(table map[string]any, prefix ...string) []string {
	order := func(k string) int {
		_, order := p.at.Spot(append(slices.Clone(prefix), k)...)
		return order
	}
	return slices.SortedFunc(maps.Keys(table), func(a, b string) int {
		return cmp.Or(cmp.Compare(order(a), order(b)), cmp.Compare(a, b))
	})
}

// line is where a key stands, or the nearest table that would hold it.
func (p *parsing) line(path ...string) int { return max(1, p.at.At(path...)) }

func (p *parsing) limit(check, reading string, values map[string]any) {
	f := fields{p: p, path: []string{check, reading}, values: values}
	name := check + "." + reading
	for _, key := range p.inOrder(values, check, reading) {
		if slices.Contains(keys, key) {
			continue
		}
		hint := input.DidYouMean(key, keys, "a limit may have "+strings.Join(keys, ", "))
		p.Add(f.line(key), hint, "unknown key %q in [%s]", key, name)
	}
	l := &limit{
		line: p.line(check, reading), lower: f.number("lower"), upper: f.number("upper"),
		symbol: f.text("unit"), rule: Simple, why: f.text("why"),
		cause: f.text("cause"), causeAbove: f.text("cause_above"), causeBelow: f.text("cause_below"),
		inspect: f.text("inspect"), inspectAbove: f.text("inspect_above"), inspectBelow: f.text("inspect_below"),
	}
	if !f.has("why") {
		p.Add(l.line, `write why = "...": what the limit protects`, "[%s] does not say why", name)
	}
	f.kinds(l)
	f.rule(l, name)
	f.units(l, name)
	f.sides(l, name)
	p.keep(f, check, reading, l)
}

// kinds reads equal and one_of, and holds the kinds of limit apart.
func (f fields) kinds(l *limit) {
	name := strings.Join(f.path, ".")
	if v, ok := f.values["equal"]; ok {
		if x, ok := f.value("equal", v); ok {
			l.equal = &x
		}
	}
	if v, ok := f.values["one_of"]; ok {
		list, isList := v.([]any)
		if !isList || len(list) == 0 {
			f.p.Add(f.line("one_of"), `one_of = ["a", "b"]`, "one_of must be a list with at least one value")
		}
		for _, item := range list {
			x, ok := f.value("one_of", item)
			if !ok {
				continue
			}
			for _, other := range l.oneOf {
				if x.Equal(other) {
					f.p.Add(f.line("one_of"), "", "one_of lists %s twice", x)
				} else if sort := sortOf(x); sort != sortOf(other) {
					f.p.Add(f.line("one_of"), "", "one_of mixes %s and %s", sortOf(other), sort)
					return
				}
			}
			l.oneOf = append(l.oneOf, x)
		}
	}
	ranged, equal, oneOf := f.has("lower") || f.has("upper"), f.has("equal"), f.has("one_of")
	switch {
	case !ranged && !equal && !oneOf:
		f.p.Add(l.line, "give lower, upper or both, or equal, or one_of", "[%s] limits nothing", name)
	case equal && ranged:
		f.p.Add(f.line("equal"), "either a range or one value", "[%s] has equal together with lower or upper", name)
	case oneOf && (ranged || equal):
		f.p.Add(f.line("one_of"), "either a list or a range", "[%s] has one_of together with lower, upper or equal",
			name)
	}
	if l.lower == nil || l.upper == nil {
		return
	}
	switch {
	case *l.lower > *l.upper:
		f.p.Add(max(f.line("lower"), f.line("upper")), "", "lower %v is above upper %v", *l.lower, *l.upper)
	case *l.lower == *l.upper:
		f.p.Add(max(f.line("lower"), f.line("upper")), fmt.Sprintf("write equal = %v", *l.lower),
			"lower and upper are both %v", *l.lower)
	}
}

func (f fields) rule(l *limit, name string) {
	if f.has("rule") {
		l.rule = f.text("rule")
		if l.rule != Simple && l.rule != Guarded && l.rule != "" {
			hint := input.DidYouMean(l.rule, []string{Simple, Guarded}, `rules are "simple" and "guarded"`)
			f.p.Add(f.line("rule"), hint, "unknown rule %q", l.rule)
		}
	}
	if l.rule == Guarded {
		l.guard = 1
		if f.has("equal") || f.has("one_of") {
			f.p.Add(f.line("rule"), "only lower and upper can be guarded", "[%s] guards a limit that is no range", name)
		}
	}
	if g := f.number("guard"); g != nil {
		if l.rule == Simple {
			f.p.Add(f.line("guard"), `add rule = "guarded"`, "guard has no meaning with rule \"simple\"")
		}
		if *g <= 0 {
			f.p.Add(f.line("guard"), "a multiple of the expanded uncertainty, for example 1.0",
				"guard must be above 0, not %v", *g)
		}
		l.guard = *g
	}
}

func (f fields) units(l *limit, name string) {
	numeric := f.has("lower") || f.has("upper")
	if l.equal != nil {
		_, numeric = l.equal.Number()
	}
	if len(l.oneOf) > 0 {
		_, numeric = l.oneOf[0].Number()
	}
	switch {
	case numeric && (!f.has("unit") || f.values["unit"] == ""):
		f.p.Add(l.line, `write unit = "..." ("1" for a plain number)`, "[%s] has no unit", name)
	case !numeric && f.has("unit") && (f.has("equal") || f.has("one_of")):
		f.p.Add(f.line("unit"), "leave the line out", "[%s] has a unit, but its limit is no number", name)
	case numeric && l.symbol != "":
		u, err := parseUnit(l.symbol)
		if err != nil {
			f.p.Add(f.line("unit"), unitHint(l.symbol), "%s", err)
		}
		l.unit = u
	}
}

// sides complains of a cause for a side that has no limit.
func (f fields) sides(l *limit, name string) {
	for _, s := range []struct{ key, bound string }{
		{"cause_above", "upper"}, {"inspect_above", "upper"}, {"cause_below", "lower"}, {"inspect_below", "lower"},
	} {
		if f.has(s.key) && !f.has(s.bound) {
			hint := fmt.Sprintf("%s covers any failure", strings.TrimSuffix(strings.TrimSuffix(s.key, "_above"),
				"_below"))
			f.p.Add(f.line(s.key), hint, "[%s] has %s but no %s", name, s.key, s.bound)
		}
	}
}

// keep enters the limit under its name, or under one name for each.
func (p *parsing) keep(f fields, check, reading string, l *limit) {
	readings := []string{reading}
	if v, ok := f.values["each"]; ok {
		list, isList := v.([]any)
		if !isList || len(list) == 0 {
			p.Add(f.line("each"), `each = ["left_x", "left_y"]`, "each must be a list with at least one name")
		}
		readings = nil
		for _, item := range list {
			s, ok := item.(string)
			if !ok || !nameForm().MatchString(s) {
				p.Add(f.line("each"), nameHint, "each: %s is not a name", kindOf(item))
				continue
			}
			readings = append(readings, s+"_"+reading)
		}
	}
	for _, r := range readings {
		name := check + "." + r
		if other, ok := p.set.limits[name]; ok {
			p.Add(max(l.line, other.line), fmt.Sprintf("the other is on line %d", min(l.line, other.line)),
				"[%s] has two limits", name)
			continue
		}
		p.set.limits[name] = l
		p.set.order = append(p.set.order, name)
	}
}
