package manager

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/csv"
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/review"
	"fullthrow/reports/serial"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/reports/yield"
	"fullthrow/runner/web/shell"
)

func get(t testing.TB, m *Manager, address, lang string) (int, string, http.Header) {
	t.Helper()
	r := httptest.NewRequest("GET", "/", nil)
	u, err := url.Parse(address)
	require.NoError(t, err, address)
	r.URL, r.RequestURI = u, address
	if lang != "" {
		r.AddCookie(&http.Cookie{Name: shell.LanguageCookie, Value: lang})
	}
	w := httptest.NewRecorder()
	m.ServeHTTP(w, r)
	body, err := io.ReadAll(w.Result().Body)
	require.NoError(t, err)
	return w.Code, string(body), w.Header()
}

// page is a page that must be there.
func pageOf(t testing.TB, m *Manager, address string) string {
	t.Helper()
	status, body, _ := get(t, m, address, "en")
	require.Equal(t, http.StatusOK, status, "%s: %s", address, shown(body))
	return body
}

var tag = regexp.MustCompile(`(?s)<style.*?</style>|<[^>]*>`)

// shown is what a reader sees of a page.
func shown(body string) string {
	_, main, _ := strings.Cut(body, "<main")
	main = html.UnescapeString(tag.ReplaceAllString("<main"+main, " "))
	return strings.Join(strings.Fields(strings.NewReplacer("\u00a0", " ", "\u2011", "-").Replace(main)), " ")
}

func addresses() []string {
	r := shared
	return []string{
		"/today", "/today?period=30d", "/today?period=all&by=month", "/today?period=30d&by=shift&lot=24B", "/today?period=30d&nest=LQ-1+A",
		"/fails", "/fails?by=check", "/fails?by=reading", "/fails?lot=24A&operator=Amina",
		"/drift", "/drift?chart=p-prime&by=lot", "/drift?reading=centre.play", "/drift?reading=centre.play&chart=xbar-s&by=day&rules=nelson",
		"/drift?reading=centre.play&chart=ewma", "/drift?reading=centre.play&chart=cusum", "/drift?reading=standby.current&chart=xbar-s&by=nest",
		"/hold", "/hold?reading=centre.play", "/hold?reading=standby.current&lot=24A", "/hold?reading=centre.temperature",
		"/differs", "/differs?by=nest", "/differs?by=operator", "/differs?a=lot:24A&b=lot:24B", "/differs?a=lot:24A&b=lot:24B&reading=centre.play",
		"/differs?reading=centre.play", "/differs?reading=centre.play&by=nest", "/differs?a=lot:24A&b=unit:" + r.failedSerial, "/differs?a=unit:" + r.passedSerial + "&b=unit:" + r.failedSerial, "/differs?a=nest:LQ-1+A",
		"/unit", "/unit?serial=" + r.failedSerial, "/unit?serial=" + r.passedSerial, "/unit?run=" + r.failedRun, "/unit?serial=K800Z00001",
		"/units", "/units?outcome=failed&first-runs=1", "/units?outcome=error", "/units?reading=centre.play&low=1&high=4", "/units?cause=nothing",
	}
}

var (
	ofTheRecord = regexp.MustCompile(`stopped by the operator|the set screw`) // as it was written there
	heading     = regexp.MustCompile(`<h([1-6])`)
	hrefs       = regexp.MustCompile(`href="(/[^"]*)"`)
)

// Every page answers, in every language, with all words, and so that people who
// cannot see it find their way; every link on it leads somewhere.
// The page of a day bears the newest report for somebody else to keep; no other does.
func TestDayBearsAWitness(t *testing.T) {
	const line = "LQ-1 / 1234 / 2026-11-30 19:54 / 7K3Q"
	m := pages(t, func(c *Config) { c.Witness = func() string { return line } })
	for _, address := range addresses() {
		_, body, _ := get(t, m, address, "en")
		day := strings.HasPrefix(address, "/today") && !strings.Contains(address, ".csv") && strings.Contains(body, "first")
		if day {
			assert.Contains(t, shown(body), "fullthrow verify --witness - proves it): "+line, address)
		} else if !strings.HasPrefix(address, "/today") {
			assert.NotContains(t, body, line, address)
		}
	}
}

