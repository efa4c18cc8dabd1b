package browser

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/fetch"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// Conditions of the operator's page.
const (
	nothingShown = `op.dataset.phase === "free"`
	question     = `op.dataset.ask !== ""`
)

func ended(kind string) string { return fmt.Sprintf(`op.dataset.end === %q`, kind) }

// asked is that the page puts this question and takes an answer.
func asked(text string) string {
	return fmt.Sprintf(`op.dataset.ask !== "" && document.getElementById("ask-text").innerText.includes(%q)`, text)
}

const (
	askCap      = "cap of the left stick"
	askCase     = "colour has the case"
	askCell     = "voltmeter"
	askFirmware = "radio module"
)

// step is a test within a test, in the same browser; after one that fails there
// are no more.
func (p *page) step(name string, f func(p *page)) {
	t := p.t
	if t.Failed() {
		return
	}
	t.Run(name, func(inner *testing.T) {
		p.t = inner
		defer func() { p.t = t }()
		f(p)
	})
}

// begin scans a unit and waits for the first question of its run.
func (p *page) begin(serial string) {
	p.t.Helper()
	p.scan(serial)
	p.until("the first question about "+serial, asked(askCap)+` && document.getElementById("serial").innerText === "`+serial+`"`)
}

// answers goes through the questions; straight is whether the cap sits so.
func (p *page) answers(straight bool) {
	p.t.Helper()
	key := "1"
	if !straight {
		key = "2"
	}
	p.press(key, "the question after the cap", asked(askCase))
	p.press("2", "the question after the case", asked(askCell))
	p.scan("3.71")
	p.until("the question after the voltage", asked(askFirmware))
	p.scan("RM-204")
}

// passes takes a unit through a whole run.
func (p *page) passes(serial string) {
	p.t.Helper()
	p.begin(serial)
	p.answers(true)
	p.until(serial+" passed", ended("passed"))
}

// fails is passes for a unit whose cap sits askew.
func (p *page) fails(serial string) {
	p.t.Helper()
	p.begin(serial)
	p.answers(false)
	p.until(serial+" failed", ended("failed"))
}

