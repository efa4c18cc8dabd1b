package serve

import (
	"context"
	"time"

	"fullthrow/reports/archive"
	"fullthrow/runner/product"
	"fullthrow/runner/web"
	"fullthrow/runner/web/manager"
)

// managerPages adds the manager's pages to what is served.
func (s *Station) managerPages(c *web.Config) error {
	m := s.method
	mc := manager.Config{
		Look: c.Look, Files: manager.Directory(s.archive.Dir()), Texts: c.Texts, Drawing: c.Drawing,
		Product: manager.Product{Name: m.Product.Product, Title: m.Product.Title},
		Around:  func(_ context.Context, r archive.Sealed) archive.SealCheck { return s.archive.Check(r) },
		Witness: func() string {
			w, ok := s.archive.Witness(time.Now())
			if !ok {
				return ""
			}
			return w.String()
		},
		Repair: "/repair/", Log: s.Log, Serials: product.Serials,
	}
	if s.index != nil {
		mc.Store = s.index.index
	}
	for _, k := range m.Plan.Checks {
		mc.Checks = append(mc.Checks, manager.Check{Name: k.Name, About: k.About, Part: k.Part})
	}
	pages, err := manager.New(mc)
	if err != nil {
		return err
	}
	for i, p := range manager.Patterns() {
		page := web.Page{Pattern: p, Handler: pages}
		if i == 0 {
			page.Link, page.Title = "/today", "manager.title.today"
		}
		c.Pages = append(c.Pages, page)
	}
	return nil
}
