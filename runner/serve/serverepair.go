package serve

import (
	"context"
	"sync"

	"fullthrow/reports"
	"fullthrow/runner/web"
	"fullthrow/runner/web/repair"
	"fullthrow/runner/web/shell"
)

// repairPages adds the pages of the repair bench to what is served. The line is
// told of each repair once the returned function has been given the server.
func (s *Station) repairPages(c *web.Config) (tell func(*web.Server), err error) {
	var mu sync.Mutex
	var server *web.Server
	format := s.method.Product.Format()
	rc := repair.Config{
		Archive: s.archive, Station: s.bench.Station,
		Product: repair.Product{Name: s.method.Product.Product, Title: s.method.Product.Title},
		Scan: func(text string) (string, error) {
			serial, _, err := format.ParseScan(text)
			return serial, err
		},
		Look: c.Look, Texts: c.Texts, Drawing: c.Drawing, Causes: s.method.Causes.Causes(), Retests: c.Policy.Retests,
		Log:  s.Log,
		Unit: "/unit", Attachments: "/attachment/",
		Nav: func(p shell.Page) []shell.Link {
			return []shell.Link{{Href: "/", Text: p.T("operator.title")},
				{Href: "/today", Text: p.T("manager.nav.today")}}
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
func (s *Station) repaired(ctx context.Context, r reports.Repair) {
	if s.units != nil && r.Found != reports.NoFaultFound && r.Done != reports.Scrapped && r.Done != "nothing" {
		if err := s.units.Give(r.Unit.SerialNumber, ""); err != nil { // of the simulation: it is sound now
			s.Log.Warn("a simulated unit was not repaired", "error", err)
		}
	}
	if s.index == nil {
		return
	}
	if err := s.index.index.AddRepairs(ctx, r); err != nil {
		s.Log.Warn("a repair is on record, but not in the index yet", "serial", r.Unit.SerialNumber, "error", err)
		s.index.again()
	}
	s.index.told()
}
