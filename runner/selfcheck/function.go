package selfcheck

import (
	"fmt"
	"maps"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"fullthrow/reports"
	"fullthrow/reports/serial"
	"fullthrow/runner/limits"
)

// Function calls a function of the program with the arguments of a row and
// gives its figures by name.
type Function func(*Args) (Figures, error)

// Figures are float64 or string.
type Figures map[string]any

// Functions are those of the program that need no driver, by the name under
// which rows call them.
func Functions() map[string]Function {
	all := map[string]Function{}
	for _, m := range []map[string]Function{summaries(), intervals(), yields(), capability(), control(), comparisons(),
		decisions(), sound(), light(), sticks(), link(), supply(), labels()} {
		maps.Copy(all, m)
	}
	return all
}

// Args are the arguments of a row. The first that is missing or of the wrong
// kind makes the whole row a miss.
type Args struct {
	list []any
	err  error
}

// Len is how many there are.
func (a *Args) Len() int { return len(a.list) }

func (a *Args) bad(i int, want string) {
	if a.err == nil {
		got := "nothing"
		if i < len(a.list) {
			got = fmt.Sprintf("%v", a.list[i])
		}
		a.err = fmt.Errorf("argument %d is %s, not %s", i+1, got, want)
	}
}

// Number is argument i, 0 first.
func (a *Args) Number(i int) float64 {
	if i < len(a.list) {
		switch v := a.list[i].(type) {
		case float64:
			return v
		case int64:
			return float64(v)
		}
	}
	a.bad(i, "a number")
	return math.NaN()
}

// Whole is argument i as a whole number.
func (a *Args) Whole(i int) int {
	v := a.Number(i)
	if v != math.Trunc(v) || math.Abs(v) > 1<<50 {
		a.bad(i, "a whole number")
		return 0
	}
	return int(v)
}

// Bound is argument i, nil for the text "none".
func (a *Args) Bound(i int) *float64 {
	if i < len(a.list) && a.list[i] == "none" {
		return nil
	}
	v := a.Number(i)
	return &v
}

// Text is argument i.
func (a *Args) Text(i int) string {
	if i < len(a.list) {
		if s, ok := a.list[i].(string); ok {
			return s
		}
	}
	a.bad(i, "a text")
	return ""
}

// Data is the data set that argument i names.
func (a *Args) Data(i int) [][]float64 {
	name := a.Text(i)
	sets, err := dataSets(name)
	if err != nil && a.err == nil {
		a.err = err
	}
	if sets[name] == nil {
		a.bad(i, "a data set")
		return [][]float64{nil}
	}
	return sets[name]
}

// process is a distribution by name and two parameters: "normal", mean, sd;
// "gamma", shape, scale.
func process(a *Args, i int) limits.Process {
	switch name := a.Text(i); name {
	case "normal":
		return distuv.Normal{Mu: a.Number(i + 1), Sigma: a.Number(i + 2)}
	case "gamma":
		return distuv.Gamma{Alpha: a.Number(i + 1), Beta: 1 / a.Number(i+2)}
	}
	a.bad(i, "a distribution")
	return distuv.UnitNormal
}

func decisions() map[string]Function {
	return map[string]Function{
		// estimate, standard uncertainty, lower, upper limit
		"limits.Conformance": func(a *Args) (Figures, error) {
			return Figures{"probability": limits.Conformance(a.Number(0), a.Number(1), a.Bound(2), a.Bound(3))}, nil
		},
		// distribution and its two parameters, standard uncertainty, lower, upper limit, guard band
		"limits.GlobalRisk": func(a *Args) (Figures, error) {
			r, err := limits.GlobalRisk(process(a, 0), a.Number(3), a.Bound(4), a.Bound(5), a.Number(6))
			return Figures{"consumer's risk": r.Consumer, "producer's risk": r.Producer}, err
		},
		// the same, but the consumer's risk instead of the guard band
		"limits.GuardBand": func(a *Args) (Figures, error) {
			w, err := limits.GuardBand(process(a, 0), a.Number(3), a.Bound(4), a.Bound(5), a.Number(6))
			f := Figures{"guard band": w}
			if upper := a.Bound(5); upper != nil {
				f["accepted up to"] = *upper - w
			}
			return f, err
		},
		// lower, upper limit, guard (0: simple acceptance), value, expanded
		// uncertainty, all in a limits file's unit mm
		"limits.Judge": func(a *Args) (Figures, error) {
			rule := "rule = \"simple\"\n"
			if a.Number(2) > 0 {
				rule = fmt.Sprintf("rule = \"guarded\"\nguard = %v\n", a.Number(2))
			}
			text := fmt.Sprintf("product = \"p\"\n[c.r]\nlower = %v\nupper = %v\nunit = \"mm\"\nwhy = \"w\"\n%s",
				a.Number(0), a.Number(1), rule)
			set, err := limits.Parse("limits.toml", []byte(text))
			if err != nil {
				return nil, err
			}
			r := set.Judge("c", "r", limits.Indication{Value: reports.Number(a.Number(3)), Unit: "mm",
				Uncertainty: a.Number(4)})
			return Figures{"verdict": string(r.Verdict)}, nil
		},
	}
}

func labels() map[string]Function {
	return map[string]Function{
		"serial.CheckMod3736": func(a *Args) (Figures, error) {
			c, err := serial.CheckMod3736(a.Text(0))
			return Figures{"check character": string(rune(c))}, err
		},
		"serial.CheckGS1": func(a *Args) (Figures, error) {
			c, err := serial.CheckGS1(a.Text(0))
			return Figures{"check digit": string(rune(c))}, err
		},
		// A label as scanned, ^ for FNC1. That it is refused is an answer.
		"serial.Format.ParseScan": func(a *Args) (Figures, error) {
			number, gtin, err := serial.Format{Product: "any"}.ParseScan(strings.ReplaceAll(a.Text(0), "^", "\x1d"))
			switch {
			case err == nil:
				return Figures{"serial number": number, "GTIN": gtin}, nil
			case strings.Contains(err.Error(), "not a sound GS1 label"):
				return Figures{"answer": "not a sound label"}, nil
			case strings.Contains(err.Error(), "has no serial number"):
				return Figures{"answer": "no serial number"}, nil
			}
			return nil, err
		},
	}
}
