package browser

import (
	"context"
	"errors"
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
)

// page is one browser with cookies of its own, showing one page.
type page struct {
	t    *testing.T
	s    *station
	ctx  context.Context
	name string // in the names of pictures

	keyed time.Time // of the last key that was sent

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
		if t.Failed() {
			p.failed()
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

// call has the browser do something for this page.
func (p *page) call(what string, f func(context.Context, *chromedp.Target) error) {
	p.t.Helper()
	ctx, stop := within(p.ctx, p.t)
	defer stop()
	if err := chromedp.Do(ctx, chromedp.Func(f)); err != nil {
		p.t.Fatalf("%s: %s: %v", p.name, what, err)
	}
}

// open loads a path of the station.
func (p *page) open(path string) {
	p.t.Helper()
	ctx, stop := within(p.ctx, p.t)
	defer stop()
	if err := chromedp.Do(ctx, chromedp.Navigate(p.s.url+path)); err != nil {
		p.t.Fatalf("%s: %s: %v", p.name, path, err)
	}
}

// openUntil loads a path of the station until it shows what the station may not
// know yet: such a page does not change by itself.
func (p *page) openUntil(path, what, condition string) {
	p.t.Helper()
	ctx, stop := within(p.ctx, p.t)
	defer stop()
	for {
		var there bool
		err := chromedp.Do(ctx, chromedp.Navigate(p.s.url+path))
		if err == nil {
			there, err = chromedp.Run(ctx, chromedp.Evaluate[bool](now(condition)))
		}
		if err == nil && there {
			return
		}
		select {
		case <-time.After(20 * time.Millisecond): // between two looks
		case <-p.s.gone:
			p.t.Fatalf("%s: %s: not seen: %s (%s): the station has ended", p.name, path, what, condition)
		case <-ctx.Done():
			p.t.Fatalf("%s: %s: not seen: %s (%s): %v", p.name, path, what, condition, ctx.Err())
		}
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
	ctx, stop := within(p.ctx, p.t)
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

// holds reports whether a condition holds now. One that cannot be worked out
// does not.
func (p *page) holds(condition string) bool {
	p.t.Helper()
	return eval[bool](p, now(condition))
}

func now(condition string) string {
	return `(() => { try { return Boolean(` + condition + `); } catch { return false; } })()`
}

// watch is a promise of the page that a condition comes about. It sees each
// change of the page; the timer is for what is no change of the document, such
// as an address or a picture that was loaded. why() says what was wrong last.
const watch = `new Promise((done) => {
  let trouble = "";
  globalThis.why = () => trouble;
  const held = () => { try { return Boolean(%s); } catch (e) { trouble = String(e); return false; } };
  const changes = new MutationObserver(look);
  let timer = 0;
  function look() {
    if (!held()) return;
    changes.disconnect();
    clearInterval(timer);
    done(true);
  }
  changes.observe(document, { subtree: true, childList: true, attributes: true, characterData: true });
  timer = setInterval(look, 15);
  look();
})`

// until waits for a condition, from one page to the next.
func (p *page) until(what, condition string) {
	p.t.Helper()
	p.await(what, condition, fmt.Sprintf(watch, condition))
}

// sees is until for what may be gone again soon: it is watched for from before
// act on. act leaves the page where it is.
func (p *page) sees(what, condition string, act func()) {
	p.t.Helper()
	eval[bool](p, fmt.Sprintf("globalThis.seen = %s; true", fmt.Sprintf(watch, condition)))
	act()
	p.await(what, condition, `globalThis.seen || Promise.reject(new Error("the page was left"))`)
}

// await waits until a promise of the page is kept. A page that is left takes its
// promise with it; the next one makes it anew.
func (p *page) await(what, condition, promise string) {
	p.t.Helper()
	ctx, stop := within(p.ctx, p.t)
	defer stop()
	if !p.s.down { // else it is the page without its station that is looked at
		gone := p.s.gone
		go func() {
			select {
			case <-gone:
				stop()
			case <-ctx.Done():
			}
		}()
	}
	for {
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](promise, chromedp.EvalAwaitPromise))
		if err == nil && ok {
			return
		}
		var thrown *chromedp.ExceptionError // no page will do better
		if ctx.Err() != nil || p.ctx.Err() != nil || errors.As(err, &thrown) {
			p.t.Fatalf("%s: not seen: %s (%s): %s", p.name, what, condition, p.whyNot(err))
		}
		time.Sleep(5 * time.Millisecond) // the next page is on its way
	}
}

// whyNot says why a condition did not come about.
func (p *page) whyNot(err error) string {
	select {
	case <-p.s.gone:
		if !p.s.down {
			return "the station has ended"
		}
	default:
	}
	ctx, stop := p.last()
	defer stop()
	const ask = `globalThis.why && why() || ""`
	if trouble, failed := chromedp.Run(ctx, chromedp.Evaluate[string](ask)); failed == nil && trouble != "" {
		return trouble
	}
	return fmt.Sprint(err)
}

// last is a context for what shows a failure: out of the reserve.
func (p *page) last() (context.Context, context.CancelFunc) {
	if end, ok := p.t.Deadline(); ok {
		return context.WithDeadline(p.ctx, end.Add(-reserve/3))
	}
	return context.WithTimeout(p.ctx, time.Minute)
}

// failed shows the page as it is: its address and text, and a picture.
func (p *page) failed() {
	p.t.Helper()
	ctx, stop := p.last()
	defer stop()
	const say = `location.href + "\n" + (document.body ? document.body.innerText : "")`
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](say))
	if err != nil {
		text = err.Error()
	}
	p.t.Logf("%s: the page says:\n%s", p.name, tail(text, 3000))
	dir, err := failures()
	if err == nil {
		err = p.picture(ctx, dir, "failed-"+p.t.Name()+"-"+p.name)
	}
	if err != nil {
		p.t.Logf("%s: no picture: %v", p.name, err)
		return
	}
	p.t.Logf("%s: a picture of the page is in %s", p.name, dir)
}

