package selfcheck

import (
	"bytes"
	"embed"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

//go:embed catalogue/*.toml
var files embed.FS

// Provenance of a published value.
const (
	Published      = "published"
	Recomputed     = "re-computed"
	CommonPractice = "common practice"
	FromMemory     = "from memory"
)

// Provenances in the order in which they are counted.
func Provenances() []string { return []string{Published, Recomputed, CommonPractice, FromMemory} }

// Areas in the order in which they are shown; each is a file of the catalogue.
func Areas() []string {
	return []string{"statistics", "intervals", "yield", "capability", "control", "comparison", "decisions", "sound", "light",
		"sticks", "link", "supply", "protocols", "labels"}
}

// Call is one call of a function of the program, and the values that must come
// of it.
type Call struct {
	Area       string
	Name       string  `toml:"name"`
	What       string  `toml:"what"`
	Function   string  `toml:"function"`
	Args       []any   `toml:"args"`
	Source     string  `toml:"source"`
	Provenance string  `toml:"provenance"`
	Note       string  `toml:"note"`
	Values     []Value `toml:"values"`
}

// Value is one published value. Either Want or Text is given.
type Value struct {
	Of   string  `toml:"of"`   // the figure, as the function names it
	As   string  `toml:"as"`   // its name here, where one figure is compared twice; else Of
	Want string  `toml:"want"` // a number, as its source prints it
	Text *string `toml:"text"` // or a text
	// Allowed is the difference that is allowed, Relative the same as a share of
	// the published value; neither: half a unit in the last place of Want.
	Allowed  *float64 `toml:"allowed"`
	Relative float64  `toml:"relative"`

	// Where they differ from those of the call:
	Source     string `toml:"source"`
	Provenance string `toml:"provenance"`
	Note       string `toml:"note"`
}

// Catalogue is every call that is shipped with the program.
func Catalogue() ([]Call, error) {
	var all []Call
	for _, area := range Areas() {
		name := "catalogue/" + area + ".toml"
		data, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, fmt.Errorf("self-check: %w", err)
		}
		calls, err := Parse(name, data)
		if err != nil {
			return nil, err
		}
		all = append(all, calls...)
	}
	return all, nil
}

// Parse reads one file of the catalogue, strictly: an unknown key or provenance,
// a name given twice and a value without source are errors.
func Parse(name string, data []byte) ([]Call, error) {
	var doc struct {
		Area string `toml:"area"`
		Call []Call `toml:"call"`
	}
	d := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := d.Decode(&doc); err != nil {
		return nil, fmt.Errorf("self-check: %s: %w", name, err)
	}
	if !slices.Contains(Areas(), doc.Area) {
		return nil, fmt.Errorf("self-check: %s: there is no area %q", name, doc.Area)
	}
	seen := map[string]bool{}
	for i := range doc.Call {
		c := &doc.Call[i]
		c.Area = doc.Area
		for j := range c.Values {
			v := &c.Values[j]
			if v.As == "" {
				v.As = v.Of
			}
			if v.Source == "" {
				v.Source = c.Source
			}
			if v.Provenance == "" {
				v.Provenance = c.Provenance
			}
			if v.Note == "" {
				v.Note = c.Note
			}
			id := c.id(*v)
			switch {
			case seen[id]:
				return nil, fmt.Errorf("self-check: %s: %s is there twice", name, id)
			case c.Name == "" || c.What == "" || v.Source == "":
				return nil, fmt.Errorf("self-check: %s: %s lacks name, what or source", name, id)
			case !slices.Contains(Provenances(), v.Provenance):
				return nil, fmt.Errorf("self-check: %s: %s: unknown provenance %q", name, id, v.Provenance)
			case (v.Text == nil) == (v.Want == ""):
				return nil, fmt.Errorf("self-check: %s: %s needs want or text, and not both", name, id)
			}
			if v.Text == nil {
				if _, _, err := v.Wanted(); err != nil {
					return nil, fmt.Errorf("self-check: %s: %s: %w", name, id, err)
				}
			}
			seen[id] = true
		}
	}
	return doc.Call, nil
}

func (c Call) id(v Value) string { return c.Area + "." + c.Name + "." + v.As }

// String is the call as it is written in Go, but for the figures that stand for
// generated captures.
func (c Call) String() string {
	args := make([]string, len(c.Args))
	for i, a := range c.Args {
		switch a := a.(type) {
		case string:
			args[i] = strconv.Quote(a)
		case float64:
			args[i] = strconv.FormatFloat(a, 'g', -1, 64)
		default:
			args[i] = fmt.Sprint(a)
		}
	}
	return c.Function + "(" + strings.Join(args, ", ") + ")"
}

// Wanted is the number and the difference allowed from it.
func (v Value) Wanted() (want, allowed float64, err error) {
	want, err = strconv.ParseFloat(v.Want, 64)
	switch {
	case err != nil || math.IsNaN(want) || math.IsInf(want, 0):
		return 0, 0, fmt.Errorf("want is no number: %q", v.Want)
	case v.Allowed != nil && v.Relative != 0:
		return 0, 0, fmt.Errorf("allowed and relative exclude each other")
	case v.Allowed != nil:
		allowed = *v.Allowed
	case v.Relative != 0:
		allowed = v.Relative * math.Abs(want)
	default:
		// A hair more, for values that end in an exact five.
		allowed = 0.5 * lastPlace(v.Want) * (1 + 1e-6)
	}
	if !(allowed >= 0) || math.IsInf(allowed, 0) {
		return 0, 0, fmt.Errorf("the allowed difference is %v", allowed)
	}
	return want, allowed, nil
}

// lastPlace is what the last digit of a printed number counts: 0.01 in 3.92.
func lastPlace(number string) float64 {
	mantissa, exponent, _ := strings.Cut(strings.ToLower(number), "e")
	places := 0
	if _, digits, ok := strings.Cut(mantissa, "."); ok {
		places = len(digits)
	}
	e, err := strconv.Atoi(exponent)
	if err != nil {
		e = 0
	}
	return math.Pow10(e - places)
}
