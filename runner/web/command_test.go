package web

import (
	"context"
	"encoding/json"
	"io"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/wording"
	"fullthrow/runner/web/shell"
)

func get(t testing.TB, address string, cookies ...*http.Cookie) (int, string) {
	t.Helper()
	req, err := http.NewRequest("GET", address, nil)
	require.NoError(t, err)
	for _, c := range cookies {
		req.AddCookie(c)
	}
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer resp.Body.Close()
	data, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	return resp.StatusCode, string(data)
}

// asking puts a question and waits for the answer.
func asking(p reports.Prompt, answers chan<- reports.Prompt) func(context.Context, *fakeRunner, *archive.Journal) reports.End {
	return func(ctx context.Context, r *fakeRunner, j *archive.Journal) reports.End {
		p.ID = "q1"
		r.event(j, reports.Event{Kind: reports.PromptAsked, Prompt: &p})
		v, by, err := r.ask(ctx, p)
		if err != nil {
			return reports.End{Outcome: reports.Aborted, Reason: &reports.Reason{Code: reports.Stopped, Text: err.Error()}}
		}
		done := p
		done.Answer, done.By = &v, by
		r.event(j, reports.Event{Kind: reports.PromptDone, Prompt: &done})
		answers <- done
		return passing(ctx, r, j)
	}
}

// Two operators cannot both answer: the second is told who did.
func TestOneAnswerToOneQuestion(t *testing.T) {
	g := newRig(t)
	answers := make(chan reports.Prompt, 1)
	g.nests["A"].play = asking(reports.Prompt{Kind: "confirm", Text: "Is the lamp on?"}, answers)
	g.scan(serialOf(1))
	n := g.until("asked", func(s stateJSON) bool { return s.Nests[0].Prompt != nil }).Nests[0]
	assert.Equal(t, "Is the lamp on?", n.Prompt.Text)
	assert.Equal(t, []choiceJSON{{true, "Yes"}, {false, "No"}}, n.Prompt.Choices)
	c := answerCommand{Nest: "A", Run: n.Run, Prompt: n.Prompt.ID, Value: json.RawMessage("true")}
	wrong := c
	wrong.Value = json.RawMessage(`"maybe"`)
	assert.Equal(t, "no-answer", g.post("/api/answer", wrong).Code)
	other := c
	other.Run = "another-run"
	assert.Equal(t, "over", g.post("/api/answer", other).Code)
	g.cookies = []*http.Cookie{{Name: OperatorCookie, Value: url.QueryEscape("José Ñ")}}
	assert.True(t, g.post("/api/answer", c).OK)
	g.cookies = nil
	r := g.post("/api/answer", c)
	if r.Code == "answered" { // the run may have gone on already
		assert.Equal(t, "José Ñ has answered already.", r.Text)
		assert.Equal(t, "José Ñ", r.By)
	} else {
		assert.Equal(t, "over", r.Code)
	}
	done := <-answers
	assert.Equal(t, reports.Bool(true), *done.Answer)
	assert.Equal(t, "José Ñ", done.By)
	g.ended(0, serialOf(1))
}

func TestAnswered(t *testing.T) {
	g := newRig(t)
	p := reports.Prompt{Kind: "confirm", Text: "?", ID: "q1"}
	n := g.server.nests[0]
	g.server.mu.Lock()
	n.view = newRun(nil, reports.Start{Run: "r"}, time.Now())
	n.asked["q1"] = &asked{prompt: p, done: make(chan struct{}), given: true, by: "Wei"}
	g.server.mu.Unlock()
	c := answerCommand{Nest: "A", Run: "r", Prompt: "q1", Value: json.RawMessage("false")}
	assert.Equal(t, replyJSON{Code: "answered", Text: "Wei has answered already.", By: "Wei"}, g.post("/api/answer", c))
}

