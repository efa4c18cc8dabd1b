package main

import (
	"context"
	"sync"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/runner/causes"
	"fullthrow/runner/web"
	"fullthrow/runner/web/look"
	"fullthrow/runner/web/repair"
)

// repairPages adds the pages of the repair bench to what is served. The line is
// told of each repair once the returned function has been given the server.
func (s *served) repairPages(c *web.Config) (tell func(*web.Server), err error) {
	var mu sync.Mutex
	var server *web.Server
	format := s.method.product.format()
	rc := repair.Config{
		Archive: s.archive, Station: s.bench.Station,
		Product: repair.Product{Name: s.method.product.Product, Title: s.method.product.Title},
		Scan: func(text string) (string, error) {
			serial, _, err := format.ParseScan(text)
			return serial, err
		},
		Look: c.Look, Texts: c.Texts, Drawing: c.Drawing, Causes: s.method.causes.Causes(), Retests: c.Policy.Retests, Log: s.log,
		Unit: "/unit", Attachments: "/attachment/",
		Nav: func(p look.Page) []look.Link {
			return []look.Link{{Href: "/", Text: p.T("operator.title")}, {Href: "/today", Text: p.T("manager.nav.today")}}
		},
		Recorded: func(ctx context.Context, r reports.Repair) {
			mu.Lock()
			to := server
			mu.Unlock()
			if to != nil {
				to.Repaired(r)
			}
			s.repaired(ctx, r)
		},
	}
	if s.index != nil {
		rc.Store = s.index.index
	}
	bench, err := repair.New(rc)
	if err != nil {
		return nil, err
	}
	for i, p := range repair.Patterns() {
		page := web.Page{Pattern: p, Handler: bench}
		if i == 0 {
			page.Link, page.Title = "/repair/", "repair.title"
		}
		c.Pages = append(c.Pages, page)
	}
	return func(to *web.Server) {
		mu.Lock()
		defer mu.Unlock()
		server = to
	}, nil
}

// repaired takes a repair into the index. What does not fit now is found again
// in the records.
func (s *served) repaired(ctx context.Context, r reports.Repair) {
	if s.units != nil && r.Found != reports.NoFaultFound && r.Done != reports.Scrapped && r.Done != "nothing" {
		if err := s.units.give(r.Unit.SerialNumber, ""); err != nil { // of the simulation: it is sound now
			s.log.Warn("a simulated unit was not repaired", "error", err)
		}
	}
	if s.index == nil {
		return
	}
	if err := s.index.index.AddRepairs(ctx, r); err != nil {
		s.log.Warn("a repair is on record, but not in the index yet", "serial", r.Unit.SerialNumber, "error", err)
		s.index.again()
	}
	s.index.told()
}

// lessons is how many repairs the ranking of causes learns from at most, the
// newest: what was so long ago may be another process.
const lessons = 200

// taught are the product's rules with what the station's repairs have taught.
// Without an archive, as at a rehearsal, they are as the file says.
func (m *method) taught(records *archive.Archive) *causes.Rules {
	if m.causes == nil || records == nil {
		return m.causes
	}
	var cases []causes.Case
	repairs := records.Repairs()
	for i := len(repairs) - 1; i >= 0 && len(cases) < lessons; i-- {
		r := repairs[i].Repair
		if r.Unit.Product != m.product.Product || r.Unit.Golden {
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
	return m.causes.Learn(cases)
}