// A shift at the station, by scanner and keys alone: no mouse, and no field is
// given the focus.
func TestShift(t *testing.T) {
	need(t)
	t.Parallel()
	s := newStation(t, "--product", deskProduct(t), "--pace", "20", "--history=false")
	p := browse(t, s, "operator")
	p.operator()
	p.shows("#idle", "Scan its label")
	p.shot("operator-ready")

	p.step("scans that are none", func(p *page) {
		for _, c := range []struct{ scan, says, then string }{
			{"what is this?", "This is no serial number.", "Scan the label on the unit."},
			{"K824A00001X", "K824A00001X: a character is wrong.", "look at each character"},
			// Not next to the first, whose words it gets again.
			{strings.Repeat("K8", 40), "This is no serial number.", ""},
			{"X9-000123", "X9-000123 is not a Kittiwake K8.", "Put the unit aside"},
			{"0109506000134352" + "21" + unit(1), "label is that of another product", ""},
		} {
			eval[bool](p, `document.documentElement.dataset.cue = ""; true`)
			p.sees(fmt.Sprintf("the answer to %q", c.scan), showing("#notice", c.says)+" && "+showing("#notice", c.then),
				func() { p.scan(c.scan) })
			p.until("the cue", `document.documentElement.dataset.cue === "refused"`)
		}
		p.shot("operator-scan-refused")
		if !p.holds(nothingShown) {
			p.t.Error("a run began")
		}
		p.press(kb.Escape, "the notice is gone", `document.getElementById("notice").hidden`)
	})

	p.step("pass", func(p *page) {
		p.begin(unit(1))
		p.until("the drawing shows the part of the check", `document.getElementById("part-left-stick").classList.contains("is-running")`)
		p.until("what was checked before is done", `document.getElementById("part-power").classList.contains("is-good")`)
		p.until("the picture is shown", `document.getElementById("ask-picture").naturalWidth > 0`)
		p.shot("operator-question-confirm")
		// Already in the nest.
		p.sees("it says so", showing("#notice", unit(1)+" is being tested in nest A."), func() { p.scan(unit(1)) })
		p.press("1", "the question after the cap", asked(askCase))
		p.shot("operator-question-choose")
		p.press("2", "the question after the case", asked(askCell))
		// As fast as a scanner it is a label, by hand a wrong answer.
		p.sees("it is no serial number", showing("#notice", "nonsense is not a Kittiwake K8"), func() { p.scan("nonsense") })
		p.sees("it is no number", showing("#notice", "That is not a number"), func() { p.byHand("nonsense", kb.Enter) })
		p.until("it is still asked", asked(askCell))
		p.shows("#planned", "s over the cycle time of 50 s")
		p.keys("3,7")
		p.shows("#ask-typed", "3,7 V")
		p.shot("operator-question-number")
		p.later(slowly, "1", kb.Enter)
		p.until("the question after the voltage", asked(askFirmware))
		p.scan("RM-204")
		p.until("it passed", ended("passed"))
		p.shows("#end-title", "Passed")
		p.shows("#end-next", "hand it on")
		p.until("the cue", `document.documentElement.dataset.cue === "passed"`)
		p.until("every check was kept", `[...document.querySelectorAll("#checks li")].every(e => e.dataset.state === "kept")`)
		p.shot("operator-passed")
	})

	p.step("passed before", func(p *page) {
		p.scan(unit(1))
		p.until("it asks", `op.dataset.ask === "decide"`)
		p.shows("#ask-text", unit(1)+" passed on")
		p.shot("operator-passed-before")
		p.press(kb.Escape, "the question is gone", `op.dataset.ask === ""`)
		if n := len(s.sealed(p.t, unit(1))); n != 1 {
			p.t.Errorf("%d reports, want 1", n)
		}
	})

	p.step("fail, retest, repair", func(p *page) {
		p.fails(unit(2))
		p.shows("#end-title", "Failed")
		p.shows("#end-where", "eft stick")
		p.shows("#end-causes", "pressed on askew")
		p.shows("#end-causes", "press it on straight")
		p.shows("#end-next", "test it once more")
		p.shows("#end-readings", "must be yes")
		p.until("the drawing points at the part", `document.getElementById("part-left-stick").classList.contains("is-bad") && !document.getElementById("flag").hidden && document.getElementById("flag").dataset.kind === "bad"`)
		p.until("the cue", `document.documentElement.dataset.cue === "failed"`)
		p.shot("operator-failed")
		p.begin(unit(2))
		p.shows("#about", "Retest 1")
		p.answers(false)
		p.until("it failed again", ended("failed"))
		p.shows("#end-next", "goes to repair")
		p.shot("operator-failed-repair")
		p.scan(unit(2))
		p.until("it asks", `op.dataset.ask === "decide"`)
		p.shows("#ask-text", "belongs at the repair bench")
		p.press("1", "it is tested all the same", asked(askCap))
		p.shows("#about", "Retest 2")
		p.keys(kb.Escape, kb.Escape)
		p.until("it was stopped", ended("aborted"))
	})

	p.step("guard opened in a run", func(p *page) {
		p.begin(unit(3))
		s.fixture(p.t, "open", "A")
		p.until("the run was stopped", ended("guard"))
		p.shows("#band-title", "Guard opened")
		p.shows("#end-text", "Nothing is known about the unit")
		if p.text("#end-title") == "Failed" || p.holds(`document.querySelector("#drawing .is-bad")`) {
			p.t.Error("an open guard looks like a failed unit")
		}
		p.shot("operator-guard-opened")
		p.scan(unit(3)) // the guard is still open
		p.until("it waits for the guard", `op.dataset.phase === "held"`)
		p.shows("#band-title", "The guard of nest A is open")
		p.shot("operator-guard-open")
		s.fixture(p.t, "close", "A")
		p.press(kb.Enter, "the run begins", asked(askCap))
		p.keys(kb.Escape, kb.Escape)
		p.until("it was stopped", ended("aborted"))
	})

	p.step("bench fault", func(p *page) {
		for i, next := range []string{"Put right what is named above", "Call the engineer"} {
			p.begin(unit(4))
			s.fixture(p.t, "break", "A", "device", "receiver", "fault", "silent")
			p.answers(true)
			p.until("the bench is at fault", ended("bench"))
			p.shows("#band-title", "The bench is at fault")
			p.shows("#band-text", "receiver does not answer")
			p.shows("#end-next", next)
			if p.text("#end-title") == "Failed" || p.holds(`document.querySelector("#drawing .is-bad")`) {
				p.t.Error("a fault of the bench looks like a failed unit")
			}
			p.shot(fmt.Sprintf("operator-bench-fault-%d", i+1))
			s.fixture(p.t, "break", "A", "device", "receiver", "fault", "")
		}
	})

	p.step("stopped by key", func(p *page) {
		p.begin(unit(5))
		p.sees("it asks for another", showing("#escape", "once more"), func() { p.keys(kb.Escape) })
		p.shot("operator-stop-asked")
		p.later(time.Second, kb.Escape)
		p.until("the run was stopped", ended("aborted"))
		p.shows("#end-title", "Stopped")
		p.shows("#end-text", "Nothing is known about the unit")
		p.shot("operator-stopped")
		for _, r := range s.sealed(p.t, unit(5)) {
			if r.Outcome != "aborted" {
				p.t.Errorf("the report says %s", r.Outcome)
			}
		}
	})
}

