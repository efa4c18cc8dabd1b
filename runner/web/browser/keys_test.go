package browser

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// How far apart the keys come. They carry their time with them, so that a page
// sees a scanner and a hand as such on a machine that hands the keys on late.
const (
	byScanner = 2 * time.Millisecond
	quickly   = 20 * time.Millisecond
	slowly    = 200 * time.Millisecond
)

// keys sends keys as a keyboard does, to wherever the focus is.
func (p *page) keys(keys ...string) {
	p.t.Helper()
	p.send(0, quickly, strings.Join(keys, ""))
}

// byHand is keys as somebody types who looks for each.
func (p *page) byHand(keys ...string) {
	p.t.Helper()
	p.send(0, slowly, strings.Join(keys, ""))
}

// later is keys for the hand that takes so long after the last key, whatever
// the machine did in between.
func (p *page) later(after time.Duration, keys ...string) {
	p.t.Helper()
	p.send(after, quickly, strings.Join(keys, ""))
}

// scan sends what a scanner sends: the characters quickly, and Enter.
func (p *page) scan(text string) {
	p.t.Helper()
	p.send(0, byScanner, text+kb.Enter)
}

// send sends keys with so much time between them; the first of them comes now,
// or after that time from the last one before.
func (p *page) send(after, gap time.Duration, keys string) {
	p.t.Helper()
	at := p.keyed.Add(max(after, quickly))
	if now := time.Now(); after == 0 && now.After(at) {
		at = now
	}
	p.call("keys", func(ctx context.Context, tab *chromedp.Target) error {
		for _, r := range keys {
			for _, k := range strokes(r) {
				k.Timestamp = input.TimeSinceEpoch(float64(at.UnixMicro()) / 1e6)
				if _, err := cdp.Call(ctx, tab, input.DispatchKeyEvent, *k); err != nil {
					return err
				}
			}
			p.keyed, at = at, at.Add(gap)
		}
		return nil
	})
}

// strokes are a key going down, with the character it types, and up.
func strokes(r rune) []*input.DispatchKeyEventParams {
	all := kb.Encode(r)
	if len(all) != 3 {
		return all
	}
	down, char := *all[0], all[1]
	down.Type, down.Text, down.UnmodifiedText = "keyDown", char.Text, char.UnmodifiedText
	return []*input.DispatchKeyEventParams{&down, all[2]}
}

// types writes a text at once into the field that has the focus, where keys are
// not what is tested.
func (p *page) types(text string) {
	p.t.Helper()
	p.call("type", func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, input.InsertText, input.InsertTextParams{Text: text})
		return err
	})
}

// scanAtOnce is scan for a long text, on a page that listens for keys: one
// message brings all of them.
func (p *page) scanAtOnce(text string) {
	p.t.Helper()
	eval[bool](p, fmt.Sprintf(`(() => {
  for (const key of [...%q, "Enter"]) {
    document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
  }
  return true;
})()`, text))
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
