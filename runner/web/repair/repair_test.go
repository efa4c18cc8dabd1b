package repair

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/serial"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

// A repair bench over a real archive and index, whose product has two rules and
// a drawing with two parts.
type bench struct {
	*Bench
	t       *testing.T
	archive *archive.Archive
	index   *store.Index
	now     time.Time
	told    []reports.Repair
	n       int
}

var testCauses = []reports.Cause{
	{Rule: "stick-play", Cause: "play between shaft and potentiometer", Part: "left-stick", Inspect: "the coupling"},
	{Rule: "spring", Cause: "a tired spring", Part: "left-stick", Inspect: "the spring"},
	{Rule: "silent", Cause: "the sounder is silent", Part: "sounder", Inspect: "its joints"},
}

const testDrawing = `<svg class="handset" viewBox="0 0 100 100">
<g id="part-left-stick" class="part" data-x="20" data-y="50" data-side="left"><title>Left stick</title><g id="axis-left_x" class="axis"><path d="M0 0h1"/></g><g id="axis-left_y" class="axis"><path d="M0 0h1"/></g></g>
<g id="part-sounder" class="part" data-x="50" data-y="20" data-side="top"><title>Sounder</title><circle r="3"/></g></svg>`

func newBench(t *testing.T, change func(*Config)) *bench {
	t.Helper()
	dir := t.TempDir()
	records, err := archive.Open(dir, "T-1")
	require.NoError(t, err)
	t.Cleanup(func() { records.Close() })
	index, err := store.OpenIndex(context.Background(), dir, store.IndexOptions{})
	require.NoError(t, err)
	t.Cleanup(func() { index.Close() })
	l, err := shell.New()
	require.NoError(t, err)
	drawing, err := shell.ParseDrawing("drawing.svg", []byte(testDrawing))
	require.NoError(t, err)
	b := &bench{t: t, archive: records, index: index, now: time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)}
	format := serial.Format{Product: "kite", Pattern: `K(?P<lot>[0-9]{2}[A-Z])[0-9]{4}`, CheckCharacter: serial.NoCheckCharacter}
	c := Config{Store: index, Archive: records, Station: "T-1", Product: Product{"kite", "Kite"}, Look: l.In(time.UTC), Causes: testCauses, Drawing: drawing, Retests: 1,
		Texts:    map[string]wording.Texts{"es": {"play between shaft and potentiometer": "holgura entre eje y potenciómetro", "Left stick": "Palanca izquierda"}},
		Patience: time.Hour, // a busy machine's answer is as good
		Unit:     "/unit", Attachments: "/attachment/", Now: func() time.Time { b.now = b.now.Add(time.Second); return b.now },
		Scan: func(text string) (string, error) { s, _, err := format.ParseScan(text); return s, err },
		Recorded: func(ctx context.Context, r reports.Repair) {
			b.told = append(b.told, r)
			assert.NoError(t, index.AddRepairs(ctx, r))
		}}
	if change != nil {
		change(&c)
	}
	b.Bench, err = New(c)
	require.NoError(t, err)
	return b
}