// Several people at one station, and several units.
func TestTogether(t *testing.T) {
	need(t)
	t.Parallel()
	s := newStation(t, "--product", deskProduct(t), "--pace", "20", "--history=false")
	p := browse(t, s, "operator")
	p.operator()

	p.step("two browsers, one answer", func(p *page) {
		second := browse(p.t, s, "second")
		second.operator()
		second.become("Mara")
		p.begin(unit(7))
		second.until("it sees the same", asked(askCap)+` && document.getElementById("serial").innerText === "`+unit(7)+`"`)
		// The second browser's answer is on its way while the first one's arrives.
		letGo := second.answerHeld("2")
		p.press("1", "the next question", asked(askCase))
		second.sees("it is late", showing("#notice", "Somebody has answered already."), letGo)
		second.shot("operator-answered-already")
		second.until("it sees the next question", asked(askCase))
		p.press("2", "the next question", asked(askCell))
		second.until("it sees that, too", asked(askCell))
		second.scan("3.7") // anybody may answer
		p.until("the last question", asked(askFirmware))
		p.scan("RM-204")
		p.until("it passed", ended("passed"))
		second.until("it sees that", ended("passed"))
		var given []string
		for _, r := range s.sealed(p.t, unit(7)) {
			for _, q := range r.Prompts {
				given = append(given, fmt.Sprint(q.Answer, " by ", q.By))
			}
		}
		if want := "true by , blue by , 3.7 by Mara, RM-204 by "; strings.Join(given, ", ") != want {
			p.t.Errorf("the report says %q, want %q", strings.Join(given, ", "), want)
		}
	})

	p.step("queue", func(p *page) {
		p.begin(unit(8))
		p.keys(kb.F2) // looks at the other nest, and scans go there
		p.until("nest B is chosen", `document.querySelector('[data-nest="B"]').ariaPressed === "true" && document.getElementById("scan-to").textContent.includes("nest B")`)
		p.begin(unit(9))
		p.keys(kb.F2) // the first free one again
		p.until("no nest is chosen", `document.querySelector('[data-nest="B"]').ariaPressed === "false" && document.getElementById("scan-to").textContent.includes("first free nest")`)
		for _, c := range []struct{ serial, says string }{
			{unit(10), unit(10) + " waits: it is the next."},
			{unit(11), "number 2 in the queue"},
			{unit(10), unit(10) + " waits already."},
		} {
			p.sees(c.says, showing("#notice", c.says), func() { p.scan(c.serial) })
		}
		p.shot("operator-queue")
		p.keys(kb.F1)
		p.until("nest A is looked at", asked(askCap)+` && document.getElementById("serial").innerText === "`+unit(8)+`"`)
		p.answers(true)
		p.until("the next one is called", `op.dataset.phase === "held"`)
		p.shows("#hold-text", "lay "+unit(10)+" in")
		p.shot("operator-next-of-queue")
		p.press(kb.Enter, "its run begins", asked(askCap))
		p.keys(kb.Escape, kb.Escape)
		p.until("the one after is called", `op.dataset.phase === "held" && document.getElementById("hold-text").innerText.includes("`+unit(11)+`")`)
		p.keys(kb.Escape, kb.Escape) // taken back
		p.until("it is gone", ended("aborted")+` && document.getElementById("hold").hidden`)
		p.keys(kb.F2)
		p.until("nest B is looked at", asked(askCap))
		p.keys(kb.Escape, kb.Escape)
		p.until("it was stopped", ended("aborted"))
		p.keys(kb.F2)
	})

	p.step("who, language, sound", func(p *page) {
		p.become("Otis")
		p.shows("#who", "Otis")
		p.language("Español")
		p.shows("#end-title", "Detenido")
		p.shows("#who", "Otis")
		p.language("简体中文")
		p.until("it is Chinese", `document.documentElement.lang === "zh-Hans"`)
		p.begun(unit(12), "左摇杆的帽盖是否装正")
		p.shot("operator-question-zh-Hans")
		p.keys(kb.Escape, kb.Escape)
		p.until("it was stopped", ended("aborted"))
		p.language("English")
		p.shows("#sound", "Sound on")
		p.keys(kb.F10)
		p.shows("#sound", "Sound off")
		p.operator()
		p.shows("#sound", "Sound off")
		p.keys(kb.F10)
		p.shows("#sound", "Sound on")
	})
}

