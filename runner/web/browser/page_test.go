package browser

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	pageapi "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// page is one browser with cookies of its own, showing one page.
type page struct {
	t    *testing.T
	s    *station
	ctx  context.Context
	name string // in the names of pictures

	mu       sync.Mutex
	wrong    []string // console errors, exceptions, refused loads, dialogs
	strange  []string // requests to other hosts
	expected []string // parts of what may go wrong
}

// browse opens a browser of its own: other cookies than every other one. What
// goes wrong in it fails the test.
func browse(t *testing.T, s *station, name string) *page {
	t.Helper()
	browser, err := shared.browser()
	if err != nil {
		t.Fatal(err)
	}
	p := &page{t: t, s: s, name: name}
	ctx, stop := chromedp.NewContext(browser, chromedp.WithNewBrowserContext(), chromedp.WithListener(p.event))
	p.ctx = ctx
	t.Cleanup(func() {
		if t.Failed() && shots() != "" {
			p.shot("failed-" + t.Name())
		}
		stop()
		p.mu.Lock()
		defer p.mu.Unlock()
		for _, w := range p.wrong {
			if !p.allowed(w) {
				t.Errorf("%s: %s", name, w)
			}
		}
		for _, r := range p.strange {
			t.Errorf("%s: asks another host: %s", name, r)
		}
	})
	// Without a time limit: the tab lives as long as the context it begins with.
	if err := chromedp.Do(ctx); err != nil {
		t.Fatal(err)
	}
	p.call("network", func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, network.Enable, network.EnableParams{})
		return err
	})
	p.size(1280, 800)
	return p
}

// expect lets something go wrong that the test brings about.
func (p *page) expect(part string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.expected = append(p.expected, part)
}

func (p *page) allowed(w string) bool {
	for _, e := range p.expected {
		if strings.Contains(w, e) {
			return true
		}
	}
	return false
}

func (p *page) event(ev any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		text := e.ExceptionDetails.Text
		if e.ExceptionDetails.Exception != nil {
			text += " " + e.ExceptionDetails.Exception.Description
		}
		p.wrong = append(p.wrong, "exception: "+text)
	case *runtime.EventConsoleAPICalled:
		var words []string
		for _, a := range e.Args {
			words = append(words, string(a.Value)+a.Description)
		}
		p.wrong = append(p.wrong, fmt.Sprintf("console.%s: %s", e.Type, strings.Join(words, " ")))
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning || e.Entry.Source == log.EntrySourceSecurity {
			p.wrong = append(p.wrong, fmt.Sprintf("%s %s: %s %s", e.Entry.Source, e.Entry.Level, e.Entry.Text, e.Entry.URL))
		}
	case *pageapi.EventJavascriptDialogOpening:
		p.wrong = append(p.wrong, "a dialog opened: "+e.Message)
	case *network.EventRequestWillBeSent:
		u, err := url.Parse(e.Request.URL)
		if err == nil && (u.Scheme == "http" || u.Scheme == "https" || u.Scheme == "ws" || u.Scheme == "wss") && u.Scheme+"://"+u.Host != p.s.url {
			p.strange = append(p.strange, e.Request.URL)
		}
	}
}

func (p *page) call(what string, f func(context.Context, *chromedp.Target) error) {
	p.t.Helper()
	if err := p.try(f); err != nil {
		p.t.Fatalf("%s: %s: %v", p.name, what, err)
	}
}

func (p *page) try(f func(context.Context, *chromedp.Target) error) error {
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	return chromedp.Do(ctx, chromedp.Func(f))
}

// open loads a path of the station.
func (p *page) open(path string) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	if err := chromedp.Do(ctx, chromedp.Navigate(p.s.url+path)); err != nil {
		p.t.Fatalf("%s: %s: %v", p.name, path, err)
	}
}

// operator loads the operator's page and waits for the state of the station.
func (p *page) operator() {
	p.t.Helper()
	p.open("/")
	p.until("the page shows the station", `document.querySelector("#op[data-boot]")`)
}

