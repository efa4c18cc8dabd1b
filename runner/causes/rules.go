package causes

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"path"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"

	"fullthrow/runner/input"

	"github.com/pelletier/go-toml/v2"
)

// Rules is the content of one rule file.
type Rules struct {
	file    string
	product string
	other   float64
	convert Convert
	list    []rule // as in the file, with each name of an `each` by itself
}

// Convert returns v, stated in one unit, in another, and an error for units
// that are unknown or of different dimensions.
type Convert func(v float64, from, to string) (float64, error)

// rule is one cause, of one name where it has `each`.
type rule struct {
	name, cause, inspect, where, part string
	often                             float64
	all, any, none, for_, against     []condition
	explains                          []string // patterns of check.reading
	taught                            experience
	line                              int
}

// condition is one thing that may be so of a reading.
type condition struct {
	reading      string // check.reading, * stands for any text
	is           string
	above, below *float64
	unit         string
	count        int
	times        float64
	line         int
}

// The shape of the file.
type (
	document struct {
		Product string          `toml:"product"`
		Other   *float64        `toml:"other"`
		Name    map[string]name `toml:"name"`
		Cause   []cause         `toml:"cause"`
	}
	name struct {
		Words string `toml:"words"`
		Part  string `toml:"part"`
	}
	cause struct {
		Name     string   `toml:"name"`
		Cause    string   `toml:"cause"`
		Inspect  string   `toml:"inspect"`
		Part     string   `toml:"part"`
		Each     []string `toml:"each"`
		Often    *float64 `toml:"often"`
		All      []clause `toml:"all"`
		Any      []clause `toml:"any"`
		None     []clause `toml:"none"`
		For      []clause `toml:"for"`
		Against  []clause `toml:"against"`
		Explains []string `toml:"explains"`
	}
	clause struct {
		Reading string   `toml:"reading"`
		Is      string   `toml:"is"`
		Above   *float64 `toml:"above"`
		Below   *float64 `toml:"below"`
		Unit    string   `toml:"unit"`
		Count   *int     `toml:"count"`
		Times   *float64 `toml:"times"`
	}
)

// Type is the type of a causes file, for schemas.
func Type() reflect.Type { return reflect.TypeFor[document]() }

// wants says what each key takes, by the table it stands in.
var wants = map[string]map[string]string{
	"the file": {"product": "a text", "other": "a number", "name": "tables [name.<name>]", "cause": "tables [[cause]]"},
	"[name]":   {"words": "a text", "part": "a text"},
	"[[cause]]": {"name": "a text", "cause": "a text", "inspect": "a text", "part": "a text", "each": "a list of names",
		"often": "a number",
		"all":   "a list of conditions", "any": "a list of conditions", "none": "a list of conditions",
		"for": "a list of conditions", "against": "a list of conditions", "explains": "a list of readings"},
	"a condition": {"reading": "a text", "is": "a text", "above": "a number", "below": "a number", "unit": "a text",
		"count": "a whole number", "times": "a number"},
}

// The words of `is`.
const (
	failed  = "failed"
	kept    = "kept"
	tooHigh = "too high"
	tooLow  = "too low"
	absent  = "absent"
)

var states = []string{failed, kept, tooHigh, tooLow, absent}

// Product is the product that the file says it is for.
func (r *Rules) Product() string { return r.product }

// Names lists the rules, each once, in the order of the file.
func (r *Rules) Names() []string {
	var names []string
	for _, x := range r.list {
		if !slices.Contains(names, x.name) {
			names = append(names, x.name)
		}
	}
	return names
}

// Parse reads a rule file. name is what problems call it, convert turns
// quantities from one unit into another. The error is a [*input.Error] with every
// problem found, and the Rules are nil then.
func Parse(name string, data []byte, convert Convert) (*Rules, error) {
	p := &parsing{List: input.List{File: name}, rules: &Rules{file: name, other: 1, convert: convert}}
	var doc document
	if !p.decode(data, &doc) {
		return nil, p.Err()
	}
	p.lines = input.LinesOf(data)
	p.document(doc)
	if err := p.Err(); err != nil {
		return nil, err
	}
	return p.rules, nil
}

type parsing struct {
	input.List
	lines input.Lines
	rules *Rules
}

// decode reads the text into doc; unknown keys and values of the wrong kind
// are problems.
func (p *parsing) decode(data []byte, doc *document) bool {
	err := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields().Decode(doc)
	var unknown *toml.StrictMissingError
	var de *toml.DecodeError
	switch {
	case err == nil:
		return true
	case errors.As(err, &unknown):
		direct := input.LinesOf(data)
		for _, e := range unknown.Errors {
			line, _ := e.Position()
			key, table := inTable(e.Key())
			if table == "[[cause]]" && !ofCause(direct, key, line) {
				table = "a condition" // the path of a key leaves out the list it is in
			}
			p.Add(line, input.DidYouMean(key, keysOf(table), ""), "unknown key %q in %s", key, table)
		}
	case errors.As(err, &de):
		line, _ := de.Position()
		text := strings.TrimPrefix(de.Error(), "toml: ")
		if key, table := inTable(de.Key()); wants[table][key] != "" && strings.Contains(text, "decode") {
			text = key + " must be " + wants[table][key]
		}
		p.Add(line, "", "%s", text)
	default:
		p.Add(1, "", "%s", strings.TrimPrefix(err.Error(), "toml: "))
	}
	return false
}