func TestEveryPage(t *testing.T) {
	m := pages(t)
	links := map[string]string{}
	for _, address := range addresses() {
		for _, lang := range wording.Languages() {
			status, body, _ := get(t, m, address, lang.Tag)
			require.Equal(t, http.StatusOK, status, "%s: %s", address, shown(body))
			at := address + " in " + lang.Name
			assert.NotContains(t, body, "[manager.", at)
			assert.NotContains(t, body, "[charts.", at)
			assert.NotContains(t, body, "[figures.", at)
			if lang.Tag != "en" {
				assert.NotRegexp(t, `\b(the|values|which|cannot|there|chance)\b`, ofTheRecord.ReplaceAllString(shown(body), ""), at)
			}
			assert.NotContains(t, shown(body), "NaN", at)
			assert.NotContains(t, body, "<script", at)
			assert.NotContains(t, body, " style=", at)
			assert.Contains(t, body, `lang="`+lang.Tag+`"`, at)
			assert.Regexp(t, `<title>[^<]{3,}</title>`, body, at)
			level := 0
			for i, h := range heading.FindAllStringSubmatch(body, -1) {
				n := int(h[1][0] - '0')
				if i == 0 {
					assert.Equal(t, 1, n, "%s: the first heading", at)
				}
				assert.LessOrEqual(t, n, level+1, "%s: heading %d after %d", at, n, level)
				level = n
			}
			assert.Equal(t, 1, strings.Count(body, "<h1"), at)
			assert.Equal(t, strings.Count(body, "<table"), strings.Count(body, "<caption"), "%s: tables have a caption", at)
			assert.NotRegexp(t, `<th(>| class)`, body, "%s: heads of tables say what they head", at)
			for _, svg := range regexp.MustCompile(`<svg class="plot[^>]*>(.{0,60})`).FindAllStringSubmatch(body, -1) {
				assert.Regexp(t, `<title`, svg[1], "%s: drawings have a title", at)
			}
			for _, control := range regexp.MustCompile(`(?s)<(select|input)[^>]*>`).FindAllStringIndex(body, -1) {
				text := body[control[0]:control[1]]
				if strings.Contains(text, `type="hidden"`) {
					continue
				}
				before := body[:control[0]]
				assert.Greater(t, strings.LastIndex(before, "<label"), strings.LastIndex(before, "</label>"), "%s: %s has a label", at, text)
			}
			if lang.Tag == "en" {
				for _, h := range hrefs.FindAllStringSubmatch(body, -1) {
					links[html.UnescapeString(h[1])] = address
				}
			}
		}
	}
	require.Greater(t, len(links), 150)
	for _, address := range addresses() {
		delete(links, address) // seen above
	}
	for link, from := range links {
		if strings.HasPrefix(link, "/look/") || link == "/" {
			continue
		}
		status, body, _ := get(t, m, link, "en")
		assert.Equal(t, http.StatusOK, status, "%s, linked from %s: %s", link, from, shown(body))
	}
}

// Pages may be asked for side by side.
func TestEveryPageAtOnce(t *testing.T) {
	m := pages(t)
	list := addresses()
	next := make(chan string, len(list))
	for _, address := range list {
		next <- address
	}
	close(next)
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			for address := range next {
				status, body, _ := get(t, m, address, "en")
				assert.Equal(t, http.StatusOK, status, "%s: %s", address, shown(body))
			}
		})
	}
	wg.Wait()
}