func TestAnswerTo(t *testing.T) {
	choose := reports.Prompt{Kind: "choose", Choices: []string{"red", "green"}}
	number, text := reports.Prompt{Kind: "number"}, reports.Prompt{Kind: "text"}
	for _, tt := range []struct {
		p    reports.Prompt
		raw  any
		want reports.Value
		ok   bool
	}{
		{reports.Prompt{Kind: "confirm"}, false, reports.Bool(false), true},
		{reports.Prompt{Kind: "confirm"}, "true", reports.Value{}, false},
		{choose, "green", reports.Text("green"), true},
		{choose, "blue", reports.Value{}, false},
		{choose, 1.0, reports.Value{}, false},
		{number, " 3,71 ", reports.Number(3.71), true},
		{number, 4.0, reports.Number(4), true},
		{number, "NaN", reports.Value{}, false},
		{number, "1e999", reports.Value{}, false},
		{number, "inf", reports.Value{}, false},
		{number, "0x", reports.Value{}, false},
		{number, strings.Repeat("1", 50), reports.Value{}, false},
		{text, " scratched ", reports.Text("scratched"), true},
		{text, "", reports.Value{}, false},
		{text, strings.Repeat("a", 201), reports.Value{}, false},
		{text, "a\x1bb", reports.Value{}, false},
		{text, nil, reports.Value{}, false},
	} {
		v, ok := answerTo(tt.p, tt.raw)
		assert.Equal(t, tt.ok, ok, "%v to %s", tt.raw, tt.p.Kind)
		if ok {
			assert.Equal(t, tt.want, v)
			x, isNumber := v.Number()
			assert.False(t, isNumber && (math.IsNaN(x) || math.IsInf(x, 0)))
		}
	}
}

func TestAbort(t *testing.T) {
	g := newRig(t)
	g.nests["A"].play = held(nil)
	g.scan(serialOf(1))
	n := g.until("it runs", func(s stateJSON) bool { return s.Nests[0].Done == 1 }).Nests[0]
	assert.Equal(t, "over", g.post("/api/abort", nestCommand{Nest: "A", Run: "another-run"}).Code, "a page that is behind stops nothing")
	assert.Equal(t, "aborted", g.post("/api/abort", nestCommand{Nest: "A", Run: n.Run}).Code)
	end := g.ended(0, serialOf(1)).End
	assert.Equal(t, "aborted", end.Kind)
	assert.Equal(t, "The run was stopped by hand.", end.Text)
	assert.Equal(t, "Nothing is known about the unit.", end.Unknown)
	assert.Equal(t, "over", g.post("/api/abort", nestCommand{Nest: "A", Run: n.Run}).Code)
	assert.Equal(t, "seen", g.post("/api/acknowledge", acknowledgeCommand{Nest: "A", Run: n.Run}).Code)
	assert.Equal(t, phaseFree, g.state().Nests[0].Phase)
}

