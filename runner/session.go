package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"fullthrow/drivers"
	"fullthrow/drivers/wav"
	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/causes"
	"fullthrow/runner/limits"
	"fullthrow/runner/script"
	"fullthrow/runner/station"
	"fullthrow/scripts"
)

// sources says which files a command works with.
type sources struct {
	bench, product, plan, limits string // as given; "" not
}

func (s *sources) flags(c *cobra.Command) {
	c.Flags().StringVar(&s.bench, "bench", "", "`FILE` that says what hardware there is")
	c.Flags().StringVar(&s.product, "product", "", "`DIR` with plan.lua, limits.toml and product.toml; default: the bench file's own if it holds a plan, else the stock one")
	c.Flags().StringVar(&s.plan, "plan", "", "`FILE` with another plan than the product's")
	c.Flags().StringVar(&s.limits, "limits", "", "`FILE` with other limits than the product's")
}

// method is how a product is tested: its plan, limits and serial numbers.
type method struct {
	product *productFile
	plan    *script.Plan
	limits  *limits.Set
	causes  *causes.Rules    // nil: the product has none
	sources []reports.Source // of the files the plan does not count itself
	// planAt, limitsAt and causesAt are the files as messages name them.
	planAt, limitsAt, causesAt string
}

// folder is the product's folder: the one given, that of the bench file if it
// holds a plan, else the stock one.
func (s sources) folder(product string) (folder, error) {
	if s.product != "" {
		if info, err := os.Stat(s.product); err != nil || !info.IsDir() {
			return folder{}, usage("--product %s: no such folder", s.product)
		}
		return dirFolder(s.product), nil
	}
	if s.bench != "" {
		if beside := dirFolder(filepath.Dir(s.bench)); beside.has("plan.lua") {
			return beside, nil
		}
	}
	return stockFolder(product)
}

// load reads plan, limits, causes and product.toml. It goes on after a file that is
// wrong, so that the error lists the problems of all of them.
func (s sources) load(product string) (*method, error) {
	home, err := s.folder(product)
	if err != nil {
		return nil, err
	}
	pick := func(given, name string) (folder, string) {
		if given != "" {
			return dirFolder(filepath.Dir(given)), filepath.Base(given)
		}
		return home, name
	}
	m := &method{}
	var problems []problem
	keep := func(err error) error {
		list, ok := asProblems(err)
		if err != nil && !ok {
			return err
		}
		problems = append(problems, list...)
		return nil
	}

	data, err := home.read("product.toml")
	if err != nil {
		return nil, err
	}
	if m.product, err = parseProduct(home.path("product.toml"), data); keep(err) != nil {
		return nil, err
	}
	m.count(home.path("product.toml"), data)

	at, name := pick(s.limits, "limits.toml")
	m.limitsAt = at.path(name)
	if data, err = at.read(name); err != nil {
		return nil, err
	}
	if m.limits, err = limits.Parse(m.limitsAt, data); keep(err) != nil {
		return nil, err
	}
	m.count(m.limitsAt, data)

	if m.causesAt = home.path("causes.toml"); home.has("causes.toml") {
		if data, err = home.read("causes.toml"); err != nil {
			return nil, err
		}
		if m.causes, err = causes.Parse(m.causesAt, data, limits.Convert); keep(err) != nil {
			return nil, err
		}
		m.count(m.causesAt, data)
	}

	at, name = pick(s.plan, "plan.lua")
	m.planAt = at.path(name)
	if _, err = at.read(name); err != nil {
		return nil, err
	}
	if m.plan, err = script.Load(at.fs, name, scripts.Lib()); err != nil {
		problems = append(problems, luaProblem(m.planAt, err))
	}
	if len(problems) == 0 {
		problems = m.agree()
	}
	if len(problems) > 0 {
		return nil, &inputError{inOrder(problems)}
	}
	return m, nil
}

