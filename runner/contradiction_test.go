package main

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/store"
	"fullthrow/reports/store/pgtest"
	"fullthrow/runner/input"
	"fullthrow/runner/product"
	"fullthrow/runner/records"
	"fullthrow/runner/web/manager"
	"fullthrow/runner/web/repair"
	"fullthrow/runner/web/shell"
)

// reseal changes reports, by their run, and seals them and all that follow with the
// station's own key, head included: what whoever has the key can do.
func reseal(t *testing.T, dir string, change map[string]func(raw string) string) (files map[string]string) {
	t.Helper()
	must := require.New(t)
	list, err := archive.Files(dir)
	must.NoError(err)
	data, err := os.ReadFile(filepath.Join(dir, "station.key"))
	must.NoError(err)
	block, _ := pem.Decode(data)
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	must.NoError(err)
	key := parsed.(ed25519.PrivateKey)
	public := hex.EncodeToString(key.Public().(ed25519.PublicKey))
	byNumber := map[int64]archive.Sealed{}
	for _, f := range list {
		s, err := archive.Load(filepath.Join(dir, f.Name))
		must.NoError(err)
		s.File = f.Name
		byNumber[s.Seal.Number] = s
	}
	files = map[string]string{}
	previous, file := "", ""
	for n := int64(1); n <= int64(len(byNumber)); n++ {
		s := byNumber[n]
		if c := change[s.Report.Run]; c != nil {
			was := string(s.Raw)
			s.Raw = []byte(c(was))
			must.NotEqual(was, string(s.Raw))
			files[s.Report.Run] = filepath.Join(dir, s.File)
		}
		sum := sha256.Sum256(fmt.Appendf(nil, "fullthrow-seal/2\nreport\n%d\n%s\n%s", n, previous, s.Raw))
		s.Seal = archive.Seal{Number: n, Previous: previous, SHA256: hex.EncodeToString(sum[:]), Key: public,
			Signature: hex.EncodeToString(ed25519.Sign(key, sum[:]))}
		data, err := s.Bytes()
		must.NoError(err)
		must.NoError(os.WriteFile(filepath.Join(dir, s.File), data, 0o644))
		previous, file = s.Seal.SHA256, s.File
	}
	at := "2026-11-30T20:00:00Z"
	head := map[string]any{"number": len(byNumber), "hash": previous, "file": file, "at": at, "key": public,
		"signature": hex.EncodeToString(ed25519.Sign(key, fmt.Appendf(nil, "fullthrow-head/1\nchain\n%d\n%s\n%s\n%s\n",
			len(byNumber), previous, file, at)))}
	data, err = json.Marshal(head)
	must.NoError(err)
	must.NoError(os.WriteFile(filepath.Join(dir, "chain"), data, 0o644))
	must.Len(files, len(change))
	return files
}

// turned makes a report say another outcome than its checks do.
func turned(from, to reports.Outcome) func(string) string {
	return func(raw string) string {
		return strings.Replace(raw, fmt.Sprintf(`"outcome":%q`, from), fmt.Sprintf(`"outcome":%q`, to), 1)
	}
}