// A fault of the bench and an open guard are said in other words, under another
// kind, than a unit that failed.
func TestBenchFaultIsNoFailure(t *testing.T) {
	g := newRig(t)
	for _, tt := range []struct{ device, kind, want string }{
		{"", "plan", "There is a mistake in the test plan: fetch the test engineer. This says nothing about the unit."},
		{"meter", "no reply", "The current meter does not answer."},
		{"receiver", "gone", "The receiver is unplugged."},
		{"arm<b>", "garbled", "The arm<b> answers, but what it says cannot be understood."},
		{"", "", "The bench could not measure. This says nothing about the unit."},
	} {
		why := reports.Reason{Code: reports.DeviceFailed, Device: tt.device, Kind: tt.kind, Text: "as the bench said it", Hint: "look"}
		detail := strings.TrimPrefix(tt.device+": as the bench said it (look)", ": ")
		switch {
		case tt.kind == "plan":
			why = reports.Reason{Code: reports.PlanError, Text: "as the bench said it", Hint: "look"}
		case tt.device == "":
			why.Code = reports.OtherFault
		}
		g.nests["A"].set(func() {
			g.nests["A"].play = func(_ context.Context, r *fakeRunner, j *archive.Journal) reports.End {
				r.event(j, reports.Event{Kind: reports.BenchFault, Fault: &reports.Fault{Reason: why}})
				return reports.End{Outcome: reports.Errored, Reason: &why}
			}
		})
		before := len(g.archive.Entries())
		require.Equal(t, codeStarted, g.scanInto(serialOf(1), "A").Code)
		n := g.until("the end", func(s stateJSON) bool { return len(g.archive.Entries()) > before && s.Nests[0].End != nil }).Nests[0]
		assert.Equal(t, "bench", n.End.Kind)
		title := "The bench is at fault"
		if tt.kind == "plan" {
			title = "The test plan is at fault"
			assert.Equal(t, stepEngineer, n.End.Step, "it would go the same way again")
			assert.Equal(t, "plan fault", n.End.Short)
		}
		assert.Equal(t, title, n.End.Title)
		assert.Equal(t, tt.want, n.End.Text)
		assert.Equal(t, detail, n.End.Detail)
		assert.Empty(t, n.End.Part)
		assert.NotContains(t, n.Parts, checkBroken)
	}
	assert.Equal(t, stepEngineer, g.state().Nests[0].End.Step, "after several in a row")
	g.nests["A"].set(func() {
		g.nests["A"].play = func(context.Context, *fakeRunner, *archive.Journal) reports.End {
			return reports.End{Outcome: reports.Aborted, Reason: &reports.Reason{Code: reports.GuardOpened}}
		}
	})
	before := len(g.archive.Entries())
	g.scanInto(serialOf(2), "A")
	n := g.until("the end", func(s stateJSON) bool { return len(g.archive.Entries()) > before && s.Nests[0].End != nil }).Nests[0]
	assert.Equal(t, "guard", n.End.Kind)
	assert.Equal(t, "Close the guard, then scan the unit again.", n.End.Next)
}

// Headers stand on every answer; what no page of ours sends is refused.
func TestGuard(t *testing.T) {
	g := newRig(t, func(c *Config) {
		c.Pictures = fstest.MapFS{"led.svg": {Data: []byte("<svg/>")}, "plan.lua": {Data: []byte("secret")}, "sub/x.svg": {Data: []byte("x")}}
	})
	for _, path := range []string{"/", "/events", "/api/state", "/healthz", "/nothing", "/look/nothing", "/picture/led.svg"} {
		resp, err := http.Get(g.http.URL + path)
		require.NoError(t, err)
		resp.Body.Close()
		h := resp.Header
		assert.Equal(t, policy, h.Get("Content-Security-Policy"), path)
		assert.NotContains(t, h.Get("Content-Security-Policy"), "unsafe")
		assert.Equal(t, "nosniff", h.Get("X-Content-Type-Options"), path)
		assert.Equal(t, "same-origin", h.Get("Referrer-Policy"), path)
	}
	for path, want := range map[string]int{"/picture/plan.lua": 404, "/picture/..%2fled.svg": 404, "/picture/sub%2Fx.svg": 404, "/picture/none.svg": 404,
		"/operator/operator.js": 404, "/operator/": 404, "/fixture": 404, "/metrics": 404, "/?" + strings.Repeat("a", 9000): 414} {
		status, body := get(t, g.http.URL+path)
		assert.Equal(t, want, status, path)
		assert.NotContains(t, body, "secret")
	}
	for _, tt := range []struct {
		name, media, body string
		want              int
	}{
		{"a form", "application/x-www-form-urlencoded", "id=1&text=x", 415},
		{"no type", "", "{}", 415},
		{"no JSON", "application/json", "{", 400},
		{"a field that is none", "application/json", `{"id":"1","text":"x","run":true}`, 400},
		{"two values", "application/json", `{"id":"1"}{"id":"2"}`, 400},
		{"too long", "application/json", `{"id":"` + strings.Repeat("a", 5000) + `"}`, 413},
		{"an id that is too long", "application/json", `{"id":"` + strings.Repeat("a", 100) + `"}`, 400},
		{"deep", "application/json", strings.Repeat("[", 3000), 400},
		{"nothing", "application/json", "", 400},
		{"another type", "application/json", `{"id":7}`, 400},
	} {
		status, body := g.raw("/api/scan", tt.media, tt.body)
		assert.Equal(t, tt.want, status, "%s: %s", tt.name, body)
	}
	for _, path := range []string{"/api/scan", "/api/abort", "/api/answer", "/api/decide", "/api/start", "/api/operator", "/api/language", "/api/acknowledge"} {
		status, _ := get(t, g.http.URL+path)
		assert.Equal(t, http.StatusMethodNotAllowed, status, path)
		// From another site: refused, before anything is read.
		for header, value := range map[string]string{"Sec-Fetch-Site": "cross-site", "Origin": "https://evil.example"} {
			req, err := http.NewRequest("POST", g.http.URL+path, strings.NewReader("{}"))
			require.NoError(t, err)
			req.Header.Set("Content-Type", "application/json")
			req.Header.Set(header, value)
			resp, err := http.DefaultClient.Do(req)
			require.NoError(t, err)
			resp.Body.Close()
			assert.Equal(t, http.StatusForbidden, resp.StatusCode, "%s with %s", path, header)
		}
	}
	assert.Empty(t, g.archive.Entries())
}

