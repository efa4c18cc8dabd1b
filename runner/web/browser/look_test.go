package browser

import (
	_ "embed"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/chromedp/chromedp/kb"

	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

//go:embed inspect.js
var inspectScript string

//go:embed words.js
var wordsScript string

//go:embed keyboard.js
var keyboardScript string

// sizes are the screens that the pages are made for.
var sizes = []struct {
	name          string
	width, height int64
}{{"1280x800", 1280, 800}, {"800x1280", 800, 1280}}

// everywhere shows the page at path in every language, on both screens, light,
// dark and on paper, and fails where words are cut off, lie on each other, or
// are missing. ready is the condition under which it shows what it is to show.
func (p *page) everywhere(name, path, ready string) {
	p.t.Helper()
	var english []string
	for _, l := range wording.Languages() {
		p.cookie(shell.LanguageCookie, l.Tag)
		p.calm()
		p.open(path)
		p.until(name+" is shown", ready)
		p.stands(name, l.Tag, &english)
	}
	p.cookie(shell.LanguageCookie, "en")
}

// stands is everywhere for a page that is shown already, in its language;
// English first, so that the others can be held against it.
func (p *page) stands(name, lang string, english *[]string) {
	p.t.Helper()
	p.words(name, lang, english)
	if moving := eval[[]string](p, `document.getAnimations().filter(a => a.playState === "running").map(a => a.effect.target.outerHTML.slice(0, 100))`); len(moving) > 0 {
		p.t.Errorf("%s: moves although that is not wished: %q", name, moving)
	}
	for _, size := range sizes {
		p.size(size.width, size.height)
		p.inspect(fmt.Sprintf("%s, %s, %s", name, lang, size.name))
		for _, scheme := range []string{"light", "dark"} {
			if shots() == "" {
				continue // the layout is the same; colours are audited elsewhere
			}
			p.media("", "prefers-color-scheme", scheme, "prefers-reduced-motion", "reduce")
			p.shot(strings.Join([]string{name, size.name, lang, scheme}, "-"))
		}
	}
	if lang == "en" {
		p.size(794, 1123) // A4 at 96 dots per inch
		p.media("print")
		if wide := eval[float64](p, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); wide > 1 {
			p.t.Errorf("%s: wider than the paper by %g px", name, wide)
		}
		p.shot(name + "-print")
	}
	p.calm()
	p.size(sizes[0].width, sizes[0].height)
}

// calm shows pages as to somebody who wants nothing to move.
func (p *page) calm() {
	p.t.Helper()
	p.media("", "prefers-color-scheme", "light", "prefers-reduced-motion", "reduce")
}

// inspect fails where the page is not laid out well as it is shown now.
func (p *page) inspect(what string) {
	p.t.Helper()
	for _, w := range eval[[]string](p, inspectScript) {
		p.t.Errorf("%s: %s", what, w)
	}
}

// messageID is an id of a message that has no words.
var messageID = regexp.MustCompile(`\b(shell|operator|manager|repair|charts)\.[a-z_]+(\.[a-z_-]+)*|\[[a-z]+\.[a-z_.]+\]|%!|<no value>|ZgotmplZ|undefined|NaN`)

// words fails where words are missing: an id in their place, or English ones.
func (p *page) words(what, lang string, english *[]string) {
	p.t.Helper()
	list := eval[[]string](p, wordsScript)
	for _, w := range list {
		if found := messageID.FindString(w); found != "" {
			p.t.Errorf("%s, %s: %q in %q", what, lang, found, w)
		}
	}
	if lang == "en" {
		*english = list
		return
	}
	for _, w := range list {
		if sentence(w) && slices.Contains(*english, w) {
			p.t.Errorf("%s, %s: English: %q", what, lang, w)
		}
	}
}

// sentence reports whether a text has at least two words of small letters:
// names, numbers and units have not.
func sentence(text string) bool {
	n := 0
	for _, w := range strings.Fields(text) {
		if letters := strings.TrimFunc(w, unicode.IsPunct); len(letters) >= 3 && strings.IndexFunc(letters, func(r rune) bool { return !unicode.IsLower(r) }) < 0 {
			n++
		}
	}
	return n >= 2
}

// byKeyboard fails where something on the page cannot be reached by Tab, or
// the focus does not show.
func (p *page) byKeyboard(what string) {
	p.t.Helper()
	n := eval[int](p, keyboardScript)
	for range n / 20 {
		p.keys(strings.Repeat(kb.Tab, 20))
	}
	p.keys(strings.Repeat(kb.Tab, n%20))
	for _, e := range eval[[]string](p, "missed()") {
		p.t.Errorf("%s: Tab does not come to %s", what, e)
	}
	for _, e := range eval[[]string](p, "unshown") {
		p.t.Errorf("%s: the focus does not show at %s", what, e)
	}
}

// axe is the accessibility engine, "" without one.
func axe(t *testing.T) string {
	t.Helper()
	path := os.Getenv("FULLTHROW_AXE")
	if path == "" {
		const why = "no FULLTHROW_AXE: the pages are not audited for accessibility (axe.min.js of the npm package axe-core)"
		if os.Getenv("CI") != "" {
			t.Fatal(why)
		}
		t.Log(why)
		return ""
	}
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// audit fails for each rule of WCAG 2.1 A and AA that the page breaks, light
// and dark.
func (p *page) audit(what, engine string) {
	p.t.Helper()
	if engine == "" {
		return
	}
	eval[bool](p, engine+";true")
	for _, scheme := range []string{"light", "dark"} {
		p.media("", "prefers-color-scheme", scheme, "prefers-reduced-motion", "reduce")
		run := `{ runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"] }`
		if scheme == "dark" {
			run = `{ runOnly: ["color-contrast"] }` // all else is the same
		}
		found := eval[[]string](p, `axe.run(document, `+run+`).then(r => r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.target.join(" ") + ": " + n.any.concat(n.all, n.none).map(c => c.message).join("; "))))`)
		for _, f := range found {
			p.t.Errorf("%s, %s: %s", what, scheme, f)
		}
	}
	p.calm()
}

// What the operator sees, in every language, on every screen, light and dark.
func TestOperatorLook(t *testing.T) {
	need(t)
	t.Parallel()
	engine := axe(t)
	s := newStation(t, "--product", deskProduct(t), "--pace", "20", "--history=false")
	p := browse(t, s, "operator")
	// Others look on, each in his language.
	var others []*page
	for _, l := range wording.Languages() {
		q := browse(t, s, "looks on, "+l.Tag)
		q.cookie(shell.LanguageCookie, l.Tag)
		q.calm()
		q.operator()
		q.keys(kb.F1)
		others = append(others, q)
	}
	state := func(name, ready string) {
		t.Helper()
		var english []string
		for i, l := range wording.Languages() {
			q := others[i]
			if !q.holds(ready) { // looks at another nest
				q.operator()
			}
			// Answers are pale at first.
			q.until(name, ready+` && op.dataset.settled !== "false"`)
			q.stands("operator-"+name, l.Tag, &english)
			if l.Tag == "en" {
				q.audit("operator, "+name, engine)
			}
		}
	}
	p.operator()
	state("ready", nothingShown)
	others[0].byKeyboard("operator, ready")
	p.begin(unit(1))
	state("confirm", `op.dataset.ask === "confirm"`)
	others[0].byKeyboard("operator, confirm")
	p.press("1", "the next question", asked(askCase))
	p.press("1", "the next question", asked(askCell))
	state("number", `op.dataset.ask === "number"`)
	p.scan("3.7")
	p.until("the last question", asked(askFirmware))
	p.scan("RM-204")
	p.until("it passed", ended("passed"))
	state("passed", ended("passed"))
	p.scan(unit(1))
	p.until("it asks", `op.dataset.ask === "decide"`)
	state("passed-before", `op.dataset.ask === "decide"`)
	p.press(kb.Escape, "the question is gone", `op.dataset.ask === ""`)
	p.fails(unit(2))
	state("failed", ended("failed"))
	p.keys(kb.F2)
	p.begin(unit(3))
	p.keys(kb.F2)
	p.begin(unit(4))
	// The second once the first is known: a scan that waits too long is let go.
	p.sees("the first waits", showing("#notice", "it is the next"), func() { p.scan(unit(5)) })
	p.sees("the second waits", showing("#notice", "number 2"), func() { p.scan(unit(6)) })
	state("queue", `op.dataset.ask === "confirm" && document.querySelectorAll("#queue-list li").length === 2`)
	p.keys(kb.Escape, kb.Escape)
	p.until("the next is called", `op.dataset.phase === "held"`)
	state("next", `op.dataset.phase === "held"`)
	p.keys(kb.Escape, kb.Escape)
	p.until("the next is called", `document.getElementById("hold-text").innerText.includes("`+unit(6)+`")`)
	s.fixture(t, "open", "A")
	p.press(kb.Enter, "it waits for the guard", `document.getElementById("band-title").innerText.includes("guard")`)
	state("guard", `op.dataset.phase === "held" && op.dataset.bench === "true"`)
	s.fixture(t, "close", "A")
	p.press(kb.Enter, "the run begins", asked(askCap))
	s.fixture(t, "break", "A", "device", "supply", "fault", "silent")
	p.keys(kb.Escape, kb.Escape)
	p.until("the fixture is not safe", `op.dataset.unsafe === "true"`)
	state("not-safe", `op.dataset.unsafe === "true"`)
}