// Whoever has the station's key and turns what a report says makes it contradict
// itself. Nobody who reads reports believes it: a unit that failed is not taken for
// one that passed, and a good unit does not go to repair.
func TestNobodyBelievesAContradiction(t *testing.T) {
	if testing.Short() {
		t.Skip("asks one question after the other of a database, which the race detector slows; not with -short")
	}
	t.Setenv(records.PlantVariable, "")
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	dir := filepath.Join(t.TempDir(), "records")
	require.NoError(t, madeUpArchive(dir))

	// The one failed, and says that it passed. The other passed, and says that it
	// failed. Neither has another run.
	var liar, victim madeUpRun
	var liarRun, victimRun string
	for i, r := range madeUpRuns(newMadeUpRandom()) {
		name := fmt.Sprintf("run-%02d", i+1)
		switch {
		case r.lot == "24B" && r.outcome == reports.Failed && liarRun == "":
			liar, liarRun = r, name
		case r.lot == "24B" && r.outcome == reports.Passed && victimRun == "":
			victim, victimRun = r, name
		}
	}
	before := filepath.Join(t.TempDir(), "records")
	require.NoError(t, os.CopyFS(before, os.DirFS(dir)))
	files := reseal(t, dir, map[string]func(string) string{
		liarRun:   turned(reports.Failed, reports.Passed),
		victimRun: turned(reports.Passed, reports.Failed),
	})

	ask := func(args ...string) (int, string, string) {
		var o, e bytes.Buffer
		code := run(args, strings.NewReader(""), &o, &e)
		return code, o.String(), e.String()
	}
	const says = "contradicts itself"

	t.Run("report", func(t *testing.T) {
		for _, f := range files {
			code, out, _ := ask("report", f)
			assert.Equal(t, input.ExitFailed, code)
			assert.Contains(t, out, "THIS REPORT CONTRADICTS ITSELF")
			assert.Contains(t, out, " NOT COUNTED: it says")
			assert.NotContains(t, out, "hand it on")
			code, out, _ = ask("report", f, "--html", "-")
			assert.Equal(t, input.ExitFailed, code)
			assert.Contains(t, out, "This report contradicts itself")
			assert.Contains(t, out, ": Not counted</title>")
			assert.Contains(t, out, "that is not to be believed")
			assert.NotContains(t, out, "Every check of this unit passed")
		}
	})
	t.Run("certificate", func(t *testing.T) {
		code, out, errs := ask("report", files[liarRun], "--certificate", "-")
		assert.Equal(t, input.ExitInput, code)
		assert.Empty(t, out)
		assert.Contains(t, errs, says)
	})
	t.Run("verify", func(t *testing.T) {
		code, out, _ := ask("verify", dir)
		assert.Equal(t, input.ExitFailed, code)
		assert.Equal(t, 2, strings.Count(out, "["+archive.ReportContradicts+"]"), out)
	})

	// asked puts the same questions to whoever has the records.
	asked := func(t *testing.T, where ...string) {
		for run, r := range map[string]madeUpRun{liarRun: liar, victimRun: victim} {
			code, out, errs := ask(append([]string{"unit", r.serial}, where...)...)
			require.Equal(t, 0, code, errs)
			assert.Contains(t, out, "not counted: it "+says, run)
			first, _, _ := strings.Cut(out, "not counted")
			assert.NotRegexp(t, `(?i)passed at once|now passed|is good`, first)
		}
		code, out, errs := ask(append([]string{"today", "--period", "all", "--json"}, where...)...)
		require.Equal(t, 0, code, errs)
		var today struct {
			Summary struct{ Counts struct{ Units int64 } }
			About   struct {
				Not []store.Flag `json:"not_counted"`
			}
		}
		require.NoError(t, json.Unmarshal([]byte(out), &today))
		assert.EqualValues(t, 38, today.Summary.Counts.Units, "40 units but for these two")
		kinds := map[string]string{}
		for _, f := range today.About.Not {
			kinds[f.Run] = f.Kind
		}
		assert.Equal(t, map[string]string{liarRun: store.FlagContradicts, victimRun: store.FlagContradicts}, kinds)
		_, out, _ = ask(append([]string{"today", "--period", "all"}, where...)...)
		assert.Contains(t, out, "2 reports contradict themselves and are not counted")
		for _, kind := range []string{"runs", "readings", "failures"} {
			code, out, errs := ask(append([]string{"export", kind}, where...)...)
			require.Equal(t, 0, code, errs)
			rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
			require.NoError(t, err)
			column := map[string]int{}
			for i, name := range rows[0] {
				column[name] = i
			}
			seen := map[string]int{}
			for _, row := range rows[1:] {
				run := row[column["run"]]
				if files[run] == "" {
					assert.Empty(t, row[column["not_counted"]], run)
					continue
				}
				seen[run]++
				assert.Contains(t, row[column["not_counted"]], "contradicts", "%s of %s", kind, run)
			}
			assert.NotZero(t, seen[liarRun], kind)
		}
		_, out, _ = ask(append([]string{"fails", "--period", "all", "--json"}, where...)...)
		assert.NotContains(t, out, victim.serial)
	}
	t.Run("index", func(t *testing.T) { asked(t, "--data", dir) })
	t.Run("pages", func(t *testing.T) { pagesDoNotBelieve(t, dir, liar, victim, liarRun, victimRun) })
	t.Run("plant", func(t *testing.T) {
		server := pgtest.Start(t)
		dsn := server.NewDatabase(t)
		code, out, errs := ask("forward", "--data", dir, "--plant", dsn)
		assert.Equal(t, input.ExitFailed, code, errs)
		assert.Equal(t, 2, strings.Count(out, says), out)
		asked(t, "--plant", dsn)
		code, out, _ = ask("verify", dir, "--plant", dsn)
		assert.Equal(t, input.ExitFailed, code)
		assert.Equal(t, 2, strings.Count(out, "["+archive.ReportContradicts+"]"), out)

		// A plant that has seen the true reports knows besides that these are others.
		dsn = server.NewDatabase(t)
		code, out, errs = ask("forward", "--data", before, "--plant", dsn)
		require.Equal(t, 0, code, out+errs)
		code, out, _ = ask("verify", dir, "--plant", dsn)
		assert.Equal(t, input.ExitFailed, code)
		assert.Contains(t, out, "["+archive.RolledBack+"]")
		code, _, _ = ask("forward", "--data", dir, "--plant", dsn)
		assert.Equal(t, input.ExitFailed, code)
		_, out, _ = ask("unit", liar.serial, "--plant", dsn)
		assert.Contains(t, out, "failed")
		assert.NotContains(t, out, says, "the plant keeps what it has seen")
	})
}