// What happens to a run that a page, the fixture or the station leaves alone.
func TestRestart(t *testing.T) {
	need(t)
	t.Parallel()
	s := newStation(t, "--product", deskProduct(t), "--pace", "20", "--history=false")
	p := browse(t, s, "operator")
	p.operator()

	p.step("reload in a run", func(p *page) {
		p.begin(unit(6))
		p.press("1", "the next question", asked(askCase))
		p.operator()
		p.until("the same question", asked(askCase)+` && document.getElementById("serial").innerText === "`+unit(6)+`"`)
		p.press("1", "the next question", asked(askCell))
		p.scan("3.7")
		p.until("the last question", asked(askFirmware))
		p.scan("RM-204")
		p.until("it passed", ended("passed"))
	})

	p.step("fixture not safe", func(p *page) {
		p.begin(unit(15))
		s.fixture(p.t, "break", "A", "device", "supply", "fault", "silent")
		p.keys(kb.Escape, kb.Escape)
		p.until("the run was stopped", `op.dataset.unsafe === "true"`)
		p.shows("#band-title", "The fixture may still have power")
		p.shows("#band-text", "Not safe: power supply")
		p.shows("#end-next", "Call the engineer")
		p.shows(`[data-nest="A"]`, "out of service")
		p.shot("operator-not-safe")
		p.keys(kb.F1)
		p.sees("it is refused", showing("#notice", "Nest A is out of service."), func() { p.scan(unit(16)) })
		p.shot("operator-out-of-service")
		p.keys(kb.F1)
		p.begin(unit(16)) // in the other nest
		p.keys(kb.Escape, kb.Escape)
		p.until("it was stopped", ended("aborted")+` && document.getElementById("serial").innerText === "`+unit(16)+`"`)
	})

	p.step("killed in a run", func(p *page) {
		second := browse(p.t, s, "second")
		for _, q := range []*page{p, second} {
			q.expect("ERR_CONNECTION_REFUSED")
			q.expect("ERR_INCOMPLETE_CHUNKED_ENCODING")
			q.expect("ERR_CONNECTION_RESET")
			q.expect("ERR_EMPTY_RESPONSE")
		}
		second.operator()
		p.begin(unit(13))
		p.press("1", "the next question", asked(askCase))
		second.until("it sees the same", asked(askCase))
		s.kill()
		p.shows("#lost", "No connection to the station")
		p.shot("operator-lost")
		s.start(p.t)
		for _, q := range []*page{p, second} {
			q.until("the page is back", `document.getElementById("lost").hidden`)
			q.until("the run was cut short", ended("cut"))
			q.shows("#end-title", "Stopped")
			q.shows("#end-text", "was cut short when the station stopped")
			q.shows("#end-text", "Nothing is known about the unit")
		}
		p.shot("operator-cut-short")
		found := s.sealed(p.t, unit(13))
		if len(found) != 1 || found[0].Outcome != "aborted" {
			p.t.Errorf("reports of the run: %d, %v", len(found), found)
		}
		p.passes(unit(13))
	})

	p.step("ended in a run", func(p *page) {
		for _, e := range []string{"ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONNECTION_RESET", "ERR_EMPTY_RESPONSE"} {
			p.expect(e)
		}
		p.begin(unit(14))
		if code := s.stop(p.t); code != 0 && code != 4 {
			p.t.Errorf("exit code %d", code)
		}
		p.shows("#lost", "No connection to the station")
		found := s.sealed(p.t, unit(14))
		if len(found) != 1 || found[0].Outcome != "aborted" {
			p.t.Errorf("reports of the run: %d, %v", len(found), found)
		}
	})
}

