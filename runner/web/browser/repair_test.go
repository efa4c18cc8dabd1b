package browser

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"
)

// A unit fails, fails again, is repaired, and passes: at the line and at the
// repair bench by scanner and keys alone.
func TestRepair(t *testing.T) {
	need(t)
	t.Parallel()
	s := newStation(t, "--pace", "200", "--history=false")
	serial := unit(31)
	s.give(t, serial, "foreign-tone")

	line := browse(t, s, "line")
	line.operator()
	line.scan(serial)
	line.until("it failed", ended("failed"))
	line.shows("#end-next", "test it once more")
	line.scan(serial)
	line.until("it failed again", ended("failed")+` && document.getElementById("end-next").innerText.includes("repair")`)
	line.shot("operator-stock-failed")

	bench := browse(t, s, "bench")
	waits := `[...document.querySelectorAll(".rp-unit")].some(e => e.innerText === "` + serial + `")`
	bench.openUntil("/repair/", "the unit waits", waits)
	bench.until("a scan has a place to go", `document.activeElement.id === "scan"`)
	bench.expect("status of 422")
	bench.scan("no such thing")
	bench.until("it says so", `location.pathname === "/repair/scan" && document.querySelector("[role=status], [role=alert], .notice")`)
	bench.shot("repair-scan-refused")
	bench.open("/repair/")
	bench.until("a scan has a place to go", `document.activeElement.id === "scan"`)
	bench.scan(serial)
	bench.until("the unit is shown", `location.pathname === "/repair/unit" && document.querySelector("h1").innerText.includes("`+serial+`")`)
	bench.shows(".u-where", "ounder")
	bench.until("its captures are drawn", `document.querySelectorAll(".u-captures svg").length > 0`)
	bench.shot("repair-unit")

	// The likeliest cause is chosen already.
	bench.tabTo(`input[name=found]`, "")
	chosen := eval[string](bench, `document.activeElement.value`)
	if !strings.Contains(chosen, "tone") && !strings.Contains(chosen, "sounder") {
		t.Errorf("suggested first: %q", chosen)
	}
	bench.tabTo(`input[name=done]`, "")
	bench.keys(" ")
	bench.tabTo(`textarea[name=text]`, "")
	bench.types("a sounder of the wrong type <b onmouseover=alert(1)>")
	bench.tabTo(`input[name=by]`, "")
	bench.keys("Ines")
	bench.shot("repair-form")
	bench.tabTo(`button.main`, "")
	bench.keys(kb.Enter)
	bench.until("it goes back to the line", `document.querySelector(".rp-retest")`)
	bench.shot("repair-done")

	line.scan(serial)
	line.until("it passed", ended("passed"))
	line.shows("#about", "Retest 2")

	bench.openUntil("/repair/unit?serial="+serial, "the history tells it",
		`/Ines/.test(document.querySelector(".u-history").innerText) && document.querySelectorAll(".u-history li").length >= 4`)
	bench.shows(".u-history", "a sounder of the wrong type <b onmouseover=alert(1)>")
	bench.shot("repair-history")
	bench.openUntil("/repair/", "it waits no more", loaded+" && !"+waits)
}

// hostile is what nobody should type, and somebody will.
var hostile = []string{
	`<img src=x onerror=alert(1)>`,
	`"><script>alert(1)</script>`,
	`'; DROP TABLE runs; --`,
	`{{.}} ${alert(1)} %s%n [repair.title]`,
	"\u202e\u2066abc\u200bdef\ufeff",
	`javascript:alert(1)//K8`,
	strings.Repeat("K824A000011", 40),
}

// harmless fails where something hostile has become part of the page.
func (p *page) harmless(what string) {
	p.t.Helper()
	if n := eval[int](p, `document.querySelectorAll("[onerror], [onmouseover], [onload], script:not([src]), img[src=x], a[href^='javascript:']").length`); n > 0 {
		p.t.Errorf("%s: markup came through", what)
	}
}

// Whatever is typed or stands in an address stays text, and the page goes on.
func TestHostile(t *testing.T) {
	need(t)
	t.Parallel()
	s := newStation(t, "--pace", "200", "--history=false")
	p := browse(t, s, "hostile")
	p.operator()
	const refused = `(e => !e.hidden && e.dataset.level === "refused")(document.getElementById("notice"))`
	for _, h := range hostile {
		// Once more where the words were gone before they had been looked at.
		for looked := false; !looked; looked = p.holds(refused) {
			p.sees("it is refused", refused, func() {
				if len(h) > 100 {
					p.scanAtOnce(h)
				} else {
					p.scan(h)
				}
			})
			p.harmless("scanned " + h)
			p.inspect("scanned " + h)
		}
		p.press(kb.Escape, "the notice is gone", `document.getElementById("notice").hidden`)
	}
	p.keys(kb.F8)
	p.until("it asks who is there", `document.getElementById("who-dialog").open && document.activeElement.id === "who-name"`)
	p.types(hostile[0])
	p.keys(kb.Enter)
	p.until("it knows", `document.getElementById("op").dataset.boot && document.getElementById("who").innerText.includes("onerror")`)
	p.harmless("a name")
	p.inspect("a name")
	p.scan(unit(1))
	p.until("it goes on", ended("passed"))

	p.expect("status of 4") // an address that leads nowhere may be refused
	all := strings.Join(hostile[:4], " ")
	for _, path := range hostilePaths {
		for _, h := range []string{all, hostile[4], hostile[6]} {
			p.open(path + escape(h))
			p.harmless(path + h)
			if !strings.Contains(path, "?") {
				continue
			}
			if wide := eval[float64](p, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); wide > 1 {
				t.Errorf("%s%.40s: wider than the screen by %g px", path, h, wide)
			}
		}
	}
}