// What a page says is what was made.
func TestFiguresAreThoseOfTheRecord(t *testing.T) {
	m := pages(t)
	r := shared
	body := shown(pageOf(t, m, "/today?period=all"))
	want := yield.NewShare(int64(r.firstPassed), int64(r.units), 0)
	assert.Contains(t, body, fmt.Sprintf("of %d units passed at their first run", r.units))
	assert.Contains(t, body, fmt.Sprintf("failed at first: %d of %d", r.units-r.firstPassed, r.units))
	w := m.look.Translator("en")
	percent := func(x float64) string { return strings.ReplaceAll(w.Share(x), "\u00a0", " ") }
	assert.Contains(t, body, percent(want.Value))
	assert.Contains(t, body, "between "+percent(want.Low)+" and "+percent(want.High))
	assert.Contains(t, body, fmt.Sprintf("%d bench fault", r.errors))
	assert.Contains(t, body, fmt.Sprintf("%d run stopped", r.aborted))
	assert.Contains(t, body, "simulated units, invented data")
	assert.Contains(t, shown(pageOf(t, m, "/today?period=all&lot=24B")), fmt.Sprintf("of %d units passed", r.lotUnits))

	assert.Contains(t, shown(pageOf(t, m, "/fails?period=all")), fmt.Sprintf("%d of %d units failed at their first run", r.units-r.firstPassed, r.units))
	assert.Contains(t, shown(pageOf(t, m, "/fails?period=all")), "left stick, sideways: play between shaft and potentiometer")
	assert.Contains(t, shown(pageOf(t, m, "/drift?reading=centre.play&chart=imr")), "centre.play moves")
	assert.Contains(t, shown(pageOf(t, m, "/drift?reading=standby.current&chart=imr&lot=24A")), "standby.current")
	assert.Contains(t, shown(pageOf(t, m, "/drift")), "Which readings moved")
	assert.Contains(t, shown(pageOf(t, m, "/hold?reading=standby.current")), "The process holds its limits: C")
	assert.Contains(t, shown(pageOf(t, m, "/differs?a=lot:24A&b=lot:24B&reading=centre.play")), "1 of 1 readings differs between lot 24A and lot 24B", "by ranks, which two failed units in each do not hide")
	assert.Contains(t, shown(pageOf(t, m, "/differs?a=lot:24A&b=lot:24B&reading=standby.current")), "are alike")
	assert.Contains(t, shown(pageOf(t, m, "/differs?reading=centre.play")), "centre.play differs by more than chance")
}

// The list behind a mark has as many rows as the mark says, page after page.
func TestListsGoOn(t *testing.T) {
	m := pages(t)
	next := regexp.MustCompile(`href="([^"]*)" rel="next"`)
	address, rows, n := "/units?period=all", 0, 0
	for {
		body := pageOf(t, m, address)
		rows += strings.Count(body, `<th scope="row">`)
		n++
		link := next.FindStringSubmatch(body)
		if link == nil {
			break
		}
		require.Less(t, n, 20)
		address = html.UnescapeString(link[1])
	}
	_, all, _ := get(t, m, "/units?period=all&format=csv", "en")
	assert.Equal(t, strings.Count(all, "\n")-1, rows)
	assert.Greater(t, n, 1)

	failed := pageOf(t, m, "/units?period=all&outcome=failed&first-runs=1")
	assert.Equal(t, shared.units-shared.firstPassed, strings.Count(failed, `<th scope="row">`))
	status, body, _ := get(t, m, "/units?after=no-such-run", "en")
	assert.Equal(t, http.StatusNotFound, status)
	assert.Contains(t, shown(body), "There is no run no-such-run")
}

func TestEveryTableAsCSV(t *testing.T) {
	m := pages(t)
	saved := regexp.MustCompile(`href="([^"]*format=csv[^"]*)"`)
	seen := 0
	for _, address := range addresses() {
		for _, link := range saved.FindAllStringSubmatch(pageOf(t, m, address), -1) {
			status, body, header := get(t, m, html.UnescapeString(link[1]), "en")
			require.Equal(t, http.StatusOK, status, link[1])
			assert.Equal(t, "text/csv; charset=utf-8", header.Get("Content-Type"))
			assert.Contains(t, header.Get("Content-Disposition"), "attachment")
			rows, err := csv.NewReader(strings.NewReader(body)).ReadAll() // as many cells in every row
			require.NoError(t, err, link[1])
			assert.NotEmpty(t, rows, link[1])
			for _, row := range rows {
				for _, cell := range row {
					if cell != "" && strings.ContainsAny(cell[:1], "=+@") {
						t.Errorf("%s: a spreadsheet would run %q", link[1], cell)
					}
					assert.NotContains(t, cell, "NaN")
				}
			}
			seen++
		}
	}
	assert.Greater(t, seen, 40)
	status, body, _ := get(t, m, "/fails?format=csv&table=nothing", "en")
	assert.Equal(t, http.StatusBadRequest, status)
	assert.Contains(t, shown(body), "Understood are: pareto")
	status, _, _ = get(t, m, "/unit?format=csv", "en")
	assert.Equal(t, http.StatusNotFound, status)
}