// run seals a run of a unit with a play of the stick, in percent, of which 0.8
// are allowed; NaN is a fault of the bench.
func (b *bench) run(number string, play float64, golden ...bool) archive.Sealed {
	b.t.Helper()
	b.n++
	b.now = b.now.Add(time.Minute)
	unit := reports.Unit{SerialNumber: number, Product: "kite", Revision: "C", Lot: "24A", Golden: len(golden) > 0}
	j, err := b.archive.Begin(reports.Start{Run: fmt.Sprintf("run-%04d", b.n), Station: "T-1", Nest: "A", Operator: "Ana", Unit: unit, Attempt: 1, Software: "test"}, b.now)
	require.NoError(b.t, err)
	put := func(e reports.Event) {
		b.now = b.now.Add(time.Second)
		e.Time = b.now
		require.NoError(b.t, j.Append(e))
	}
	check := reports.Check{Name: "centre", About: "Comes back to one centre", Part: "left-stick"}
	put(reports.Event{Kind: reports.CheckStarted, Check: &check})
	end := reports.End{Outcome: reports.Passed}
	lower, upper := -0.8, 0.8
	r := reports.Reading{Check: "centre", Name: "left_x_play", Value: reports.Number(play), Unit: "%", Limit: &reports.Limit{Lower: &lower, Upper: &upper, Why: "beyond it <b>nobody</b> can aim"}, Verdict: reports.Pass}
	check.Verdict = reports.Pass
	switch {
	case math.IsNaN(play):
		check.Verdict, check.Problem = reports.Error, &reports.Reason{Code: reports.NoValue}
		end = reports.End{Outcome: reports.Errored, Reason: &reports.Reason{Code: reports.DeviceFailed, Device: "meter", Kind: "no reply", Text: "no reply in 1s"}}
	case play > upper || play < lower:
		r.Verdict, check.Verdict, end = reports.Fail, reports.Fail, reports.End{Outcome: reports.Failed}
	}
	if !math.IsNaN(play) {
		put(reports.Event{Kind: reports.ReadingTaken, Reading: &r})
		put(reports.Event{Kind: reports.CaptureKept, Capture: &reports.Capture{Check: "centre", Name: "rest", Plot: &reports.Plot{Title: "at rest", XLabel: "time / s", YLabel: "pulse width / µs",
			Series: []reports.Series{{Name: "channel 1", X: []float64{0, 1, 2}, Y: []float64{1500, 1500 + 100*play, 1500}}, {Name: "channel 2", X: []float64{0, 1, 2}, Y: []float64{1500, 1700, 1500}}}}}})
	}
	put(reports.Event{Kind: reports.CheckEnded, Check: &check})
	if end.Outcome == reports.Failed {
		put(reports.Event{Kind: reports.CausesRanked, Causes: []reports.Cause{
			{Rule: "stick-play", Cause: testCauses[0].Cause, Where: "left stick, sideways", Part: "left-stick", Confidence: 0.8, Inspect: "the coupling", Explains: []string{"centre.left_x_play"},
				Evidence: []reports.Evidence{reports.EvidenceOf(r, reports.Outside, r.Limit), {Relation: reports.Ranked, Right: 14, Count: 17},
					{Reading: "centre.left_x_noise", Relation: reports.Within, Value: new(reports.Number(0.1)), Unit: "%", Against: true}}},
			{Rule: "spring", Cause: testCauses[1].Cause, Part: "left-stick", Confidence: 0.1, Inspect: "the spring", Explains: []string{"centre.left_x_play"}}}})
	}
	put(reports.Event{Kind: reports.RunEnded, End: &end})
	s, err := j.Seal()
	require.NoError(b.t, err)
	item, err := store.ItemOf(b.archive.Dir(), s)
	require.NoError(b.t, err)
	_, err = b.index.Add(context.Background(), item)
	require.NoError(b.t, err)
	return s
}

func (b *bench) do(r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	b.ServeHTTP(w, r)
	return w
}

func (b *bench) get(path string) (int, string) {
	w := b.do(httptest.NewRequest("GET", path, nil))
	return w.Code, w.Body.String()
}

func (b *bench) post(form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", "/repair/unit", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return b.do(r)
}

var hidden = regexp.MustCompile(`<input type="hidden" name="(\w+)" value="([^"]*)">`)

// form is the form of a unit's page, filled in.
func (b *bench) form(path string, fill ...string) url.Values {
	b.t.Helper()
	code, page := b.get(path)
	require.Equal(b.t, 200, code, page)
	v := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(page, -1) {
		v.Set(m[1], m[2])
	}
	require.NotEmpty(b.t, v.Get("id"), "no form on %s", path)
	for i := 0; i+1 < len(fill); i += 2 {
		v.Set(fill[i], fill[i+1])
	}
	return v
}