// agree checks that the files are about one product.
func (m *method) agree() (problems []problem) {
	if m.plan.Product != m.product.Product {
		problems = append(problems, problem{m.planAt, 0, fmt.Sprintf("the plan is for product %q, its folder for %q", m.plan.Product, m.product.Product), ""})
	}
	if m.limits.Product() != m.product.Product {
		problems = append(problems, problem{m.limitsAt, 0, fmt.Sprintf("the limits are for product %q, the plan's folder for %q", m.limits.Product(), m.product.Product), ""})
	}
	if m.causes != nil && m.causes.Product() != m.product.Product {
		problems = append(problems, problem{m.causesAt, 0, fmt.Sprintf("the causes are for product %q, the plan's folder for %q", m.causes.Product(), m.product.Product), ""})
	}
	return problems
}

func (m *method) count(name string, data []byte) { m.sources = append(m.sources, source(name, data)) }

// source is a file by its content.
func source(name string, data []byte) reports.Source {
	sum := sha256.Sum256(data)
	return reports.Source{Name: filepath.Base(name), SHA256: hex.EncodeToString(sum[:])}
}

// luaProblem is an error of a plan as a problem of its file.
func luaProblem(planAt string, err error) problem {
	p := problem{File: planAt, Text: err.Error(), Hint: hintOf(err)}
	var e *script.Error
	if errors.As(err, &e) {
		p.Line, p.Text = e.Line, e.Text
		if strings.HasPrefix(e.File, "lib/") {
			p.File = "scripts/" + e.File
		}
	}
	return p
}

// unit names the unit whose serial number was typed or scanned.
func (m *method) unit(text, lot string) (reports.Unit, error) {
	f := m.product.format()
	serial, _, err := f.ParseScan(text)
	if err != nil {
		return reports.Unit{}, (&failure{code: exitInput, err: err})
	}
	return reports.Unit{SerialNumber: serial, Product: m.product.Product, Revision: m.product.Revision, Lot: orElse(lot, f.Lot(serial)),
		Golden: slices.Contains(m.product.Golden, serial)}, nil
}

// nestConfig is what a nest of this program is made of, whatever its hardware.
func (m *method) nestConfig(b *benchFile, i int, n *openNest, clock drivers.Clock, records *archive.Archive) station.Config {
	return station.Config{
		Station: b.Station, Name: b.Nests[i].Name, Clock: clock,
		Devices: n.devices, Drives: n.drives, Interlock: n.interlock, Heartbeat: n.heartbeat,
		Plan: m.plan, Limits: m.limits, Causes: m.taught(records), Archive: records,
		Sources:   append([]reports.Source{source(b.name, b.data)}, m.sources...),
		Keep:      station.Keep(b.Captures.Keep),
		Memory:    b.Plan.memory(),
		Sound:     encodeSound,
		Simulated: b.simulated(i),
		Software:  software(),
	}
}

// encodeSound is a capture of sound as a WAV file.
func encodeSound(s drivers.Samples) ([]byte, error) {
	var b bytes.Buffer
	err := wav.Encode(&b, s)
	return b.Bytes(), err
}

// stateDir is where records go when nothing else is said.
func stateDir() (string, error) {
	if dir := os.Getenv("XDG_STATE_HOME"); filepath.IsAbs(dir) {
		return filepath.Join(dir, "fullthrow"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", usage("there is no home directory to keep the records in: %w", err).hint("say where with --data DIR")
	}
	return filepath.Join(home, ".local", "state", "fullthrow"), nil
}

// openArchive opens the station's records in dir and says what had to be put
// right.
func (a *app) openArchive(dir, station string) (*archive.Archive, error) {
	records, err := archive.Open(dir, station)
	if err != nil {
		return nil, err
	}
	for _, s := range records.Recovered() {
		fmt.Fprintf(a.errs, "note: the run of %s that began %s was cut short; its report says %s\n",
			s.Report.Unit.SerialNumber, s.Report.Started.Local().Format("2006-01-02 15:04:05"), s.Report.Outcome)
	}
	for _, p := range records.Problems() {
		fmt.Fprintf(a.errs, "note: records: %s\n", p.Error())
	}
	return records, nil
}
