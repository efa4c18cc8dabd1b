package sim

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// Population says which share of a production has which defect, and how bad.
//
// Its file is TOML, read strictly:
//
//	product = "kittiwake-k8"
//
//	[tolerance]
//	scale = 1.0                # of the spans named at Good; 0 = all alike
//
//	[[defect]]
//	name     = "foreign-tone"  # one of Defects
//	share    = 0.004           # of all units, 0..1
//	severity = [0.6, 1.2]      # drawn evenly between the two; 1 = clearly bad
//	must_catch = 0.8           # from which severity on a plan must catch it; the lower of the two if not given
type Population struct {
	Product   string    `toml:"product"`
	Tolerance Tolerance `toml:"tolerance"`
	Defect    []Share   `toml:"defect"`
	defects   []Defect  // of each Share
}

// Tolerance scales the production tolerances of good units.
type Tolerance struct {
	Scale float64 `toml:"scale"`
}

// Share is how often and how badly a defect occurs.
type Share struct {
	Name     string    `toml:"name"`
	Share    float64   `toml:"share"`
	Severity []float64 `toml:"severity"`
	// MustCatch is the severity from which on a unit with the defect must not
	// pass; below it, nobody expects that it is seen.
	MustCatch *float64 `toml:"must_catch"`
}

// Given is a defect that a unit was given.
type Given struct {
	Name     string
	Severity float64
}

// PopulationError is a mistake in a population file.
type PopulationError struct {
	File string
	Line int // 1 first; 0 where the mistake has no line
	Text string
}

func (e *PopulationError) Error() string {
	if e.Line == 0 {
		return e.File + ": " + e.Text
	}
	return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.Text)
}

// maxPopulation is how large a population file may be, in bytes.
const maxPopulation = 256 << 10