// Whatever stands in an address is harmless, and its reader is told what is
// wrong.
func TestHostileAddresses(t *testing.T) {
	m := pages(t)
	values := map[string]string{
		"markup": `"><script>alert(1)</script>`, "handler": `x" onload="alert(1)`, "sql": `'; DROP TABLE run; --`, "sql or": `24A' OR '1'='1`, "url": `javascript:alert(1)`,
		"null": "24A\x00", "escape": "\x1b[31m", "lines": "a\r\nSet-Cookie: x=1", "not UTF-8": "\xff\xfe", "template": "{{.}}{count}", "path": "../../station.key", "long": strings.Repeat("9", 100_000), "spaces": "   ",
		"override": "a\u202eb", "number": "1e400", "NaN": "NaN", "percent": "%s%n%d",
	}
	thorough := map[string]bool{"/units": true, "/unit": true}
	refused := map[string]bool{"null": true, "escape": true, "lines": true, "not UTF-8": true, "long": true, "override": true}
	for _, path := range []string{"/today", "/fails", "/drift", "/hold", "/differs", "/unit", "/units"} {
		for _, name := range append(allOptions(), others...) {
			for kind, value := range values {
				if name == "was" && kind == "spaces" {
					continue
				}
				if !thorough[path] && kind != "markup" && kind != "null" { // all read an address alike
					continue
				}
				status, body, header := get(t, m, path+"?"+url.Values{name: {value}}.Encode(), "en")
				at := fmt.Sprintf("%s?%s=(%s)", path, name, kind)
				if refused[kind] {
					assert.Equal(t, http.StatusBadRequest, status, at)
				} else {
					assert.Contains(t, []int{200, 303, 400, 404}, status, at)
				}
				assert.NotContains(t, body, "<script", at)
				assert.NotContains(t, body, `onload="`, at)
				assert.NotContains(t, body, `href="javascript:`, at)
				assert.Empty(t, header.Get("Set-Cookie"), at)
				assert.Less(t, len(body), 400_000, at)
				if status >= 400 {
					assert.Contains(t, body, `class="notice`, at)
				}
			}
		}
	}
	for address, want := range map[string]string{
		"/today?period=fortnight":                  "Period: fortnight is no time or period",
		"/today?since=2026-13-45":                  "From: 2026-13-45 is in no calendar",
		"/today?since=2026-11-20&until=2026-11-01": "The period ends before it begins",
		"/today?by=century":                        "Grouping: century is none of the choices",
		"/today?lot=24Z":                           "Lot 24Z occurs nowhere in the record",
		"/today?nest=LQ-9+A":                       "Nest LQ-9 A occurs nowhere in the record",
		"/fails?by=mood":                           "is none of the choices",
		"/drift?reading=no.such":                   "There is no reading no.such",
		"/drift?chart=pie":                         "is none of the choices",
		"/hold?reading=no.such":                    "There is no reading no.such",
		"/differs?a=moon:1&b=lot:24A":              "Moon:1 cannot be compared",
		"/differs?a=lot:24Z&b=lot:24A":             "Lot 24Z occurs nowhere in the record",
		"/differs?a=lot:24A&b=lot:24B&period=2020": "Lot 24A: no judged run in this period",
		"/differs?a=lot:24A&b=station:LQ-1":        "Lot 24A and station LQ-1 are not of a kind",
		"/differs?a=lot:24A&b=lot:24A":             "are the same",
		"/today?lto=24A":                           "Lto is not understood here",
		"/today?confidence=0.95":                   "0.95 is a share",
		"/today?period=7d&since=2026-11-20":        "Both a period and its beginning or end are given",
		"/differs?a=unit:none&b=lot:24A":           "No unit none was tested here",
		"/units?low=1":                             "A range of values needs its reading",
		"/units?low=x&reading=centre.play":         "Lower end: x is not a number",
		"/unit?serial=NONE":                        "No unit NONE was tested here",
		"/unit?run=none":                           "There is no run none",
		"/report/none":                             "There is no run none",
		"/certificate/none":                        "There is no run none",
		"/today?x=%zz":                             "The address of this page is damaged",
	} {
		status, body, _ := get(t, m, address, "en")
		assert.Contains(t, []int{400, 404}, status, address)
		assert.Contains(t, shown(body), want, address)
	}
	for _, address := range []string{"/attachment/../station.key", "/attachment/" + strings.Repeat("0", 64) + ".wav", "/attachment/x", "/manager/manager.css", "/manager/pages/page.html"} {
		status, _, _ := get(t, m, address, "en")
		assert.Contains(t, []int{301, 307, 404}, status, address)
	}
}

