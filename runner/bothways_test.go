package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/review"
	"fullthrow/reports/store"
	"fullthrow/runner/input"
	"fullthrow/runner/web/look"
	"fullthrow/runner/web/manager"
)

// asked is one question, put both ways over one archive: as a command and as
// the address of a page.
type asked struct {
	records string
	pages   http.Handler
}

func (a asked) command(t *testing.T, name string, options map[string]string) (code int, out, errs string) {
	t.Helper()
	args := []string{name, "--data", a.records, "--json"}
	arguments := map[string][]string{review.AskDrift: {"reading"}, review.AskHold: {"reading"}, review.AskDiffers: {"a", "b"}, review.AskUnit: {"serial"}}[name]
	for _, option := range arguments {
		if options[option] != "" {
			args = append(args, options[option])
		}
	}
	for option, value := range options {
		switch {
		case slices.Contains(arguments, option):
		case slices.Contains(review.Switches(), option):
			args = append(args, "--"+option)
		default:
			args = append(args, "--"+option, value)
		}
	}
	var o, e bytes.Buffer
	code = run(args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

func (a asked) page(t *testing.T, name string, options map[string]string, format string) (int, string) {
	t.Helper()
	v := url.Values{}
	for option, value := range options {
		v.Set(option, value)
	}
	if format != "" {
		v.Set("format", format)
	}
	w := httptest.NewRecorder()
	a.pages.ServeHTTP(w, httptest.NewRequest("GET", "/"+name+"?"+v.Encode(), nil))
	return w.Code, w.Body.String()
}

var tags = regexp.MustCompile(`<[^>]*>`)

// seen is the text of a page as a reader sees it.
func seen(body string) string {
	text := html.UnescapeString(tags.ReplaceAllString(body, " "))
	return strings.Join(strings.Fields(strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2011", "-").Replace(text)), " ")
}

// Each question is answered once: the command's JSON and the page's are the
// same, selection, counts, ranks and figures, and the page shows them.
func TestBothWays(t *testing.T) {
	t.Setenv(plantVariable, "")
	a := asked{records: filepath.Join(t.TempDir(), "records")}
	require.NoError(t, madeUpArchive(a.records))
	index, err := store.OpenIndex(context.Background(), a.records, store.IndexOptions{})
	require.NoError(t, err)
	defer index.Close()
	l, err := look.New()
	require.NoError(t, err)
	a.pages, err = manager.New(manager.Config{Look: l, Store: index, Serials: stockSerials})
	require.NoError(t, err)

	all := "all"
	for _, c := range []struct {
		name    string
		options map[string]string
		shown   func(t *testing.T, answer map[string]any, page string)
	}{
		{review.AskToday, map[string]string{}, nil},
		{review.AskToday, map[string]string{"period": all}, func(t *testing.T, answer map[string]any, page string) {
			units := number(t, answer, "summary", "counts", "units")
			assert.Contains(t, page, fmt.Sprintf("of %.0f units passed", units))
			cycle := at(t, answer, "cycle").(map[string]any)
			assert.Equal(t, []any{40.0, 50.0, 2.0}, []any{cycle["takt"], cycle["intended"], cycle["nests"]})
			assert.Equal(t, 90.0, cycle["needed"], "what the takt asks for, with two nests as with one")
			assert.Equal(t, 144.0, cycle["capacity"])
		}},
		{review.AskToday, map[string]string{"period": all, "nest": "LQ-1 A"}, func(t *testing.T, answer map[string]any, _ string) {
			assert.Equal(t, 90.0, number(t, answer, "cycle", "needed"))
			assert.Equal(t, 72.0, number(t, answer, "cycle", "capacity"))
		}},
		{review.AskToday, map[string]string{"period": all, "takt": "50", "by": "lot", "target": "95", "confidence": "90"}, nil},
		{review.AskToday, map[string]string{"since": "2026-03-02", "until": "2026-03-03 07:10", "shifts": "05:30,13:30"}, nil},
		{review.AskToday, map[string]string{"period": "2026-03"}, nil},
		{review.AskFails, map[string]string{"period": all}, func(t *testing.T, answer map[string]any, page string) {
			assert.Contains(t, page, fmt.Sprintf("%.0f of %.0f units failed", number(t, answer, "pareto", "failed"), number(t, answer, "pareto", "units")))
			first := at(t, answer, "pareto", "bars").([]any)[0].(map[string]any)
			assert.Contains(t, page, first["name"])
		}},
		{review.AskFails, map[string]string{"period": all, "by": "check", "lot": "24B"}, nil},
		{review.AskFails, map[string]string{"period": all, "by": "reading", "operator": "Jonas"}, nil},
		{review.AskFails, map[string]string{"period": "7d"}, nil},
		{review.AskDrift, map[string]string{"period": all, "reading": "yield"}, nil},
		{review.AskDrift, map[string]string{"period": all, "reading": "yield", "chart": "u-prime", "by": "hour"}, nil},
		{review.AskDrift, map[string]string{"since": "2026-03-01", "until": "2026-03-05", "reading": "yield"}, nil},
		{review.AskDrift, map[string]string{"period": all, "reading": "sticks.hysteresis"}, nil},
		{review.AskDrift, map[string]string{"period": all, "reading": "sticks.hysteresis", "chart": "xbar-s", "every": "4", "rules": "nelson"}, nil},
		{review.AskDrift, map[string]string{"period": all, "reading": "sticks.hysteresis", "chart": "cusum", "first": "20", "without-failed": "1", "retests": "1"}, nil},
		{review.AskDrift, map[string]string{"period": all, "reading": "sticks.hysteresis", "golden": "1"}, nil},
		{review.AskHold, map[string]string{"period": all}, func(t *testing.T, answer map[string]any, page string) {
			var ranked []string
			for _, r := range at(t, answer, "readings").([]any) {
				ranked = append(ranked, r.(map[string]any)["name"].(string))
			}
			require.Len(t, ranked, 3)
			places := make([]int, len(ranked))
			for i, name := range ranked {
				places[i] = strings.LastIndex(page, name)
			}
			assert.True(t, slices.IsSorted(places), "ranked %q, shown at %v", ranked, places)
			bulk := number(t, answer, "readings", 0, "bulk", "value")
			plain := number(t, answer, "readings", 0, "ppk", "value")
			assert.Contains(t, page, fmt.Sprintf("%.2f", bulk))
			assert.Contains(t, page, fmt.Sprintf("%.2f", plain), "plain Ppk stands beside it")
		}},
		{review.AskHold, map[string]string{"period": all, "reading": "sticks.hysteresis", "lot": "24A"}, nil},
		{review.AskHold, map[string]string{"period": all, "reading": "sticks.hysteresis", "every": "4", "confidence": "99"}, nil},
		{review.AskDiffers, map[string]string{"period": all, "a": "24A", "b": "24B"}, func(t *testing.T, answer map[string]any, page string) {
			differ := number(t, answer, "comparison", "differ")
			assert.Contains(t, page, fmt.Sprintf("%.0f of ", differ))
		}},
		{review.AskDiffers, map[string]string{"period": all, "a": "lot:24A", "b": "lot:24B", "reading": "sticks.hysteresis"}, nil},
		{review.AskDiffers, map[string]string{"period": all, "a": "K824A00004W", "b": "lot:24B"}, func(t *testing.T, answer map[string]any, page string) {
			side := at(t, answer, "sides", 0).(map[string]any)
			assert.Equal(t, "run-06", side["run"], "its newest judged run, a retest")
			assert.Equal(t, "passed", side["outcome"])
		}},
		{review.AskDiffers, map[string]string{"period": all, "a": "run:run-05", "b": "lot:24B"}, func(t *testing.T, answer map[string]any, page string) {
			assert.Equal(t, "run-05", at(t, answer, "sides", 0, "run"), "another by choice")
		}},
		{review.AskDiffers, map[string]string{"period": all}, nil},
		{review.AskDiffers, map[string]string{"period": all, "by": "nest", "reading": "sticks.hysteresis"}, nil},
		{review.AskDiffers, map[string]string{"period": all, "by": "product"}, nil},
		{review.AskUnit, map[string]string{"serial": "K824A00004W"}, func(t *testing.T, answer map[string]any, page string) {
			assert.Equal(t, "run-06", answer["run"])
			assert.Contains(t, page, "It passed")
		}},
		{review.AskUnit, map[string]string{"serial": "k824a00004w", "run": "run-05"}, nil},
	} {
		t.Run(c.name+" "+url.Values(asValues(c.options)).Encode(), func(t *testing.T) {
			code, out, errs := a.command(t, c.name, c.options)
			require.Equal(t, input.ExitPassed, code, errs)
			status, body := a.page(t, c.name, c.options, "json")
			require.Equal(t, http.StatusOK, status, body)
			command, page := decoded(t, out), decoded(t, body)
			assert.Equal(t, "fullthrow-"+c.name+"/1", command["schema"])
			assert.Equal(t, page, command)
			status, body = a.page(t, c.name, c.options, "")
			require.Equal(t, http.StatusOK, status)
			if c.shown != nil {
				c.shown(t, command, seen(body))
			}
		})
	}

	// What the one refuses the other refuses.
	for _, c := range []struct {
		name    string
		options map[string]string
		status  int
	}{
		{review.AskToday, map[string]string{"confidence": "0.95"}, http.StatusBadRequest},
		{review.AskToday, map[string]string{"period": "7d", "since": "2026-03-02"}, http.StatusBadRequest},
		{review.AskToday, map[string]string{"period": "soon"}, http.StatusBadRequest},
		{review.AskToday, map[string]string{"lot": "24C"}, http.StatusNotFound},
		{review.AskFails, map[string]string{"by": "lot"}, http.StatusBadRequest},
		{review.AskDrift, map[string]string{"reading": "yield", "chart": "imr"}, http.StatusBadRequest},
		{review.AskDrift, map[string]string{"reading": "no.such"}, http.StatusNotFound},
		{review.AskHold, map[string]string{"reading": "no.such"}, http.StatusNotFound},
		{review.AskDiffers, map[string]string{"a": "24A", "b": "LQ-1", "period": all}, http.StatusBadRequest},
		{review.AskDiffers, map[string]string{"a": "24A", "b": "24A", "period": all}, http.StatusBadRequest},
		{review.AskUnit, map[string]string{"serial": "NOBODY"}, http.StatusNotFound},
	} {
		code, _, errs := a.command(t, c.name, c.options)
		status, body := a.page(t, c.name, c.options, "")
		assert.Equal(t, input.ExitInput, code, "%s %v: %s", c.name, c.options, errs)
		assert.Equal(t, c.status, status, "%s %v: %s", c.name, c.options, seen(body))
	}
}

func asValues(options map[string]string) map[string][]string {
	v := map[string][]string{}
	for name, value := range options {
		v[name] = []string{value}
	}
	return v
}

// decoded is an answer without where it was asked.
func decoded(t *testing.T, text string) map[string]any {
	t.Helper()
	var v map[string]any
	require.NoError(t, json.Unmarshal([]byte(text), &v), text)
	delete(v, "where")
	if about, ok := v["about"].(map[string]any); ok {
		delete(about, "where")
	}
	return v
}

// at is what stands in an answer at a path of names and indices.
func at(t *testing.T, v any, path ...any) any {
	t.Helper()
	for _, step := range path {
		switch step := step.(type) {
		case string:
			m, ok := v.(map[string]any)
			require.True(t, ok && m[step] != nil, "no %s", step)
			v = m[step]
		case int:
			list, ok := v.([]any)
			require.True(t, ok && len(list) > step, "no item %d", step)
			v = list[step]
		}
	}
	return v
}

func number(t *testing.T, v any, path ...any) float64 {
	t.Helper()
	x, ok := at(t, v, path...).(float64)
	require.True(t, ok, "%v is no number", path)
	return x
}
