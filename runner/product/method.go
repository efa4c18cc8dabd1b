package product

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/causes"
	"fullthrow/runner/input"
	"fullthrow/runner/limits"
	"fullthrow/runner/script"
	"fullthrow/scripts"
)

// Stock is the product that stands where no other is named: the invented one.
const Stock = "kittiwake-k8"

// Sources says which files a command works with.
type Sources struct {
	Bench, Product, Plan, Limits string // as given; "" not
}

// Method is how a product is tested: its plan, limits and serial numbers.
type Method struct {
	Product *productFile
	Plan    *script.Plan
	Limits  *limits.Set
	Causes  *causes.Rules    // nil: the product has none
	Sources []reports.Source // of the files the plan does not count itself
	// planAt, limitsAt and causesAt are the files as messages name them.
	PlanAt, LimitsAt, causesAt string
}

// Folder is the product's folder: the one given, that of the bench file if it
// holds a plan, else the stock one.
func (s Sources) Folder(product string) (Folder, error) {
	if s.Product != "" {
		if info, err := os.Stat(s.Product); err != nil || !info.IsDir() {
			return Folder{}, input.Usage("--product %s: no such folder", s.Product)
		}
		return Dir(s.Product), nil
	}
	if s.Bench != "" {
		if beside := Dir(filepath.Dir(s.Bench)); beside.Has("plan.lua") {
			return beside, nil
		}
	}
	return StockFolder(product)
}

// Load reads plan, limits, causes and product.toml. It goes on after a file that is
// wrong, so that the error lists the problems of all of them.
func (s Sources) Load(product string) (*Method, error) {
	home, err := s.Folder(product)
	if err != nil {
		return nil, err
	}
	pick := func(given, name string) (Folder, string) {
		if given != "" {
			return Dir(filepath.Dir(given)), filepath.Base(given)
		}
		return home, name
	}
	m := &Method{}
	var problems []input.Problem
	keep := func(err error) error {
		list, ok := input.Problems(err)
		if err != nil && !ok {
			return err
		}
		problems = append(problems, list...)
		return nil
	}

	data, err := home.Read("product.toml")
	if err != nil {
		return nil, err
	}
	if m.Product, err = parseProduct(home.Path("product.toml"), data); keep(err) != nil {
		return nil, err
	}
	m.Count(home.Path("product.toml"), data)

	at, name := pick(s.Limits, "limits.toml")
	m.LimitsAt = at.Path(name)
	if data, err = at.Read(name); err != nil {
		return nil, err
	}
	if m.Limits, err = limits.Parse(m.LimitsAt, data); keep(err) != nil {
		return nil, err
	}
	m.Count(m.LimitsAt, data)

	if m.causesAt = home.Path("causes.toml"); home.Has("causes.toml") {
		if data, err = home.Read("causes.toml"); err != nil {
			return nil, err
		}
		if m.Causes, err = causes.Parse(m.causesAt, data, limits.Convert); keep(err) != nil {
			return nil, err
		}
		m.Count(m.causesAt, data)
	}

	at, name = pick(s.Plan, "plan.lua")
	m.PlanAt = at.Path(name)
	if _, err = at.Read(name); err != nil {
		return nil, err
	}
	if m.Plan, err = script.Load(at.Files, name, scripts.Lib()); err != nil {
		problems = append(problems, LuaProblem(m.PlanAt, err))
	}
	if len(problems) == 0 {
		problems = m.agree()
	}
	if len(problems) > 0 {
		return nil, input.Wrong(input.InOrder(problems))
	}
	return m, nil
}

// agree checks that the files are about one product.
func (m *Method) agree() (problems []input.Problem) {
	if m.Plan.Product != m.Product.Product {
		problems = append(problems, input.At(m.PlanAt, 0, fmt.Sprintf("the plan is for product %q, its folder for %q",
			m.Plan.Product, m.Product.Product), ""))
	}
	if m.Limits.Product() != m.Product.Product {
		problems = append(problems, input.At(m.LimitsAt, 0, fmt.Sprintf("the limits are for product %q, the plan's "+
			"folder for %q", m.Limits.Product(), m.Product.Product), ""))
	}
	if m.Causes != nil && m.Causes.Product() != m.Product.Product {
		problems = append(problems, input.At(m.causesAt, 0, fmt.Sprintf("the causes are for product %q, the plan's "+
			"folder for %q", m.Causes.Product(), m.Product.Product), ""))
	}
	return problems
}

func (m *Method) Count(name string, data []byte) { m.Sources = append(m.Sources, Source(name, data)) }

// Source is a file by its content.
func Source(name string, data []byte) reports.Source {
	sum := sha256.Sum256(data)
	return reports.Source{Name: filepath.Base(name), SHA256: hex.EncodeToString(sum[:])}
}

// LuaProblem is an error of a plan as a problem of its file.
func LuaProblem(planAt string, err error) input.Problem {
	p := input.Problem{File: planAt, Text: err.Error(), Hint: input.HintOf(err)}
	var e *script.Error
	if errors.As(err, &e) {
		p.Line, p.Text = e.Line, e.Text
		if strings.HasPrefix(e.File, "lib/") {
			p.File = "scripts/" + e.File
		}
	}
	return p
}

// Unit names the unit whose serial number was typed or scanned.
func (m *Method) Unit(text, lot string) (reports.Unit, error) {
	f := m.Product.Format()
	serial, _, err := f.ParseScan(text)
	if err != nil {
		return reports.Unit{}, (&input.Failure{Code: input.ExitInput, Err: err})
	}
	return reports.Unit{SerialNumber: serial, Product: m.Product.Product, Revision: m.Product.Revision,
		Lot:    cmp.Or(lot, f.Lot(serial)),
		Golden: slices.Contains(m.Product.Golden, serial)}, nil
}

// File is a file of the plan as messages name it.
func (m *Method) File(name string) string {
	if strings.HasPrefix(name, "lib/") {
		return "scripts/" + name
	}
	return m.PlanAt
}

// lessons is how many repairs the ranking of causes learns from at most, the
// newest: what was so long ago may be another process.
const lessons = 200

// Taught are the product's rules with what the station's repairs have taught.
// Without an archive, as at a rehearsal, they are as the file says.
func (m *Method) Taught(records *archive.Archive) *causes.Rules {
	if m.Causes == nil || records == nil {
		return m.Causes
	}
	var cases []causes.Case
	repairs := records.Repairs()
	for i := len(repairs) - 1; i >= 0 && len(cases) < lessons; i-- {
		r := repairs[i].Repair
		if r.Unit.Product != m.Product.Product || r.Unit.Golden {
			continue
		}
		s, err := records.Load(r.Run)
		if err != nil {
			continue // of another station, or damaged: verify says so
		}
		k := causes.Case{Suggested: r.Suggested, Found: r.Found}
		for _, c := range s.Report.Checks {
			k.Readings = append(k.Readings, c.Readings...)
		}
		cases = append(cases, k)
	}
	return m.Causes.Learn(cases)
}