// A unit fails twice, is scanned, repaired, written down once, retested, and
// passes.
func TestFromFailureToRetest(t *testing.T) {
	b := newBench(t, nil)
	for i := range 30 {
		b.run(fmt.Sprintf("K24A1%03d", i), 0.2+float64(i)/100)
	}
	b.run("K24A0001", 2.5)
	_, page := b.get("/repair/")
	assert.Contains(t, page, "No unit waits for repair.")
	assert.Contains(t, page, "1 more unit failed once; the line tests it again first.")
	failed := b.run("K24A0001", 2.5)
	_, page = b.get("/repair/")
	assert.Contains(t, page, "1 unit waits")
	assert.Contains(t, page, `href="/repair/unit?serial=K24A0001"`)

	w := b.do(httptest.NewRequest("GET", "/repair/scan?text=k24a0001", nil))
	assert.Equal(t, 303, w.Code)
	assert.Equal(t, "/repair/unit?serial=K24A0001", w.Header().Get("Location"))
	for _, path := range []string{"/repair?run=", "/repair/?run="} {
		w = b.do(httptest.NewRequest("GET", path+failed.Report.Run, nil))
		assert.Equal(t, "/repair/unit?serial=K24A0001&run="+failed.Report.Run, w.Header().Get("Location"))
	}

	_, page = b.get("/repair/unit?serial=K24A0001")
	for _, want := range []string{
		"Left stick, sideways", `id="part-left-stick" class="is-bad part"`, `id="axis-left_x" class="is-bad axis"`, `id="axis-left_y" class="axis"`, // where
		"Comes back to one centre", "2.5", "allowed: −0.8\u00a0% to 0.8\u00a0%", "beyond it &lt;b&gt;nobody&lt;/b&gt; can aim", // what
		"30 good units of lot 24A in nest A: 0.2\u00a0% to 0.49\u00a0%.", "This unit lies above every one of them.", // beside good ones
		"Play between shaft and potentiometer", "likely, some 80 %", "right in 14 of 17 repairs", "Against it", "the coupling", // why
		"unplug the lithium cell",                                    // care
		"channel 1</text>", `class="beside"`, "No other unit failed", // captures, others
		`value="stick-play@left-stick" checked`, "Write it down",
	} {
		assert.True(t, strings.Contains(page, want), want)
	}
	assert.NotContains(t, page, "channel 2</text>", "what is as in the good unit is not drawn in colour")
	assert.NotContains(t, page, `name="done" value="replaced" checked`, "what was done is never filled in")

	form := b.form("/repair/unit?serial=K24A0001", "found", "stick-play@left-stick", "done", "adjusted", "by", "Noor", "text", "set screw was loose\r\n")
	w = b.post(form)
	require.Equal(t, 303, w.Code, w.Body)
	assert.Equal(t, "/repair/unit?serial=K24A0001#scan", w.Header().Get("Location"))
	assert.Contains(t, w.Header().Get("Set-Cookie"), WhoCookie+"=Noor")
	require.Len(t, b.told, 1)
	assert.Equal(t, reports.Repair{ID: form.Get("id"), Run: failed.Report.Run, Unit: failed.Report.Unit, At: b.told[0].At, By: "Noor", Found: "stick-play", Part: "left-stick", Done: "adjusted", Text: "set screw was loose", Suggested: "stick-play"}, b.told[0])
	assert.True(t, b.told[0].At.After(failed.Report.Ended))

	assert.Equal(t, 303, b.post(form).Code, "sent twice")
	form.Set("done", "replaced")
	w = b.post(form)
	assert.Equal(t, 409, w.Code)
	assert.Contains(t, w.Body.String(), "On record: Play between shaft and potentiometer, Adjusted.")
	assert.Len(t, b.archive.Repairs(), 1)
	assert.Len(t, b.told, 1)

	_, page = b.get("/repair/unit?serial=K24A0001")
	assert.Contains(t, page, "Back to the line for retest.")
	assert.NotContains(t, page, "repair-form")
	_, page = b.get("/repair/")
	assert.Contains(t, page, "No unit waits for repair.")
	assert.Contains(t, page, "waits for its retest")

	b.run("K24A0001", 0.3)
	_, page = b.get("/repair/unit?serial=K24A0001")
	assert.Contains(t, page, "This unit passed on")
	assert.Contains(t, page, "set screw was loose")
	assert.NotContains(t, page, "repair-form")
	_, page = b.get("/repair/")
	assert.NotContains(t, page, "waits for its retest")
	_, page = b.get("/repair/hints")
	assert.Contains(t, page, "1 of 1 repair with a suggestion")
	_, page = b.get("/repair/record?suggested=stick-play&found=stick-play")
	assert.Contains(t, page, "K24A0001")
}