// eval is the value of an expression in the page.
func eval[T any](p *page, expression string) T {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	if err != nil {
		p.t.Fatalf("%s: %s: %v", p.name, expression, err)
	}
	return v
}

// text is what an element shows, "" where it is not there or hidden.
func (p *page) text(selector string) string {
	p.t.Helper()
	return eval[string](p, fmt.Sprintf(`(e => e && e.getClientRects().length ? e.innerText.trim() : "")(document.querySelector(%q))`, selector))
}

// holds reports whether a condition holds now; while the page is being loaded
// none does.
func (p *page) holds(condition string) bool {
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("Boolean("+condition+")"))
	return err == nil && ok
}

// becomes waits for a condition and reports whether it came about in time.
func (p *page) becomes(condition string, within time.Duration) bool {
	for end := time.Now().Add(within); ; {
		if p.holds(condition) {
			return true
		}
		if time.Now().After(end) {
			return false
		}
		time.Sleep(8 * time.Millisecond) // between two looks
	}
}

// until waits for a condition.
func (p *page) until(what, condition string) {
	p.t.Helper()
	if !p.becomes(condition, patience) {
		p.t.Fatalf("%s: not seen: %s (%s); the page says:\n%s", p.name, what, condition, tail(p.text("body"), 1500))
	}
}

// shows waits until an element shows a text.
func (p *page) shows(selector, text string) {
	p.t.Helper()
	p.until(fmt.Sprintf("%q in %s", text, selector),
		fmt.Sprintf(`(e => e && e.getClientRects().length && e.innerText.includes(%q))(document.querySelector(%q))`, text, selector))
}

// keys sends keys as a keyboard does, to wherever the focus is.
func (p *page) keys(keys ...string) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	if err := chromedp.Do(ctx, chromedp.KeyEvent(strings.Join(keys, ""))); err != nil {
		p.t.Fatalf("%s: keys: %v", p.name, err)
	}
}

// scan sends what a scanner sends: the characters quickly, and Enter.
func (p *page) scan(text string) {
	p.t.Helper()
	p.keys(text, kb.Enter)
}

// press sends a key that answers or confirms, once the page takes one: not in
// the first half second after something has appeared, so that nobody confirms
// what he has not read.
func (p *page) press(key, what, condition string) {
	p.t.Helper()
	p.until("the page takes an answer", `op.dataset.settled === "true"`)
	p.keys(key)
	p.until(what, condition)
}

// size makes the window that large.
func (p *page) size(width, height int64) {
	p.t.Helper()
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height)); err != nil {
		p.t.Fatal(err)
	}
	// Until the page has been laid out anew and has heard of it.
	eval[bool](p, `new Promise(done => requestAnimationFrame(() => setTimeout(() => done(true))))`)
}

// media shows the page as on this medium ("" screen, "print") to somebody with
// these wishes, such as prefers-color-scheme: dark.
func (p *page) media(medium string, wishes ...string) {
	p.t.Helper()
	var features []*emulation.MediaFeature
	for i := 0; i+1 < len(wishes); i += 2 {
		features = append(features, &emulation.MediaFeature{Name: wishes[i], Value: wishes[i+1]})
	}
	p.call("media", func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: medium, Features: features})
		return err
	})
}

// cookie sets a cookie of the station.
func (p *page) cookie(name, value string) {
	p.t.Helper()
	p.call("cookie", func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, network.SetCookie, network.SetCookieParams{Name: name, Value: value, URL: p.s.url})
		return err
	})
}

// shot takes a picture where pictures are wanted: of the screen at the station,
// of the whole page elsewhere.
func (p *page) shot(name string) {
	if shots() == "" {
		return
	}
	ctx, stop := context.WithTimeout(p.ctx, patience)
	defer stop()
	take := chromedp.FullScreenshot(100)
	if p.holds(`document.body.classList.contains("op-body")`) {
		take = chromedp.CaptureScreenshot()
	}
	data, err := chromedp.Run(ctx, take)
	if err == nil {
		err = os.MkdirAll(shots(), 0o755)
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(shots(), plain(name)+".png"), data, 0o644)
	}
	if err != nil {
		p.t.Logf("no picture %s: %v", name, err)
	}
}