// allOptions are the options of all questions.
func allOptions() (list []string) {
	for _, name := range append(review.Names(), review.AskUnits) {
		for _, option := range review.Options(name) {
			if !slices.Contains(list, option) {
				list = append(list, option)
			}
		}
	}
	return list
}

func TestUnitPage(t *testing.T) {
	records, err := archive.Open(shared.dir, "LQ-1") // as the station holds it
	require.NoError(t, err)
	defer records.Close()
	m := pages(t, func(c *Config) {
		c.Repair = "/repair"
		c.Around = func(_ context.Context, s archive.Sealed) archive.SealCheck { return records.Check(s) }
	})
	newest := records.Entries()[len(records.Entries())-1]
	assert.Contains(t, shown(pageOf(t, m, "/unit?run="+newest.Run)), "its place between its neighbours fit")
	body := pageOf(t, m, "/unit?serial="+shared.failedSerial)
	text := shown(body)
	assert.Contains(t, text, "It passed", "its retest did")
	assert.Contains(t, text, "found: A faulty or wrong component; A part was replaced")
	assert.Contains(t, text, "its place between its neighbours fit")
	failed := pageOf(t, m, "/unit?serial="+shared.failedSerial+"&run="+shared.failedRun)
	text = shown(failed)
	assert.Contains(t, text, "left stick, sideways: play between shaft and potentiometer")
	assert.Contains(t, text, "likely, some 70 %")
	assert.Contains(t, text, "3.1 %")
	assert.Contains(t, failed, `<audio controls preload="none" src="/attachment/`+shared.wav)
	assert.Contains(t, failed, `href="/repair?run=`+shared.failedRun)
	assert.Contains(t, failed, `class="qr"`)
	assert.Equal(t, text, shown(pageOf(t, m, "/unit?run="+shared.failedRun)))
	assert.Equal(t, shown(pageOf(t, m, "/unit?serial="+shared.passedSerial)), shown(pageOf(t, m, "/unit?serial="+strings.ToLower(shared.passedSerial))))
	sealed, err := shared.index.Report(context.Background(), shared.passedRun)
	require.NoError(t, err)
	code := serial.CodeText(shared.passedSerial, sealed.Seal.SHA256)
	assert.Contains(t, shown(pageOf(t, m, "/unit?"+url.Values{"serial": {code}}.Encode())), "It passed")
}