func TestHowAUnitStands(t *testing.T) {
	b := newBench(t, nil)
	b.run("K24A0002", 0.1)
	b.run("K24A0003", math.NaN())
	b.run("K24A0004", 5, true)
	b.run("K24A0005", 5)
	b.run("K24A0006", 5)
	b.run("K24A0006", 5)
	require.Equal(t, 303, b.post(b.form("/repair/unit?serial=K24A0006", "found", "else", "else", "damage", "part", "sounder", "done", "scrapped", "by", "Noor")).Code)
	assert.Equal(t, "damage", b.told[0].Found)
	for _, c := range []struct {
		path, want string
		code       int
		form       bool
	}{
		{"/repair/unit?serial=K24A9999", "This unit has never been tested here.", 404, false},
		{"/repair/unit?serial=K24A0002", "This unit passed on 25 Nov 2026", 200, false},
		{"/repair/unit?serial=K24A0003", "That is no failure of the unit", 200, false},
		{"/repair/unit?serial=K24A0004", "This is a golden unit.", 200, false},
		{"/repair/unit?serial=K24A0005", "The line tests it again before it is repaired.", 200, true},
		{"/repair/unit?serial=K24A0006", "Scrapped by Noor", 200, false},
		{"/repair/unit?serial=K24A0002&run=run-0004", "That run is not one of this unit.", 404, false},
		{"/repair/unit?serial=nonsense", "That is no serial number of a Kite.", 404, false},
		{"/repair/unit", "That is no serial number of a Kite.", 404, false},
		{"/repair/scan?text=12", "Scan the label on the unit.", 422, false},
		{"/repair?run=none", "There is no such run in the records.", 404, false},
		{"/repair/record?found=no-fault-found", "There are no such repairs.", 200, false},
		{"/repair/?part=sounder", "None of this part.", 200, false},
	} {
		code, page := b.get(c.path)
		assert.Equal(t, c.code, code, c.path)
		assert.Contains(t, page, c.want, c.path)
		assert.Equal(t, c.form, strings.Contains(page, "repair-form"), c.path)
	}
	closed := newBench(t, func(c *Config) { c.Store = nil })
	code, page := closed.get("/repair/")
	assert.Equal(t, 503, code)
	assert.Contains(t, page, "The records are not open yet.")
}

func TestMistakesAreSaidAndNothingIsKept(t *testing.T) {
	b := newBench(t, nil)
	b.run("K24A0001", 5)
	b.run("K24A0001", 5)
	const unit = "/repair/unit?serial=K24A0001"
	sound := []string{"found", "spring@left-stick", "done", "replaced", "by", "Noor"}
	for _, c := range []struct {
		field, value, want string
	}{
		{"found", "", "Choose what was wrong."},
		{"found", "else", "Choose from the list what it was."},
		{"found", "gremlins@left-stick", "Choose from the list what it was."},
		{"found", "spring@gremlins", "Choose from the list what it was."},
		{"found", "no-fault-found", "If nothing wrong was found, nothing was done"},
		{"done", "", "Choose what was done."},
		{"done", "prayed", "Choose what was done."},
		{"by", "", "Write who repaired it"},
		{"by", strings.Repeat("x", 41), "Write who repaired it"},
		{"by", "12\u202e", "Write who repaired it"},
		{"by", "K24A0001", "That is the label of a unit, not a name."},
		{"text", strings.Repeat("x", 1501), "at most 1500 are kept"},
	} {
		form := b.form(unit, sound...)
		form.Set(c.field, c.value)
		w := b.post(form)
		assert.Equal(t, 422, w.Code, "%s = %.20q", c.field, c.value)
		assert.Contains(t, w.Body.String(), c.want, "%s = %.20q", c.field, c.value)
		assert.Contains(t, w.Body.String(), form.Get("id"), "the same form comes back")
	}
	for field, value := range map[string]string{"id": "../../etc/passwd", "serial": "K24A0002"} {
		form := b.form(unit, sound...)
		form.Set(field, value)
		assert.Equal(t, 400, b.post(form).Code, field)
	}
	form := b.form(unit, sound...)
	form.Set("run", "none")
	assert.Equal(t, 404, b.post(form).Code)
	assert.Empty(t, b.archive.Repairs())

	// Nothing wrong found needs no more than that.
	form = b.form(unit, "found", "no-fault-found", "by", "Noor")
	assert.Equal(t, 303, b.post(form).Code)
	assert.Equal(t, "nothing", b.told[0].Done)
	assert.Empty(t, b.told[0].Part)
	// A second technician, whose page is older, is told before anything is added.
	form.Set("id", "another-form-1")
	w := b.post(form)
	assert.Equal(t, 409, w.Code)
	assert.Contains(t, w.Body.String(), "Noor has written something down for this unit meanwhile")
	assert.Equal(t, 303, b.post(b.form(unit+"&again=1", sound...)).Code)
	assert.Len(t, b.archive.Repairs(), 2)
	// Failed anew: the older failure is not the one to answer.
	old := b.form(unit+"&again=1", sound...)
	b.run("K24A0001", 5)
	assert.Equal(t, 409, b.post(old).Code)
	_, page := b.get(unit + "&run=run-0002")
	assert.Contains(t, page, "This is an earlier failure, not the newest one.")
}