// inTable says which key of which table is meant by a path of keys.
func inTable(key toml.Key) (last, table string) {
	if len(key) == 0 {
		return "", "the file"
	}
	last = key[len(key)-1]
	switch {
	case len(key) == 1:
		return last, "the file"
	case key[0] == "name":
		return last, "[name]"
	case len(key) == 2:
		return last, "[[cause]]"
	}
	return last, "a condition"
}

func keysOf(table string) []string {
	var keys []string
	for k := range wants[table] {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

var (
	nameForm = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z][a-z0-9_-]*$`) })
	// each: letters as in names of readings.
	eachForm    = sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(`^[a-z][a-z0-9_]*$`) })
	readingForm = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^[a-z*][a-z0-9_*]*\.[a-z*][a-z0-9_*]*$`)
	})
)

func (p *parsing) document(doc document) {
	p.rules.product = doc.Product
	if doc.Product == "" {
		p.Add(p.lines.At("product"), `write product = "..." above the first table`, "product is missing")
	}
	if doc.Other != nil {
		p.rules.other = *doc.Other
		if !(*doc.Other > 0) || math.IsInf(*doc.Other, 0) {
			p.Add(p.lines.At("other"), "what the file does not know has some weight: a rule is never certain",
				"other must be above 0, not %v", *doc.Other)
		}
	}
	for n, v := range doc.Name {
		if v.Words == "" {
			p.Add(p.lines.At("name", n), `words = "left stick, sideways"`, "[name.%s] has no words", n)
		}
	}
	if len(doc.Cause) == 0 {
		p.Add(1, "each rule is a table [[cause]]", "there is no cause in the file")
	}
	used := map[string]int{}
	eaches := map[string]bool{}
	for i, c := range doc.Cause {
		line := p.lines.At("cause", strconv.Itoa(i))
		switch {
		case c.Name == "":
			p.Add(line, `name = "stick-play"`, "a cause without a name")
		case !nameForm().MatchString(c.Name):
			p.Add(line, "small letters, digits, - and _, beginning with a letter", "%q is not a name for a cause",
				c.Name)
		case used[c.Name] > 0:
			p.Add(line, fmt.Sprintf("the other is on line %d", used[c.Name]), "cause %q stands twice", c.Name)
		}
		used[c.Name] = line
		for _, e := range c.Each {
			eaches[e] = true
		}
		p.cause(i, line, c, doc.Name)
	}
	for n := range doc.Name {
		if !eaches[n] {
			var known []string
			for e := range eaches {
				known = append(known, e)
			}
			slices.Sort(known)
			p.Add(p.lines.At("name", n), input.DidYouMean(n, known, ""), "[name.%s]: no cause has this in its each", n)
		}
	}
}

func (p *parsing) cause(i, line int, c cause, names map[string]name) {
	r := rule{name: c.Name, cause: c.Cause, inspect: c.Inspect, part: c.Part, often: 1, line: line,
		explains: c.Explains, taught: experience{ratio: 1}}
	if c.Cause == "" {
		p.Add(line, `cause = "play between shaft and potentiometer"`, "cause %q does not say what is wrong", c.Name)
	}
	if c.Inspect == "" {
		p.Add(line, `inspect = "...": what to look at first`, "cause %q does not say what to inspect", c.Name)
	}
	if c.Often != nil {
		if r.often = *c.Often; !(r.often > 0) || math.IsInf(r.often, 0) {
			p.Add(line, "", "often must be above 0, not %v", r.often)
		}
	}
	if len(c.All)+len(c.Any) == 0 {
		p.Add(line, "say in all or any what must be so", "cause %q would fit every unit", c.Name)
	}
	for _, l := range []struct {
		key  string
		from []clause
		to   *[]condition
	}{{"all", c.All, &r.all}, {"any", c.Any, &r.any}, {"none", c.None, &r.none}, {"for", c.For, &r.for_},
		{"against", c.Against, &r.against}} {
		for j, cl := range l.from {
			at := p.lines.At("cause", strconv.Itoa(i), l.key, strconv.Itoa(j))
			*l.to = append(*l.to, p.clause(max(at, line), cl, l.key == "for" || l.key == "against"))
		}
	}
	p.patterns(line, c, r)
	if p.Err() != nil {
		return
	}
	if c.Each == nil {
		p.rules.list = append(p.rules.list, r)
		return
	}
	for _, e := range c.Each {
		p.rules.list = append(p.rules.list, r.of(e, names[e]))
	}
}

