package browser

import (
	"net/url"
	"strings"
	"testing"
)

func escape(text string) string { return url.QueryEscape(text) }

// hostilePaths are addresses that take something from whoever wrote the link.
var hostilePaths = []string{"/repair/scan?text=", "/repair/unit?serial=", "/repair/unit?run=", "/repair/record?found=", "/repair/record?suggested=", "/picture/",
	"/today?lot=", "/fails?check=", "/fails?by=", "/drift?reading=", "/hold?reading=", "/differs?by=", "/units?cause=", "/unit?serial=", "/report/", "/attachment/"}

// loaded is that all of a page is there, shown that one of the manager's stands.
const (
	loaded = `document.readyState === "complete"`
	shown  = `document.querySelector("main h1") && ` + loaded
)

// Every page, with three weeks of history in it: languages, screens, paper,
// keyboard, accessibility.
func TestPages(t *testing.T) {
	need(t)
	engine := axe(t)
	s := newStation(t, "--pace", "200") // makes its past while other tests run
	t.Parallel()
	p := browse(t, s, "pages")
	s.history(t)
	p.openUntil("/repair/", "units wait", `document.querySelector(".rp-unit")`)
	waiting := eval[string](p, `document.querySelector(".rp-unit").getAttribute("href")`)
	for _, c := range []struct{ name, path, ready string }{
		{"fixture", "/fixture", `document.querySelector("[data-unit]").innerText`},
		{"repair-list", "/repair/", `document.querySelector(".rp-unit")`},
		{"repair-unit", waiting, `document.querySelector("#repair-form")`},
		{"today", "/today?period=30d", shown},
		{"today-empty", "/today?since=2020-01-01&until=2020-01-02", shown},
		{"fails", "/fails", shown},
		{"fails-readings", "/fails?by=reading", shown},
		{"drift", "/drift?reading=tune.weakest", shown},
		{"hold", "/hold?reading=tune.weakest", shown},
		{"differs", "/differs?reading=tune.weakest&by=lot", shown},
		{"units", "/units?outcome=failed", shown},
		{"unit", strings.Replace(waiting, "/repair/unit", "/unit", 1), shown},
		{"repair-hints", "/repair/hints", `document.querySelector(".rp-hints")`},
	} {
		p.everywhere(c.name, c.path, c.ready)
		p.open(c.path)
		p.until(c.name, c.ready)
		p.byKeyboard(c.name)
		p.audit(c.name, engine)
	}
}