// However often and however quickly a form is sent, it is one repair.
func TestSentManyTimesIsOneRepair(t *testing.T) {
	b := newBench(t, func(c *Config) {
		at := time.Date(2026, 11, 26, 8, 0, 0, 0, time.UTC)
		c.Now = func() time.Time { return at }
	})
	b.run("K24A0001", 5)
	b.run("K24A0001", 5)
	form := b.form("/repair/unit?serial=K24A0001", "found", "stick-play@left-stick", "done", "cleaned", "by", "Noor", "text", "a\tb\x00c")
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() { assert.Equal(t, 303, b.post(form).Code) })
	}
	wg.Wait()
	require.Len(t, b.archive.Repairs(), 1)
	assert.Equal(t, "a bc", b.archive.Repairs()[0].Repair.Text)
	assert.Len(t, b.told, 1)
}

// full is an archive whose disk is full.
type full struct{ *archive.Archive }

func (full) RepairOf(reports.Repair, archive.Sealed) (archive.SealedRepair, error) {
	return archive.SealedRepair{}, &reports.HintedError{Err: errors.New("repair: no space left"), Hint: "make room"}
}

func TestAFullDiskKeepsTheForm(t *testing.T) {
	b := newBench(t, func(c *Config) { c.Archive = full{c.Archive.(*archive.Archive)} })
	b.run("K24A0001", 5)
	b.run("K24A0001", 5)
	w := b.post(b.form("/repair/unit?serial=K24A0001", "found", "stick-play@left-stick", "done", "cleaned", "by", "Noor", "text", "was dirty"))
	assert.Equal(t, 503, w.Code)
	for _, want := range []string{"Nothing is on record.", "make room", "was dirty", `value="cleaned" checked`} {
		assert.Contains(t, w.Body.String(), want)
	}
	assert.Empty(t, b.told)
}

