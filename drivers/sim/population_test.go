package sim

import (
	"errors"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
)

const stock = "../../scripts/kittiwake-k8/population.toml"

func TestPopulationStock(t *testing.T) {
	p, err := LoadPopulation(stock)
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	for _, s := range p.Defect {
		named[s.Name] = true
	}
	for _, d := range Defects() {
		if !named[d.Name] {
			t.Errorf("the stock population knows no %s", d.Name)
		}
	}
	const n = 20000
	defective, count := 0, map[string]int{}
	for i := range n {
		_, names := p.Draw(1, i)
		if len(names) > 0 {
			defective++
		}
		for _, d := range names {
			count[d]++
		}
	}
	if share := float64(defective) / n; share < 0.07 || share > 0.09 {
		t.Errorf("%.2f %% defective, want about 8 %%", 100*share)
	}
	for _, s := range p.Defect { // within five standard deviations of a binomial count
		want := s.Share * n
		if got := float64(count[s.Name]); math.Abs(got-want) > 5*math.Sqrt(want) {
			t.Errorf("%s: %v of %d, want about %v", s.Name, got, n, want)
		}
	}
}

func TestPopulationDraw(t *testing.T) {
	p, err := LoadPopulation(stock)
	if err != nil {
		t.Fatal(err)
	}
	type unit struct {
		h     Handset
		names []string
	}
	var first []unit
	for i := range 200 {
		h, names := p.Draw(9, i)
		first = append(first, unit{h, names})
	}
	for i := 199; i >= 0; i-- { // backwards: nothing may depend on what was drawn before
		h, names := p.Draw(9, i)
		if !reflect.DeepEqual(first[i], unit{h, names}) {
			t.Fatalf("unit %d is another one when drawn again", i)
		}
	}
	// The order in the file changes only the order of the names.
	q := *p
	q.Defect, q.defects = slices.Clone(p.Defect), slices.Clone(p.defects)
	slices.Reverse(q.Defect)
	slices.Reverse(q.defects)
	for i := range 200 {
		_, names := q.Draw(9, i)
		slices.Reverse(names)
		if !slices.Equal(names, first[i].names) {
			t.Fatalf("unit %d: %v in the other order, want %v", i, names, first[i].names)
		}
	}
	a, _ := p.Draw(1, 0)
	b, _ := p.Draw(2, 0)
	if a.Seed == b.Seed || a.Power.Running == b.Power.Running {
		t.Error("another seed gives the same unit")
	}
}

func TestPopulationErrors(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"unknown key", "product = 'x'\nsize = 3\n", `p.toml:2: unknown key "size"`},
		{"unknown key in a defect", "[[defect]]\nname = 'dead'\nrate = 1\n", `p.toml:3: unknown key "defect.rate"`},
		{"syntax", "product = \n", "p.toml:1: "},
		{"type", "[[defect]]\nname = 'dead'\nshare = 'much'\n", "p.toml:3: "},
		{"unknown defect", "\n[[defect]]\nshare = 0.1\nname = 'tired'\n", `p.toml:4: no defect "tired"`},
		{"no name", "\n[[defect]]\nshare = 0.1\n", `p.toml:2: no defect ""`},
		{"share", "[[defect]]\nname = 'dead'\nshare = 1.1\n[[defect]]\nname='silent'\nshare = nan\n",
			"p.toml:3: share 1.1 is not between 0 and 1\np.toml:6: share NaN is not between 0 and 1"},
		{"severity", "[[defect]]\nname = 'dead'\nseverity = [2, 1]\n", "p.toml:3: severity is not two rising numbers from 0 up"},
		{"severity, one number", "[[defect]]\nname = 'dead'\nseverity = [2]\n", "p.toml:3: severity is not"},
		{"twice", "[[defect]]\nname = 'dead'\n[[defect]]\nname = 'dead'\n", `p.toml:4: defect "dead" is named twice`},
		{"tolerance", "[tolerance]\nscale = -1\n", "p.toml:2: tolerance scale -1 is not between 0 and 10"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := ParsePopulation("p.toml", []byte(c.text))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v\nwant %s", err, c.want)
			}
			if e := (*PopulationError)(nil); !errors.As(err, &e) {
				t.Errorf("%T is no PopulationError", err)
			}
		})
	}
	if _, err := LoadPopulation("nowhere.toml"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("got %v, want not found", err)
	}
	p, err := ParsePopulation("p.toml", []byte("[[defect]]\nname = 'dead'\nshare = 1\n"))
	if err != nil {
		t.Fatal(err)
	}
	if h, names := p.Draw(0, 0); h.Power.Starts || !slices.Equal(names, []string{"dead"}) {
		t.Errorf("share 1: %v, starts %v", names, h.Power.Starts)
	}
}

