package main

import (
	"context"
	"os"
	"path/filepath"

	"fullthrow/reports"
	"fullthrow/runner/web"
	"fullthrow/runner/web/manager"
)

// managerPages adds the manager's pages to what is served.
func (s *served) managerPages(c *web.Config) error {
	m := s.method
	mc := manager.Config{
		Look: c.Look, Files: captureFiles(s.archive.Dir()), Texts: c.Texts, Drawing: c.Drawing,
		Product: manager.Product{Name: m.product.Product, Title: m.product.Title},
		Around:  func(_ context.Context, r reports.Sealed) reports.SealCheck { return s.archive.Check(r) },
		Repair:  "/repair/", Log: s.log,
	}
	if s.index != nil {
		mc.Store = s.index.index
	}
	for _, k := range m.plan.Checks {
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

// captureFiles is the raw data in an archive's folder. The page asks only for
// names made of a hash, and proves the content by it.
type captureFiles string

func (dir captureFiles) Attachment(_ context.Context, name string) ([]byte, error) {
	return os.ReadFile(filepath.Join(string(dir), "attachments", filepath.Base(name)))
}