// ParsePopulation reads the text of a population file; name is for messages.
// Every mistake found is a [*PopulationError], joined.
func ParsePopulation(name string, data []byte) (*Population, error) {
	if len(data) > maxPopulation {
		return nil, &PopulationError{name, 0, fmt.Sprintf("larger than %d KiB", maxPopulation>>10)}
	}
	n := 0
	for line := range bytes.Lines(data) { // a key of very many parts takes memory by its square
		if n++; bytes.Count(line, []byte(".")) > 500 {
			return nil, &PopulationError{name, n, "a line with more than 500 points"}
		}
	}
	p := &Population{Tolerance: Tolerance{Scale: 1}}
	dec := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := dec.Decode(p); err != nil {
		return nil, decodeError(name, err)
	}
	lines := keyLines(data)
	var errs []error
	wrong := func(key, format string, args ...any) {
		errs = append(errs, &PopulationError{name, lines[key], fmt.Sprintf(format, args...)})
	}
	if s := p.Tolerance.Scale; !(s >= 0 && s <= 10) {
		wrong("tolerance.scale", "tolerance scale %v is not between 0 and 10", s)
	}
	for i, s := range p.Defect {
		at := func(key string) string {
			if k := fmt.Sprintf("defect[%d].%s", i, key); lines[k] > 0 {
				return k
			}
			return fmt.Sprintf("defect[%d]", i)
		}
		d, err := DefectNamed(s.Name)
		if err != nil {
			wrong(at("name"), "%v", err)
		}
		if slices.ContainsFunc(p.Defect[:i], func(o Share) bool { return o.Name == s.Name }) {
			wrong(at("name"), "defect %q is named twice", s.Name)
		}
		p.defects = append(p.defects, d)
		if !(s.Share >= 0 && s.Share <= 1) {
			wrong(at("share"), "share %v is not between 0 and 1", s.Share)
		}
		if len(s.Severity) == 0 {
			p.Defect[i].Severity = []float64{1, 1}
		} else if len(s.Severity) != 2 || !(s.Severity[0] >= 0 && s.Severity[0] <= s.Severity[1]) || math.IsInf(
			s.Severity[1], 0) {
			wrong(at("severity"), "severity is not two rising numbers from 0 up")
		}
		if m := s.MustCatch; m == nil {
			lower := 1.0
			if len(p.Defect[i].Severity) > 0 {
				lower = p.Defect[i].Severity[0]
			}
			p.Defect[i].MustCatch = &lower
		} else if !(*m >= 0) || math.IsInf(*m, 0) {
			wrong(at("must_catch"), "must_catch is not a number from 0 up")
		}
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return p, nil
}

// decodeError gives the positions of the TOML library's errors.
func decodeError(name string, err error) error {
	if strict, ok := errors.AsType[*toml.StrictMissingError](err); ok {
		var errs []error
		for _, e := range strict.Errors {
			line, _ := e.Position()
			errs = append(errs, &PopulationError{name, line, fmt.Sprintf("unknown key %q", keyText(e.Key()))})
		}
		return errors.Join(errs...)
	}
	if d, ok := errors.AsType[*toml.DecodeError](err); ok {
		line, _ := d.Position()
		return &PopulationError{name, line, d.Error()}
	}
	return &PopulationError{name, 0, err.Error()}
}

func keyText(k toml.Key) string {
	s := ""
	for i, part := range k {
		if i > 0 {
			s += "."
		}
		s += part
	}
	return s
}

// keyLines finds the line of every key: "product", "tolerance.scale",
// "defect[0]", "defect[0].share".
func keyLines(data []byte) map[string]int {
	lines := map[string]int{}
	var p unstable.Parser
	p.Reset(data)
	table, count := "", map[string]int{}
	for p.NextExpression() {
		e := p.Expression()
		key, line := "", 0
		for it := e.Key(); it.Next(); {
			if key != "" {
				key += "."
			}
			key += string(it.Node().Data)
			line = p.Shape(it.Node().Raw).Start.Line
		}
		switch e.Kind {
		case unstable.Table:
			table = key + "."
			lines[key] = line
		case unstable.ArrayTable:
			name := fmt.Sprintf("%s[%d]", key, count[key])
			count[key]++
			table = name + "."
			lines[name] = line
		case unstable.KeyValue:
			lines[table+key] = line
		}
	}
	return lines
}

// Draw makes unit number index of a production: the handset and the names of
// its defects, see [Population.Make].
func (p *Population) Draw(seed uint64, index int) (Handset, []string) {
	h, given := p.Make(seed, index)
	var names []string
	for _, g := range given {
		names = append(names, g.Name)
	}
	return h, names
}

// Make makes unit number index of a production: the handset and its defects, in
// the order of the file (none: a good unit). It depends on seed and index
// only, not on what was made before; each defect is drawn independently of the
// others.
func (p *Population) Make(seed uint64, index int) (Handset, []Given) {
	stream := mix(uint64(index))
	h := good(newRand(seed, stream^hash("handset")), p.Tolerance.Scale)
	var all []Given
	for i, s := range p.Defect {
		rng := newRand(seed, stream^hash(s.Name))
		if rng.Float64() >= s.Share {
			continue
		}
		severity := s.Severity[0] + (s.Severity[1]-s.Severity[0])*rng.Float64()
		if severity > 0 {
			p.defects[i].Apply(&h, severity, rng)
			all = append(all, Given{s.Name, severity})
		}
	}
	return h, all
}

// MakeWith makes unit number index of a production that has this defect and no
// other, at this severity. It depends on all its arguments and nothing else.
func (p *Population) MakeWith(seed uint64, index int, d Defect, severity float64) Handset {
	stream := mix(uint64(index)) ^ hash("alone") ^ hash(d.Name) ^ mix(math.Float64bits(severity))
	h := good(newRand(seed, stream^hash("handset")), p.Tolerance.Scale)
	d.Apply(&h, severity, newRand(seed, stream^hash("defect")))
	return h
}