// Make and Draw make the same units, MakeWith a unit with one defect that
// depends on seed, number, defect and severity and on nothing else.
func TestPopulationMake(t *testing.T) {
	p, err := LoadPopulation(stock)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 2000 {
		h, given := p.Make(1, i)
		again, names := p.Draw(1, i)
		if !reflect.DeepEqual(h, again) || len(given) != len(names) {
			t.Fatalf("unit %d: Make and Draw differ", i)
		}
		for k, g := range given {
			j := slices.IndexFunc(p.Defect, func(s Share) bool { return s.Name == g.Name })
			if s := p.Defect[j]; g.Name != names[k] || g.Severity < s.Severity[0] || g.Severity > s.Severity[1] {
				t.Fatalf("unit %d: %+v, names %v, range %v", i, g, names, s.Severity)
			}
		}
	}
	leakage, err := DefectNamed("leakage")
	if err != nil {
		t.Fatal(err)
	}
	one := p.MakeWith(1, 5, leakage, 1)
	if !reflect.DeepEqual(one, p.MakeWith(1, 5, leakage, 1)) {
		t.Error("the same unit twice is not the same")
	}
	if leak := one.Power.Leakage; leak < 40e-6 {
		t.Errorf("a leaking unit draws %v A, want at least 40 uA", leak)
	}
	if good := p.MakeWith(1, 5, leakage, 0); good.Power.Leakage > 12e-6 {
		t.Errorf("at severity 0 the unit draws %v A", good.Power.Leakage)
	}
	for name, other := range map[string]Handset{
		"seed": p.MakeWith(2, 5, leakage, 1), "number": p.MakeWith(1, 6, leakage, 1), "severity": p.MakeWith(1, 5, leakage, 1.1),
	} {
		if other.Seed == one.Seed {
			t.Errorf("another %s gives the same unit", name)
		}
	}
}

func TestMustCatch(t *testing.T) {
	p, err := ParsePopulation("p.toml", []byte(`
[[defect]]
name = "leakage"
severity = [0.6, 1.2]
[[defect]]
name = "dead"
[[defect]]
name = "stick-play"
severity = [0.2, 1]
must_catch = 0.5
`))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{0.6, 1, 0.5} {
		if got := *p.Defect[i].MustCatch; got != want {
			t.Errorf("%s: must be caught from %v, want %v", p.Defect[i].Name, got, want)
		}
	}
	for _, bad := range []string{"-1", "nan", "inf"} {
		_, err := ParsePopulation("p.toml", []byte("[[defect]]\nname = \"leakage\"\nmust_catch = "+bad))
		var pe *PopulationError
		if !errors.As(err, &pe) || pe.Line != 3 || !strings.Contains(pe.Text, "must_catch") {
			t.Errorf("must_catch = %s: %v", bad, err)
		}
	}
}

// Defects that are there or not are there at any severity.
func TestGraded(t *testing.T) {
	var not []string
	for _, d := range Defects() {
		if !d.Graded() {
			not = append(not, d.Name)
		}
	}
	want := []string{"dead", "missing-note", "silent", "stick-not-following", "switch-stuck", "no-link"}
	if !slices.Equal(not, want) {
		t.Errorf("not graded: %v, want %v", not, want)
	}
}

// LoadPopulation reads a population file.
func LoadPopulation(path string) (*Population, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return ParsePopulation(path, data)
}
