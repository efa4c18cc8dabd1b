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
	"fullthrow/runner/product"
	"fullthrow/runner/records"
	"fullthrow/runner/web/manager"
	"fullthrow/runner/web/shell"
)

type (
	options map[string]string
	reply   = map[string]any
)

// asked is one question, put both ways over one archive: as a command and as
// the address of a page.
type asked struct {
	records string
	pages   http.Handler
}

func (a asked) command(t *testing.T, name string, options options) (code int, out, errs string) {
	t.Helper()
	args := []string{name, "--data", a.records, "--json"}
	arguments := map[string][]string{review.AskDrift: {"reading"}, review.AskHold: {"reading"},
		review.AskDiffers: {"a", "b"}, review.AskUnit: {"serial"}}[name]
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

func (a asked) page(t *testing.T, name string, options options, format string) (int, string) {
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
	text = strings.NewReplacer("\u00a0", " ", "\u202f", " ", "\u2011", "-").Replace(text)
	return strings.Join(strings.Fields(text), " ")
}

// Each question is answered once: the command's JSON and the page's are the
// same, selection, counts, ranks and reply, and the page shows them.
func TestBothWays(t *testing.T) {
	if testing.Short() {
		t.Skip("asks one question after the other of a database, which the race detector slows; not with -short")
	}
	t.Setenv(records.PlantVariable, "")
	a := asked{records: filepath.Join(t.TempDir(), "records")}
	require.NoError(t, madeUpArchive(a.records))
	index, err := store.OpenIndex(context.Background(), a.records, store.IndexOptions{})
	require.NoError(t, err)
	defer index.Close()
	l, err := shell.New()
	require.NoError(t, err)
	a.pages, err = manager.New(manager.Config{Look: l, Store: index, Serials: product.Serials})
	require.NoError(t, err)

	all := "all"
	for _, c := range []struct {
		name    string
		options options
		shown   func(t *testing.T, a reply, page string)
	}{
		{review.AskToday, options{}, nil},
		{review.AskToday, options{"period": all}, func(t *testing.T, a reply, page string) {
			units := number(t, a, "summary", "counts", "units")
			assert.Contains(t, page, fmt.Sprintf("of %.0f units passed", units))
			cycle := at(t, a, "cycle").(reply)
			assert.Equal(t, []any{40.0, 50.0, 2.0}, []any{cycle["takt"], cycle["intended"], cycle["nests"]})
			assert.Equal(t, 90.0, cycle["needed"], "what the takt asks for, with two nests as with one")
			assert.Equal(t, 144.0, cycle["capacity"])
		}},
		{review.AskToday, options{"period": all, "nest": "LQ-1 A"}, func(t *testing.T, a reply, _ string) {
			assert.Equal(t, 90.0, number(t, a, "cycle", "needed"))
			assert.Equal(t, 72.0, number(t, a, "cycle", "capacity"))
		}},
		{review.AskToday, options{"period": all, "takt": "50", "by": "lot", "target": "95", "confidence": "90"}, nil},
		{review.AskToday, options{"since": "2026-03-02", "until": "2026-03-03 07:10", "shifts": "05:30,13:30"}, nil},
		{review.AskToday, options{"period": "2026-03"}, nil},
		{review.AskFails, options{"period": all}, func(t *testing.T, a reply, page string) {
			failed, units := number(t, a, "pareto", "failed"), number(t, a, "pareto", "units")
			assert.Contains(t, page, fmt.Sprintf("%.0f of %.0f units failed", failed, units))
			first := at(t, a, "pareto", "bars").([]any)[0].(reply)
			assert.Contains(t, page, first["name"])
		}},
		{review.AskFails, options{"period": all, "by": "check", "lot": "24B"}, nil},
		{review.AskFails, options{"period": all, "by": "reading", "operator": "Jonas"}, nil},
		{review.AskFails, options{"period": "7d"}, nil},
		{review.AskDrift, options{"period": all, "reading": "yield"}, nil},
		{review.AskDrift, options{"period": all, "reading": "yield", "chart": "u-prime", "by": "hour"}, nil},
		{review.AskDrift, options{"since": "2026-03-01", "until": "2026-03-05", "reading": "yield"}, nil},
		{review.AskDrift, options{"period": all, "reading": "sticks.hysteresis"}, nil},
		{review.AskDrift, options{"period": all, "reading": "sticks.hysteresis", "chart": "xbar-s", "every": "4", "rules": "nelson"}, nil},
		{review.AskDrift, options{"period": all, "reading": "sticks.hysteresis", "chart": "cusum", "first": "20",
			"without-failed": "1", "retests": "1"}, nil},
		{review.AskDrift, options{"period": all, "reading": "sticks.hysteresis", "golden": "1"}, nil},
		{review.AskHold, options{"period": all}, func(t *testing.T, a reply, page string) {
			var ranked []string
			for _, r := range at(t, a, "readings").([]any) {
				ranked = append(ranked, r.(reply)["name"].(string))
			}
			require.Len(t, ranked, 3)
			places := make([]int, len(ranked))
			for i, name := range ranked {
				places[i] = strings.LastIndex(page, name)
			}
			assert.True(t, slices.IsSorted(places), "ranked %q, shown at %v", ranked, places)
			bulk := number(t, a, "readings", 0, "bulk", "value")
			plain := number(t, a, "readings", 0, "ppk", "value")
			assert.Contains(t, page, fmt.Sprintf("%.2f", bulk))
			assert.Contains(t, page, fmt.Sprintf("%.2f", plain), "plain Ppk stands beside it")
		}},
		{review.AskHold, options{"period": all, "reading": "sticks.hysteresis", "lot": "24A"}, nil},
		{review.AskHold, options{"period": all, "reading": "sticks.hysteresis", "every": "4", "confidence": "99"}, nil},
		{review.AskDiffers, options{"period": all, "a": "24A", "b": "24B"}, func(t *testing.T, a reply, page string) {
			differ := number(t, a, "comparison", "differ")
			assert.Contains(t, page, fmt.Sprintf("%.0f of ", differ))
		}},
		{review.AskDiffers, options{"period": all, "a": "lot:24A", "b": "lot:24B", "reading": "sticks.hysteresis"}, nil},
		{review.AskDiffers, options{"period": all, "a": "K824A00004W", "b": "lot:24B"}, func(t *testing.T, a reply, page string) {
			side := at(t, a, "sides", 0).(reply)
			assert.Equal(t, "run-06", side["run"], "its newest judged run, a retest")
			assert.Equal(t, "passed", side["outcome"])
		}},
		{review.AskDiffers, options{"period": all, "a": "run:run-05", "b": "lot:24B"}, func(t *testing.T, a reply, page string) {
			assert.Equal(t, "run-05", at(t, a, "sides", 0, "run"), "another by choice")
		}},
		{review.AskDiffers, options{"period": all}, nil},
		{review.AskDiffers, options{"period": all, "by": "nest", "reading": "sticks.hysteresis"}, nil},
		{review.AskDiffers, options{"period": all, "by": "product"}, nil},
		{review.AskUnit, options{"serial": "K824A00004W"}, func(t *testing.T, a reply, page string) {
			assert.Equal(t, "run-06", a["run"])
			assert.Contains(t, page, "It passed")
		}},
		{review.AskUnit, options{"serial": "k824a00004w", "run": "run-05"}, nil},
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
		options options
		status  int
	}{
		{review.AskToday, options{"confidence": "0.95"}, http.StatusBadRequest},
		{review.AskToday, options{"period": "7d", "since": "2026-03-02"}, http.StatusBadRequest},
		{review.AskToday, options{"period": "soon"}, http.StatusBadRequest},
		{review.AskToday, options{"lot": "24C"}, http.StatusNotFound},
		{review.AskFails, options{"by": "lot"}, http.StatusBadRequest},
		{review.AskDrift, options{"reading": "yield", "chart": "imr"}, http.StatusBadRequest},
		{review.AskDrift, options{"reading": "no.such"}, http.StatusNotFound},
		{review.AskHold, options{"reading": "no.such"}, http.StatusNotFound},
		{review.AskDiffers, options{"a": "24A", "b": "LQ-1", "period": all}, http.StatusBadRequest},
		{review.AskDiffers, options{"a": "24A", "b": "24A", "period": all}, http.StatusBadRequest},
		{review.AskUnit, options{"serial": "NOBODY"}, http.StatusNotFound},
	} {
		code, _, errs := a.command(t, c.name, c.options)
		status, body := a.page(t, c.name, c.options, "")
		assert.Equal(t, input.ExitInput, code, "%s %v: %s", c.name, c.options, errs)
		assert.Equal(t, c.status, status, "%s %v: %s", c.name, c.options, seen(body))
	}
}

func asValues(options options) map[string][]string {
	v := map[string][]string{}
	for name, value := range options {
		v[name] = []string{value}
	}
	return v
}

// decoded is an answer without where it was asked.
func decoded(t *testing.T, text string) reply {
	t.Helper()
	var v reply
	require.NoError(t, json.Unmarshal([]byte(text), &v), text)
	delete(v, "where")
	if about, ok := v["about"].(reply); ok {
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
			m, ok := v.(reply)
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