// Whatever comes in by an address or a field is text, never markup, never a
// query, and never stops the server.
func TestHostileInput(t *testing.T) {
	b := newBench(t, nil)
	b.run("K24A0001", 5)
	b.run("K24A0001", 5)
	const unit = "/repair/unit?serial=K24A0001"
	evil := []string{`<script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `' OR 1=1; DROP TABLE run; --`, "\x00\x1b[2J\u202e", strings.Repeat("A", 6000), `{{.Serial}}`, `javascript:alert(1)`, "\xff\xfe", `../../../etc/passwd`, `%s%n{count}`}
	check := func(name string, code int, page string) {
		assert.Less(t, code, 500, name)
		for _, bad := range []string{"<script>", "<img", "onerror=alert(1)>", "\x00", "\x1b", `href="javascript:`} {
			assert.NotContains(t, page, bad, name)
		}
	}
	for _, e := range evil {
		q := url.QueryEscape(e)
		for _, path := range []string{"/repair/?part=", "/repair/scan?text=", unit + "&run=", "/repair/unit?serial=", "/repair?run=", "/repair/record?found=", "/repair/record?suggested=", "/repair/unit?again=1&serial="} {
			code, page := b.get(path + q)
			check(fmt.Sprintf("GET %s%.20q", path, e), code, page)
		}
		for _, field := range []string{"id", "run", "serial", "known", "found", "else", "part", "done", "by", "text"} {
			form := b.form(unit, "found", "else", "else", "other", "done", "cleaned", "by", "", "text", "x") // without a name it is never kept
			form.Set(field, e)
			if field == "by" {
				form.Set("done", "")
			}
			w := b.post(form)
			assert.NotEqual(t, 303, w.Code, "POST %s=%.20q", field, e)
			check(fmt.Sprintf("POST %s=%.20q", field, e), w.Code, w.Body.String())
		}
	}
	assert.Empty(t, b.archive.Repairs())
	w := b.post(url.Values{"text": {strings.Repeat("x", 1<<20)}})
	assert.Equal(t, 400, w.Code)
	// What is written down by a technician is shown as text.
	require.Equal(t, 303, b.post(b.form(unit, "found", "else", "else", "other", "done", "cleaned", "by", `<b>N`, "text", evil[0])).Code)
	for _, path := range []string{unit, "/repair/", "/repair/record", "/repair/hints"} {
		code, page := b.get(path)
		check(path, code, page)
		assert.NotContains(t, page, "<b>N")
	}
	r := httptest.NewRequest("GET", unit, nil)
	r.AddCookie(&http.Cookie{Name: WhoCookie, Value: url.QueryEscape(`"><script>`)})
	assert.NotContains(t, b.do(r).Body.String(), "<script>")
}

var inline = regexp.MustCompile(`<script>|<style|\sstyle="|\son[a-z]+="|javascript:`)

// Pages hold no script and no style of their own, are whole in every language,
// and say nothing in brackets, which stand for a missing message.
func TestPagesInEveryLanguage(t *testing.T) {
	b := newBench(t, nil)
	for i := range 3 {
		b.run(fmt.Sprintf("K24A1%03d", i), 0.2)
	}
	for _, s := range []string{"K24A0001", "K24A0002"} {
		b.run(s, 5)
		b.run(s, 5)
	}
	b.post(b.form("/repair/unit?serial=K24A0002", "found", "else", "else", "soldering", "done", "resoldered", "by", "Noor"))
	missing := regexp.MustCompile(`\[[a-z]+\.[a-z_.-]+\]`)
	for _, l := range wording.Languages() {
		for _, path := range []string{"/repair/", "/repair/unit?serial=K24A0001", "/repair/unit?serial=K24A0002", "/repair/unit?serial=K24A0002&again=1", "/repair/hints", "/repair/record"} {
			r := httptest.NewRequest("GET", path, nil)
			r.AddCookie(&http.Cookie{Name: shell.LanguageCookie, Value: l.Tag})
			w := b.do(r)
			page := w.Body.String()
			assert.Equal(t, 200, w.Code, path)
			assert.Contains(t, page, `<html lang="`+l.Tag+`"`)
			assert.Empty(t, missing.FindAllString(page, -1), "%s %s", l.Tag, path)
			assert.Empty(t, inline.FindAllString(page, -1), "%s %s", l.Tag, path)
		}
	}
	r := httptest.NewRequest("GET", "/repair/unit?serial=K24A0001", nil)
	r.Header.Set("Accept-Language", "es")
	page := b.do(r).Body.String()
	assert.Contains(t, page, "Holgura entre eje y potenciómetro")
	assert.Contains(t, page, "acertó en 14 de 17 reparaciones")
	assert.Contains(t, page, "centre.left_x_play 5\u00a0%, permitido de −0,8\u00a0% a 0,8\u00a0%")
	for _, m := range regexp.MustCompile(`(?:href|src)="(/repair/[^"]+\.(?:css|js))"`).FindAllStringSubmatch(page, -1) {
		code, _ := b.get(m[1])
		assert.Equal(t, 200, code, m[1])
	}
	code, _ := b.get("/repair/repair.css")
	assert.Equal(t, 404, code, "only by the name that holds its content")
}

func TestNoFileIsLeft(t *testing.T) {
	entries, err := os.ReadDir(".")
	require.NoError(t, err)
	for _, e := range entries {
		assert.True(t, e.IsDir() || strings.HasSuffix(e.Name(), ".go"), e.Name())
	}
}
