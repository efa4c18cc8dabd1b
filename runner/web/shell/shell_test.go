package shell

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

type demoPage struct {
	Page
	Units []string
	At    time.Time
	Yield float64
}

func testLook(t *testing.T) *Look {
	t.Helper()
	l, err := New()
	require.NoError(t, err)
	return l
}

func request(path, lang, theme string) *http.Request {
	r := httptest.NewRequest("GET", path, nil)
	r.AddCookie(&http.Cookie{Name: LanguageCookie, Value: lang})
	r.AddCookie(&http.Cookie{Name: ThemeCookie, Value: theme})
	return r
}

func TestParseFillsTheShell(t *testing.T) {
	l := testLook(t).In(time.UTC)
	page, err := l.Parse(fstest.MapFS{"p.html": {Data: []byte(`{{define "main"}}{{template "title" .}}<p>{{percent . .Yield}} {{when . .At}} {{t . "shell.theme"}}</p>
{{range .Units}}<a href="{{link "/unit" "serial" .  "lot" ""}}">{{.}}</a>{{template "row" (in $ .)}}{{end}}{{end}}
{{define "row"}}<i>{{.Item}} {{t . "shell.pages"}}</i>{{end}}`)}}, "p.html")
	require.NoError(t, err)
	data := demoPage{Page: l.Page(request("/x?lot=24A&a=<b>", "es", "dark"), "Título <b>"), Units: []string{"K8&<i>"}, At: time.Date(2026, 1, 2, 3, 4, 0, 0, time.UTC), Yield: 0.5}
	data.Question = "Why?"
	data.Nav = []Link{{Href: "/", Text: "One", Current: true}}
	var b strings.Builder
	require.NoError(t, page.ExecuteTemplate(&b, "page", data))
	for _, want := range []string{
		`<html lang="es" data-theme="dark">`, "<title>Título &lt;b&gt; · Fullthrow</title>", `<h1>Título &lt;b&gt;</h1><p class="question">Why?</p>`,
		"50\u00a0% <time datetime=\"2026-01-02T03:04:00Z\">2 ene 2026, 03:04</time> Aspecto",
		`<a href="/unit?serial=K8%26%3Ci%3E">K8&amp;&lt;i&gt;</a><i>K8&amp;&lt;i&gt; Páginas</i>`,
		`aria-current="page">One`, `value="/x?lot=24A&amp;a=`, `href="/look/look.`,
	} {
		assert.Contains(t, b.String(), want)
	}
	for _, forbidden := range []string{"<b>", "<script>", " style=", "onclick", "http:", "https:", "ZgotmplZ"} {
		assert.NotContains(t, b.String(), forbidden)
	}
}

func TestAssets(t *testing.T) {
	l := testLook(t)
	get := func(path string) *httptest.ResponseRecorder {
		w := httptest.NewRecorder()
		l.Handler().ServeHTTP(w, httptest.NewRequest("GET", path, nil))
		return w
	}
	for _, name := range []string{"look.css", "handset.css", "mark.svg", "shell.zh-Hans.json"} {
		p, err := l.Asset(name)
		require.NoError(t, err)
		w := get(p)
		assert.Equal(t, 200, w.Code, p)
		assert.Contains(t, w.Header().Get("Cache-Control"), "immutable")
		assert.NotZero(t, w.Body.Len())
	}
	_, err := l.Asset("other.css")
	assert.ErrorContains(t, err, `no file "other.css"`)
	for _, p := range []string{"/look/", "/look/../look.go", "/look/look.css", "/look/%2e%2e/"} {
		assert.NotEqual(t, 200, get(p).Code, p)
	}
}

func TestChoose(t *testing.T) {
	l := testLook(t)
	post := func(form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", "/look/choose", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		l.Handler().ServeHTTP(w, r)
		return w
	}
	w := post(url.Values{"lang": {"zh-Hans"}, "theme": {"dark"}, "back": {"/today?lot=24A"}})
	assert.Equal(t, http.StatusSeeOther, w.Code)
	assert.Equal(t, "/today?lot=24A", w.Header().Get("Location"))
	assert.Len(t, w.Result().Cookies(), 2)
	for _, back := range []string{"//evil.example/", "https://evil.example/", "/\\evil.example", "", "javascript:alert(1)", "/a\r\nX: y"} {
		w := post(url.Values{"lang": {"<script>"}, "theme": {"pink"}, "back": {back}})
		assert.Equal(t, "/", w.Header().Get("Location"), back)
		assert.Empty(t, w.Result().Cookies(), back)
	}
	assert.Equal(t, http.StatusBadRequest, post(url.Values{"back": {strings.Repeat("x", 1<<15)}}).Code)
}