// hostile is what no field may take at its word.
var hostile = []string{"<script>alert(1)</script>", `"><img src=x onerror=alert(1)>`, "'; DROP TABLE runs;--", "${7*7}{{7*7}}", "\x00\x01\x1b[2J", "a\r\nSet-Cookie: x=1",
	"../../etc/passwd", "\u202eevil", strings.Repeat("A", 3000), "{nest}", "=cmd|' /C calc'!A0", "\xff\xfe", "data:text/html,<b>x", "javascript:alert(1)"}

// Every field and address with hostile content: nothing breaks, nothing comes
// back as markup or header.
func TestHostileInput(t *testing.T) {
	g := newRig(t)
	for _, h := range hostile {
		for _, c := range []struct {
			path string
			body any
		}{
			{"/api/scan", scanCommand{ID: "h" + url.QueryEscape(h)[:min(40, len(url.QueryEscape(h)))], Text: h, Nest: ""}},
			{"/api/scan", scanCommand{ID: "n" + url.QueryEscape(h)[:min(40, len(url.QueryEscape(h)))], Text: serialOf(1), Nest: h}},
			{"/api/start", nestCommand{Nest: h, Run: h, Serial: h}},
			{"/api/start", nestCommand{Nest: "A", Run: h, Serial: h}},
			{"/api/abort", nestCommand{Nest: "A", Run: h, Serial: h}},
			{"/api/abort", nestCommand{Serial: h}},
			{"/api/answer", map[string]any{"nest": "A", "run": h, "prompt": h, "value": h}},
			{"/api/operator", operatorCommand{Name: h}},
			{"/api/language", languageCommand{Language: h}},
			{"/api/acknowledge", acknowledgeCommand{Nest: h, Run: h}},
		} {
			status, body := g.raw(c.path, "application/json", c.body)
			assert.Contains(t, []int{200, 400, 413}, status, "%s %.40q: %s", c.path, h, body)
			assert.NotContains(t, string(body), "<script", "%s %.40q", c.path, h)
			assert.NotContains(t, string(body), "<img", "%s %.40q", c.path, h)
		}
		status, page := get(t, g.http.URL+"/?q="+url.QueryEscape(h), &http.Cookie{Name: OperatorCookie, Value: url.QueryEscape(h)},
			&http.Cookie{Name: shell.LanguageCookie, Value: url.QueryEscape(h)})
		assert.Equal(t, 200, status, "%.40q", h)
		assert.NotContains(t, page, "alert(1)</script>")
		assert.NotContains(t, page, "<img src=x")
		status, _ = get(t, g.http.URL+"/events/"+url.PathEscape(h))
		assert.Equal(t, 404, status)
		s := g.follow("x" + url.QueryEscape(h))
		e, ok := s.next()
		assert.True(t, ok && e.name == "state")
		s.close()
	}
	data, err := json.Marshal(g.state())
	require.NoError(t, err)
	assert.NotContains(t, string(data), "<")
	assert.Empty(t, g.archive.Entries())
}