// pagesDoNotBelieve asks the manager's pages and the repair bench.
func pagesDoNotBelieve(t *testing.T, dir string, liar, victim madeUpRun, liarRun, victimRun string) {
	index, err := store.OpenIndex(context.Background(), dir, store.IndexOptions{Write: true})
	require.NoError(t, err)
	defer index.Close()
	a, err := archive.Open(dir, "LQ-1")
	require.NoError(t, err)
	defer a.Close()
	l, err := shell.New()
	require.NoError(t, err)
	pages, err := manager.New(manager.Config{Look: l, Store: index, Serials: product.Serials, Repair: "/repair/",
		Around: func(_ context.Context, s archive.Sealed) archive.SealCheck { return a.Check(s) }})
	require.NoError(t, err)
	bench, err := repair.New(repair.Config{Store: index, Archive: a, Station: "LQ-1", Look: l, Unit: "/unit",
		Product: repair.Product{Name: "kittiwake-k8", Title: "Kittiwake K8"}, Retests: 0, Patience: time.Hour,
		Now:  func() time.Time { return time.Date(2026, 3, 5, 6, 0, 0, 0, time.UTC) },
		Scan: func(text string) (string, error) { return text, nil }})
	require.NoError(t, err)
	get := func(h http.Handler, path string, values ...string) (int, string) {
		v := url.Values{}
		for i := 0; i+1 < len(values); i += 2 {
			v.Set(values[i], values[i+1])
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", path+"?"+v.Encode(), nil))
		return w.Code, seen(w.Body.String())
	}

	for run, r := range map[string]madeUpRun{liarRun: liar, victimRun: victim} {
		_, page := get(pages, "/unit", "serial", r.serial, "product", "kittiwake-k8")
		assert.Contains(t, page, "This report contradicts itself", run)
		assert.NotRegexp(t, `It (passed|failed)`, page)
		assert.Contains(t, page, "Nothing is known of it: none of its runs counts.")
		assert.Contains(t, page, ", LQ-1 A not counted", run)
		assert.NotContains(t, page, "Certificate")
		_, page = get(pages, "/unit", "serial", r.serial, "product", "kittiwake-k8", "run", run)
		assert.Contains(t, page, "This report contradicts itself", run)
		code, page := get(pages, "/certificate/"+run)
		assert.NotEqual(t, http.StatusOK, code, page)
		_, page = get(pages, "/report/"+run)
		assert.Contains(t, page, "This report contradicts itself", run)
	}
	_, page := get(pages, "/today", "period", "all")
	assert.Contains(t, page, "contradicts itself")
	_, page = get(pages, "/units", "period", "all", "flagged", "1")
	for _, r := range []madeUpRun{liar, victim} {
		assert.Regexp(t, r.serial+` 3 Mar 2026, 06:\d\d not counted `, page)
	}
	_, page = get(bench, "/repair/")
	assert.NotContains(t, page, victim.serial, "a good unit is not for repair")
	for run, r := range map[string]madeUpRun{liarRun: liar, victimRun: victim} {
		for _, values := range [][]string{{"serial", r.serial}, {"serial", r.serial, "run", run}} {
			code, page := get(bench, "/repair/unit", values...)
			assert.Equal(t, http.StatusOK, code)
			assert.Contains(t, page, "Nothing is known about this unit: none of its runs counts.")
			assert.NotContains(t, page, "Write down what was found")
			assert.Regexp(t, `What happened to this unit 3 Mar 2026, 06:\d\d Not counted`, page)
		}
	}
}