func TestReportsAndAttachments(t *testing.T) {
	m := pages(t)
	status, body, header := get(t, m, "/report/"+shared.failedRun, "en")
	require.Equal(t, http.StatusOK, status)
	style := regexp.MustCompile(`(?s)<style>(.*?)</style>`).FindStringSubmatch(body)
	require.NotNil(t, style)
	sum := sha256.Sum256([]byte(style[1]))
	assert.Contains(t, header.Get("Content-Security-Policy"), "style-src 'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'")
	assert.NotContains(t, header.Get("Content-Security-Policy"), "unsafe")
	assert.NotContains(t, body, "<script")
	status, _, _ = get(t, m, "/certificate/"+shared.passedRun, "en")
	assert.Equal(t, http.StatusOK, status)
	status, body, _ = get(t, m, "/certificate/"+shared.failedRun, "en")
	assert.Equal(t, http.StatusConflict, status)
	assert.Contains(t, shown(body), "There is no certificate for "+shared.failedSerial)

	status, body, header = get(t, m, "/attachment/"+shared.wav, "en")
	require.Equal(t, http.StatusOK, status)
	assert.True(t, strings.HasPrefix(body, "RIFF"))
	assert.Equal(t, "audio/wav", header.Get("Content-Type"))
	assert.Equal(t, "nosniff", header.Get("X-Content-Type-Options"))
	assert.Equal(t, "bytes", header.Get("Accept-Ranges"), "players ask for parts")

	dir := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "attachments"), 0o755))
	name := strings.Repeat("ab", 32) + ".csv"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "attachments", name), []byte("not that"), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "secret"), []byte("secret"), 0o644))
	link := strings.Repeat("cd", 32) + ".csv"
	linked := os.Symlink(filepath.Join(dir, "secret"), filepath.Join(dir, "attachments", link)) == nil
	m = pages(t, func(c *Config) { c.Files = Directory(dir) })
	status, _, _ = get(t, m, "/attachment/"+name, "en")
	assert.Equal(t, http.StatusGone, status, "a file that is not what its name says")
	if linked {
		status, _, _ = get(t, m, "/attachment/"+link, "en")
		assert.Equal(t, http.StatusNotFound, status)
	}
}

// broken is a store that cannot be read, or is too slow.
type broken struct {
	review.Records
	err  error
	wait bool
}

func (b broken) Flags(ctx context.Context, _ store.Selection) ([]store.Flag, error) {
	if b.wait {
		<-ctx.Done()
		return nil, fmt.Errorf("store: values: %w", ctx.Err())
	}
	return nil, b.err
}

func (b broken) History(context.Context, string, string) ([]store.Run, []reports.Repair, error) {
	return nil, nil, b.err
}

func TestStatesOfTheStore(t *testing.T) {
	for _, path := range []string{"/today", "/fails", "/drift", "/hold", "/differs", "/units", "/unit?serial=X"} {
		status, body, _ := get(t, pages(t, func(c *Config) { c.Store = nil }), path, "en")
		assert.Equal(t, http.StatusServiceUnavailable, status, path)
		assert.Contains(t, shown(body), "The record is not open yet", path)
		status, body, _ = get(t, pages(t, func(c *Config) { c.Store = broken{err: errors.New("store: counts: disk I/O error")} }), path, "en")
		assert.Equal(t, http.StatusServiceUnavailable, status, path)
		assert.Contains(t, shown(body), "The record cannot be read just now", path)
		assert.NotContains(t, body, "disk I/O", "the log says that")
	}
	status, body, _ := get(t, pages(t, func(c *Config) { c.Store, c.Patience = broken{wait: true}, time.Millisecond }), "/today", "en")
	assert.Equal(t, http.StatusServiceUnavailable, status)
	assert.Contains(t, shown(body), "This took too long")

	dir := filepath.Join(t.TempDir(), "records")
	records, err := archive.Open(dir, "LQ-1")
	require.NoError(t, err)
	defer records.Close()
	index, err := store.OpenIndex(context.Background(), dir, store.IndexOptions{})
	require.NoError(t, err)
	defer index.Close()
	m := pages(t, func(c *Config) { c.Store = index })
	for _, path := range []string{"/today", "/fails", "/drift", "/hold", "/differs", "/units"} {
		assert.Contains(t, shown(pageOf(t, m, path)), "Nothing was tested yet", path)
	}
	one := &record{units: 1}
	_, sealed, err := one.run(records, newRand(), reports.Unit{SerialNumber: "K824A00001", Product: "kittiwake-k8", Lot: "24A"}, "A", "", now.Add(-time.Hour), 1, 0)
	require.NoError(t, err)
	_, err = index.Add(context.Background(), store.Item{Sealed: sealed, File: sealed.File})
	require.NoError(t, err)
	assert.Contains(t, shown(pageOf(t, m, "/today")), "100 % of 1 unit passed at its first run.", "one unit is told as one")
	for _, path := range []string{"/fails", "/drift", "/drift?reading=standby.current", "/hold", "/hold?reading=standby.current", "/differs", "/units", "/unit?serial=K824A00001"} {
		pageOf(t, m, path)
	}
	assert.Contains(t, shown(pageOf(t, m, "/hold?reading=standby.current")), "No index can be given. 1 value: 8 at least are needed")
	assert.Contains(t, shown(pageOf(t, m, "/today?period=yesterday")), "The newest run is of 25 Nov 2026, 14:20")

	require.NoError(t, index.SetFlags(context.Background(), sealed.Seal.Key, []store.Flag{{Run: sealed.Report.Run, Station: "LQ-1", File: sealed.File, Kind: "changed", Text: "x"}}))
	text := shown(pageOf(t, m, "/today"))
	assert.Contains(t, text, "1 report is not counted")
	assert.Contains(t, text, sealed.Report.Run[:30])
	assert.Contains(t, shown(pageOf(t, m, "/unit?serial=K824A00001")), "This report is not counted")
}