// patterns checks names of readings, and that `each` is used.
func (p *parsing) patterns(line int, c cause, r rule) {
	type place struct {
		text string
		line int
	}
	var all []place
	for _, list := range [][]condition{r.all, r.any, r.none, r.for_, r.against} {
		for _, k := range list {
			all = append(all, place{k.reading, k.line})
		}
	}
	for _, e := range r.explains {
		all = append(all, place{e, line})
	}
	uses := false
	for _, a := range all {
		bare := strings.ReplaceAll(a.text, "{each}", "x")
		uses = uses || bare != a.text
		if _, err := path.Match(bare, ""); err != nil || !readingForm().MatchString(bare) {
			p.Add(a.line, `check.reading, as in the limits: "centre.left_x_play"`, "%q is not the name of a reading",
				a.text)
		}
		if bare != a.text && c.Each == nil {
			p.Add(a.line, `each = ["left_x", ...]`, "%q: the cause has no each", a.text)
		}
	}
	if c.Each != nil && len(c.Each) == 0 {
		p.Add(line, `each = ["left_x", "left_y"]`, "each must be a list with at least one name")
	}
	if len(c.Each) > 0 && !uses {
		p.Add(line, "write {each} where the name stands in a reading", "cause %q has each, and no reading that uses it",
			c.Name)
	}
	for k, e := range c.Each {
		if !eachForm().MatchString(e) {
			p.Add(line, "small letters, digits and _, beginning with a letter", "each: %q is not a name", e)
		}
		if slices.Contains(c.Each[:k], e) {
			p.Add(line, "", "each lists %s twice", e)
		}
	}
}

func (p *parsing) clause(line int, c clause, timed bool) condition {
	k := condition{reading: c.Reading, is: c.Is, above: c.Above, below: c.Below, unit: c.Unit, count: 1, times: 1,
		line: line}
	bounded := c.Above != nil || c.Below != nil
	switch {
	case c.Reading == "":
		p.Add(line, `reading = "centre.left_x_play"`, "a condition without a reading")
	case c.Is == "" && !bounded:
		p.Add(line, `is = "failed", or above or below with a unit`, "nothing is said of %q", c.Reading)
	case c.Is != "" && bounded:
		p.Add(line, "two conditions in all say both", "is and above or below together")
	case c.Is != "" && !slices.Contains(states, c.Is):
		p.Add(line, input.DidYouMean(c.Is, states, "one of "+strings.Join(states, ", ")), "is %q", c.Is)
	case c.Is != "" && c.Unit != "":
		p.Add(line, "leave it out", "a unit, but no quantity")
	}
	if bounded {
		if c.Unit == "" {
			p.Add(line, `unit = "1" for a plain number`, "a quantity without a unit")
		} else if _, err := p.rules.convert(1, c.Unit, c.Unit); err != nil {
			p.Add(line, "", "%s", err)
		}
	}
	for _, x := range []*float64{c.Above, c.Below} {
		if x != nil && (math.IsNaN(*x) || math.IsInf(*x, 0)) {
			p.Add(line, "", "above and below must be finite")
		}
	}
	if c.Above != nil && c.Below != nil && *c.Above >= *c.Below {
		p.Add(line, "", "no value is above %v and below %v", *c.Above, *c.Below)
	}
	if c.Count != nil {
		k.count = *c.Count
		switch {
		case !strings.Contains(c.Reading, "*"):
			p.Add(line, `count goes with *: "sticks.*_noise"`, "count of a single reading")
		case k.count < 1 || k.count > 1000:
			p.Add(line, "", "count must be 1 or more, not %d", k.count)
		}
	}
	switch {
	case c.Times == nil && timed:
		p.Add(line, "times = 5: how many times as likely this makes, or does not make, the cause",
			"evidence without its weight")
	case c.Times != nil && !timed:
		p.Add(line, "evidence stands in for and against", "times in a condition that must hold")
	case c.Times != nil:
		if k.times = *c.Times; !(k.times > 1 && k.times <= 1000) {
			p.Add(line, "", "times must be above 1 and at most 1000, not %v", k.times)
		}
	}
	return k
}

// of is the rule for one name of its each.
func (r rule) of(e string, n name) rule {
	put := func(s string) string { return strings.ReplaceAll(s, "{each}", e) }
	r.where = n.Words
	if r.where == "" {
		r.where = strings.ReplaceAll(e, "_", " ")
	}
	if n.Part != "" {
		r.part = n.Part
	}
	for _, list := range []*[]condition{&r.all, &r.any, &r.none, &r.for_, &r.against} {
		*list = slices.Clone(*list)
		for i := range *list {
			(*list)[i].reading = put((*list)[i].reading)
		}
	}
	r.explains = slices.Clone(r.explains)
	for i := range r.explains {
		r.explains[i] = put(r.explains[i])
	}
	return r
}