// The page has nothing that its own policy forbids, in every language.
func TestOperatorPage(t *testing.T) {
	g := newRig(t)
	for _, l := range wording.Languages() {
		status, page := get(t, g.http.URL+"/", &http.Cookie{Name: shell.LanguageCookie, Value: l.Tag}, &http.Cookie{Name: OperatorCookie, Value: url.QueryEscape("<b>Mei & Co</b>")})
		require.Equal(t, 200, status)
		assert.Contains(t, page, `<html lang="`+l.Tag+`"`)
		assert.NotRegexp(t, `<script[^>]*>[^<]`, page, "no script in the page")
		assert.NotRegexp(t, `(?i)<style|\sstyle=|\son[a-z]+=|javascript:`, page, "no style and no handler in the page")
		assert.NotRegexp(t, `\[operator\.`, page, "no word is missing")
		assert.NotContains(t, page, "https://")
		assert.Contains(t, page, "&lt;b&gt;Mei &amp; Co&lt;/b&gt;")
		for _, src := range regexp.MustCompile(`(?:src|href)="(/(?:operator|look)/[^"]+)"`).FindAllStringSubmatch(page, -1) {
			status, _ := get(t, g.http.URL+src[1])
			assert.Equal(t, 200, status, src[1])
		}
	}
}

// Each operator has a language, which comes back with the name.
func TestOperatorsLanguage(t *testing.T) {
	file := t.TempDir() + "/operators.json"
	g := newRig(t, func(c *Config) { c.Preferences = file })
	g.cookies = []*http.Cookie{{Name: OperatorCookie, Value: "Rosa"}}
	assert.True(t, g.post("/api/language", languageCommand{"es"}).OK)
	status, _ := g.raw("/api/language", "application/json", languageCommand{"tlh"})
	assert.Equal(t, 400, status)
	g.cookies = nil
	assert.True(t, g.post("/api/operator", operatorCommand{"Wei"}).OK)
	assert.Equal(t, "bad-name", g.post("/api/operator", operatorCommand{strings.Repeat("x", 41)}).Code)
	p, err := loadPreferences(file)
	require.NoError(t, err)
	assert.Equal(t, []string{"Wei", "Rosa"}, p.names())
	assert.Equal(t, "es", p.language("Rosa"))
	req, err := http.NewRequest("POST", g.http.URL+"/api/operator", strings.NewReader(`{"name":"Rosa"}`))
	require.NoError(t, err)
	req.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	resp.Body.Close()
	set := map[string]*http.Cookie{}
	for _, c := range resp.Cookies() {
		set[c.Name] = c
		assert.True(t, c.HttpOnly, c.Name)
	}
	assert.Equal(t, "es", set[shell.LanguageCookie].Value)
	assert.Equal(t, "Rosa", set[OperatorCookie].Value)
}

func TestHealth(t *testing.T) {
	g := newRig(t, func(c *Config) {
		c.Health = func(context.Context) map[string]any { return map[string]any{"index": map[string]any{"reports": 7}} }
	})
	status, body := get(t, g.http.URL+"/healthz")
	assert.Equal(t, 200, status)
	assert.Contains(t, body, `"status":"ok"`)
	assert.Contains(t, body, `"reports":7`)
	g.nests["A"].set(func() { g.nests["A"].out = &reports.Reason{Code: reports.PlanStuck} })
	g.nests["B"].set(func() { g.nests["B"].out = &reports.Reason{Code: reports.PlanStuck} })
	status, body = get(t, g.http.URL+"/healthz")
	assert.Equal(t, 503, status)
	assert.Contains(t, body, `"code":"plan_stuck","why":"the plan is stuck in a call that does not come back"`)
}

func TestClip(t *testing.T) {
	assert.Equal(t, "a·b", clip("a\x00b"))
	assert.Equal(t, "·evil", clip("\u202eevil"))
	assert.Equal(t, strings.Repeat("x", 40)+"…", clip(strings.Repeat("x", 1000)))
	assert.Equal(t, "··", clip("\xff\xfe"))
}