// A form's address is made short enough to be kept, and whichever of period and
// days was changed holds.
func TestFormsLeadToShortAddresses(t *testing.T) {
	m := pages(t)
	for given, want := range map[string]string{
		"/today?period=7d&was=today&since=&until=&lot=&nest=":       "/today?period=7d",
		"/today?period=7d&was=&since=2026-11-16&until=2026-11-17":   "/today?period=7d",
		"/today?period=30d&was=30d&since=2026-11-16&until=&lot=24A": "/today?lot=24A&since=2026-11-16",
		"/fails?period=&was=&since=2026-11-16&until=&by=check":      "/fails?by=check&since=2026-11-16",
		"/today?period=today&was=today&since=&until=":               "/today?period=today",
	} {
		status, _, header := get(t, m, given, "en")
		assert.Equal(t, http.StatusSeeOther, status, given)
		assert.Equal(t, want, header.Get("Location"), given)
	}
}

func TestPeriods(t *testing.T) {
	m := pages(t)
	day := func(d, h int) time.Time { return time.Date(2026, 11, d, h, 0, 0, 0, plant) }
	for address, want := range map[string][2]time.Time{
		"/today":                  {day(25, 0), {}},
		"/today?period=shift":     {day(25, 14), {}},
		"/today?period=yesterday": {day(24, 0), day(25, 0)},
		"/fails":                  {day(25, 0).AddDate(0, 0, -29), {}},
		"/fails?period=7d":        {day(19, 0), {}},
		"/fails?period=all":       {},
		"/fails?since=2026-11-20&until=2026-11-21":             {day(20, 0), day(22, 0)},
		"/fails?since=2026-11-20T06:00&until=2026-11-20T14:00": {day(20, 6), day(20, 14)},
		"/fails?until=2026-11-21":                              {{}, day(22, 0)},
	} {
		r := httptest.NewRequest("GET", address, nil)
		q, err := m.read(r, r.URL.Path)
		require.NoError(t, err, address)
		assert.True(t, want[0].Equal(q.sel.Since), "%s: since %s", address, q.sel.Since)
		assert.True(t, want[1].Equal(q.sel.Until), "%s: until %s", address, q.sel.Until)
	}
	early := pages(t, func(c *Config) { c.Now = func() time.Time { return day(25, 3) } })
	r := httptest.NewRequest("GET", "/today?period=shift", nil)
	q, err := early.read(r, "/today")
	require.NoError(t, err)
	assert.True(t, day(24, 22).Equal(q.sel.Since), "the night shift began yesterday: %s", q.sel.Since)
}

func TestPatternsAreServed(t *testing.T) {
	mux := http.NewServeMux()
	m := pages(t)
	for _, p := range Patterns() {
		mux.Handle(p, m)
	}
	w := httptest.NewRecorder()
	mux.ServeHTTP(w, httptest.NewRequest("GET", m.style, nil))
	assert.Equal(t, http.StatusOK, w.Code)
	assert.Equal(t, "text/css; charset=utf-8", w.Header().Get("Content-Type"))
	w = httptest.NewRecorder()
	mux.ServeHTTP(w, httptest.NewRequest("POST", "/today", nil))
	assert.Equal(t, http.StatusMethodNotAllowed, w.Code)
}
