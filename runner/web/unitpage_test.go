package web

import (
	"bytes"
	"html"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/page"
	"fullthrow/reports/store"
	"fullthrow/reports/wording"
	"fullthrow/runner/web/manager"
	"fullthrow/runner/web/repair"
	"fullthrow/runner/web/shell"
)

// unrepaired is an archive in which nothing was repaired.
type unrepaired struct{}

func (unrepaired) RepairOf(reports.Repair, archive.Sealed) (archive.SealedRepair, error) {
	return archive.SealedRepair{}, nil
}
func (unrepaired) Repairs() []archive.SealedRepair { return nil }

var (
	card = regexp.MustCompile(`(?s)<article class="u-card.*?<code[^>]*>(.*?)</code>` +
		`.*?<p class="u-value">(.*?)</p>\s*<p class="u-soft">(.*?)</p>`)
	likely    = regexp.MustCompile(`(?s)<h3>([^<]*)</h3>\s*<p class="u-sure">(.*?)</p>`)
	sealState = regexp.MustCompile(`(?s)<section class="u-seal">.*?</h2>\s*<p class="[a-z]+">(.*?)</p>`)
	outcome   = regexp.MustCompile(`(?s)<li class="([a-z]+)" aria-current="true">.*?<b>(.*?)</b>`)
	markup    = regexp.MustCompile(`<[^>]*>`)
)

// found is what a pattern finds on a page, as a reader sees it.
func found(body string, pattern *regexp.Regexp) (list [][]string) {
	for _, m := range pattern.FindAllStringSubmatch(body, -1) {
		var words []string
		for _, s := range m[1:] {
			words = append(words, strings.TrimSpace(html.UnescapeString(markup.ReplaceAllString(s, ""))))
		}
		list = append(list, words)
	}
	return list
}

// Whoever looks at a unit that failed finds the same: outcome, readings with
// values and limits, causes with likelihood, state of the seal.
func TestEveryReaderFindsTheSame(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.CopyFS(dir, os.DirFS("../../reports/testdata/first")))
	sealed, err := archive.Load(dir + "/2026/11/25/failed.json")
	require.NoError(t, err)
	index, err := store.OpenIndex(t.Context(), dir, store.IndexOptions{})
	require.NoError(t, err)
	defer index.Close()
	item, err := store.ItemOf(dir, sealed)
	require.NoError(t, err)
	_, err = index.Add(t.Context(), item)
	require.NoError(t, err)

	l, err := shell.New()
	require.NoError(t, err)
	l = l.In(time.UTC)
	unit := sealed.Report.Unit
	byManager, err := manager.New(manager.Config{Store: index, Look: l, Zone: time.UTC, Patience: time.Hour,
		Product: manager.Product{Name: unit.Product, Title: "Kittiwake K8"}})
	require.NoError(t, err)
	byRepair, err := repair.New(repair.Config{Store: index, Archive: unrepaired{}, Look: l, Patience: time.Hour,
		Station: "LQ-1", Product: repair.Product{Name: unit.Product, Title: "Kittiwake K8"},
		Scan: func(s string) (string, error) { return s, nil }})
	require.NoError(t, err)
	get := func(h http.Handler, path, lang string) string {
		r := httptest.NewRequest("GET", path, nil)
		r.AddCookie(&http.Cookie{Name: shell.LanguageCookie, Value: lang})
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		require.Equal(t, http.StatusOK, w.Code, w.Body)
		return w.Body.String()
	}

	runs, repairs, err := index.History(t.Context(), unit.Product, unit.SerialNumber)
	require.NoError(t, err)
	require.Greater(t, len(runs), 1)
	for _, lang := range wording.Languages() {
		w := l.Translator(lang.Tag)
		var file bytes.Buffer
		require.NoError(t, page.WriteHTML(&file, sealed, page.Options{Words: w, History: store.HistoryRows(runs, repairs)}))
		// What is expected, from the record itself: the likeliest cause explains
		// the play of the stick, which therefore stands first.
		var readings, causes [][]string
		for _, name := range []string{"sticks.left_x_play", "standby.current"} {
			for _, c := range sealed.Report.Checks {
				for _, rd := range c.Readings {
					if c.Name+"."+rd.Name != name {
						continue
					}
					require.Equal(t, reports.Fail, rd.Verdict, name)
					allowed := w.T("report.verdict.fail") + " · " + w.T("record.limit.allowed", "limit", w.Limit(rd.Limit, rd.Unit))
					if rd.Uncertainty > 0 {
						allowed += " · ± " + w.Quantity(rd.Uncertainty, rd.Unit)
					}
					readings = append(readings, []string{name, w.Value(rd), allowed})
				}
			}
		}
		require.Len(t, readings, 2)
		for _, c := range sealed.Report.Causes {
			causes = append(causes, []string{strings.ToUpper(c.Cause[:1]) + c.Cause[1:], w.Likelihood(c)})
		}
		require.NotEmpty(t, causes)
		for reader, body := range map[string]string{
			"file":    file.String(),
			"manager": get(byManager, "/unit?run="+sealed.Report.Run, lang.Tag),
			"repair":  get(byRepair, "/repair/unit?serial="+unit.SerialNumber, lang.Tag),
		} {
			at := reader + " in " + lang.Name
			assert.Equal(t, [][]string{{"fail", w.T("report.outcome.failed")}}, found(body, outcome), at)
			assert.Equal(t, readings, found(body, card), at)
			assert.Equal(t, causes, found(body, likely), at)
			assert.Equal(t, [][]string{{w.T("report.seal.own")}}, found(body, sealState), at)
			shown := html.UnescapeString(markup.ReplaceAllString(body, " "))
			assert.NotRegexp(t, `\[(report|record|repair|manager)\.`, shown, at)
		}
	}
}
