package browser

import (
	"encoding/csv"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"
)

// From a bar of what fails most to the units behind it, to one of them, to its
// report: by keyboard alone. Filters stand in the address, tables come as CSV.
func TestManager(t *testing.T) {
	need(t)
	t.Parallel()
	s := newStation(t, "--pace", "200", "--history=false")
	line := browse(t, s, "line")
	line.operator()
	for i, defect := range []string{"foreign-tone", "", "foreign-tone"} {
		s.give(t, unit(i+1), defect)
		line.scan(unit(i + 1))
		line.until("its run ended", `op.dataset.end !== "" && document.getElementById("serial").innerText === "`+unit(i+1)+`"`)
	}

	p := browse(t, s, "manager")
	p.openUntil("/fails", "the index has all runs", `/2 of 3 units/.test(document.querySelector(".answer").innerText)`)
	p.tabTo("#pareto svg a, #pareto svg [tabindex]", "")
	p.shot("manager-pareto-focus")
	p.keys(kb.Enter)
	p.until("the units of the bar", `location.pathname === "/units" && location.search !== "" && `+loaded)
	for _, n := range []int{1, 3} {
		p.shows("main", unit(n))
	}
	if p.holds(`document.querySelector("main").innerText.includes("` + unit(2) + `")`) {
		t.Error("a unit that passed is among those that failed")
	}
	p.shot("manager-units-of-bar")
	p.tabTo(`main a[href^="/unit?"]`, unit(1))
	p.keys(kb.Enter)
	p.until("the page of the unit", `location.pathname === "/unit" && document.querySelector("h1").innerText.includes("`+unit(1)+`")`)
	p.until("its captures are drawn", `document.querySelector("main figure svg")`)
	p.shot("manager-unit")
	p.tabTo(`main a[href^="/report/"]`, "")
	p.keys(kb.Enter)
	p.until("its report", `location.pathname.startsWith("/report/") && document.body.innerText.includes("`+unit(1)+`")`)
	p.shot("manager-report")

	// A filter stands in the address: whoever gets the address sees the same.
	p.open("/fails")
	p.tabTo(`select[name=period]`, "")
	p.keys("last 7")
	p.tabTo(`form.filter button`, "")
	p.keys(kb.Enter)
	p.until("the filter is in the address", `new URLSearchParams(location.search).get("period") === "7d" && `+loaded)
	other := browse(t, s, "other")
	other.open(eval[string](p, `location.pathname + location.search`))
	if a, b := p.text(".answer"), other.text(".answer"); a != b || a == "" {
		t.Errorf("another browser sees %q, not %q", b, a)
	}
	if got := eval[string](other, `document.querySelector("select[name=period]").value`); got != "7d" {
		t.Errorf("the filter of the mailed page is %q", got)
	}

	// Each table as CSV.
	for _, path := range []string{"/today?period=7d", "/fails", "/units"} {
		p.open(path)
		links := eval[[]string](p, `[...document.querySelectorAll("a[download]")].map(a => a.href)`)
		if len(links) == 0 {
			t.Errorf("%s: no table as CSV", path)
		}
		for _, link := range links {
			if err := readCSV(link); err != nil {
				t.Errorf("%s: %v", link, err)
			}
		}
	}
}

// readCSV fails where an address does not give a table.
func readCSV(link string) error {
	r, err := http.Get(link)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	data, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	if kind := r.Header.Get("Content-Type"); r.StatusCode != 200 || !strings.HasPrefix(kind, "text/csv") {
		return fmt.Errorf("%s %s", r.Status, kind)
	}
	rows, err := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(data), "\ufeff"))).ReadAll()
	if err != nil || len(rows) < 1 || len(rows[0]) < 2 {
		return fmt.Errorf("%d rows, %v", len(rows), err)
	}
	return nil
}