// begun is begin where the page speaks another language.
func (p *page) begun(serial, question string) {
	p.t.Helper()
	p.scan(serial)
	p.until("the question in this language", asked(question))
}

// become says by keys who is at the browser.
func (p *page) become(name string) {
	p.t.Helper()
	p.keys(kb.F8)
	p.until("it asks who is there", `document.getElementById("who-dialog").open && document.activeElement.id === "who-name"`)
	p.types(name)
	p.keys(kb.Enter)
	p.until("it knows", `document.getElementById("op").dataset.boot && document.getElementById("who").innerText.includes("`+name+`")`)
}

// language chooses a language by keys.
func (p *page) language(name string) {
	p.t.Helper()
	p.keys(kb.F9)
	p.until("the languages are shown", `document.getElementById("speak-dialog").open`)
	p.tabTo(`button[data-language]`, name)
	p.keys(kb.Enter)
	p.until("the page speaks it", `document.getElementById("op").dataset.boot && !document.getElementById("speak-dialog").open && document.getElementById("speak").innerText.includes("`+name+`")`)
}

// tabTo moves the focus by Tab to an element with this text.
func (p *page) tabTo(selector, text string) {
	p.t.Helper()
	at := fmt.Sprintf(`document.activeElement.matches(%q) && document.activeElement.textContent.includes(%q)`, selector, text)
	for range 120 {
		if p.holds(at) {
			return
		}
		p.keys(kb.Tab)
	}
	p.t.Fatalf("%s: Tab does not come to %s %q", p.name, selector, text)
}

// answerHeld answers the question that is shown by a key, and keeps the answer
// from the server until the function is called.
func (p *page) answerHeld(key string) (letGo func()) {
	p.t.Helper()
	paused := make(chan fetch.RequestID, 8)
	err := chromedp.Listen(p.ctx, func(ev any) {
		if e, ok := ev.(*fetch.EventRequestPaused); ok {
			paused <- e.RequestID
		}
	})
	if err != nil {
		p.t.Fatal(err)
	}
	p.call("hold back", func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, fetch.Enable, fetch.EnableParams{Patterns: []*fetch.RequestPattern{{URLPattern: "*/api/answer"}}})
		return err
	})
	p.until("the page takes an answer", `op.dataset.settled === "true"`)
	p.keys(key)
	ctx, stop := within(p.ctx, p.t)
	defer stop()
	var id fetch.RequestID
	select {
	case id = <-paused:
	case <-ctx.Done():
		p.t.Fatal("no answer was sent")
	}
	return func() {
		p.t.Helper()
		p.call("let go", func(ctx context.Context, tab *chromedp.Target) error {
			if _, err := cdp.Call(ctx, tab, fetch.ContinueRequest, fetch.ContinueRequestParams{RequestID: id}); err != nil {
				return err
			}
			_, err := cdp.Call(ctx, tab, fetch.Disable, cdp.Empty{})
			return err
		})
	}
}
