package selfcheck

import (
	"fmt"
	"maps"
	"math"
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
		decisions(), sound(), sticks(), link(), supply(), labels()} {
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
