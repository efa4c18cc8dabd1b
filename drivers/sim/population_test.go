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