// shows waits until an element shows a text.
func (p *page) shows(selector, text string) {
	p.t.Helper()
	p.until(fmt.Sprintf("%q in %s", text, selector), showing(selector, text))
}

// showing is that an element shows a text.
func showing(selector, text string) string {
	return fmt.Sprintf(`(e => e && e.getClientRects().length && e.innerText.includes(%q))(document.querySelector(%q))`,
		text, selector)
}

// size makes the window that large.
func (p *page) size(width, height int64) {
	p.t.Helper()
	ctx, stop := within(p.ctx, p.t)
	defer stop()
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, height)); err != nil {
		p.t.Fatal(err)
	}
	// Until the page has been laid out anew and has heard of it.
	eval[bool](p, fmt.Sprintf(`new Promise(done => {
  const there = () => innerWidth === %d && innerHeight === %d;
  const look = () => there() ? setTimeout(() => done(true)) : requestAnimationFrame(look);
  requestAnimationFrame(look);
})`, width, height))
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

// shot takes a picture where pictures are wanted.
func (p *page) shot(name string) {
	if shots() == "" {
		return
	}
	ctx, stop := within(p.ctx, p.t)
	defer stop()
	err := os.MkdirAll(shots(), 0o755)
	if err == nil {
		err = p.picture(ctx, shots(), name)
	}
	if err != nil {
		p.t.Logf("no picture %s: %v", name, err)
	}
}

// picture takes a picture: of the screen at the station, of the whole page
// elsewhere.
func (p *page) picture(ctx context.Context, dir, name string) error {
	take := chromedp.FullScreenshot(100)
	const atStation = `Boolean(document.body && document.body.classList.contains("op-body"))`
	if at, err := chromedp.Run(ctx, chromedp.Evaluate[bool](atStation)); err != nil {
		return err
	} else if at {
		take = chromedp.CaptureScreenshot()
	}
	data, err := chromedp.Run(ctx, take)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(dir, plain(name)+".png"), data, 0o644)
}
