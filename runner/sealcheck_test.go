package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fullthrow/reports"
	"fullthrow/reports/archive"
	"fullthrow/reports/recordtest"
)

// readmeScript is the script that README has for those without the program.
func readmeScript(t *testing.T) string {
	t.Helper()
	readme, err := os.ReadFile("../README.md")
	require.NoError(t, err)
	_, text, ok := strings.Cut(string(readme), "```sh\n")
	require.True(t, ok)
	text, _, ok = strings.Cut(text, "```\n")
	require.True(t, ok)
	return text
}

// README's words on seals suffice: its script, run by a shell with openssl and
// sha256sum alone, accepts a fresh folder and no other.
func TestSealsAreCheckedByWords(t *testing.T) {
	script := readmeScript(t)
	require.Equal(t, sealRule, script, "README and verify --rule")
	require.Equal(t, sealRule, string(fullthrow(t, []int{0}, "verify", "--rule")))
	for _, need := range []string{"openssl", "sha256sum", "sh"} {
		if _, err := exec.LookPath(need); err != nil {
			t.Skipf("this computer has no %s", need)
		}
	}
	file := filepath.Join(t.TempDir(), "sealcheck.sh")
	require.NoError(t, os.WriteFile(file, []byte(script), 0o600))
	check := func(args ...string) (string, error) {
		out, err := exec.Command("sh", append([]string{file}, args...)...).CombinedOutput()
		return string(out), err
	}
	fresh := t.TempDir()
	var files []string
	a, err := archive.Open(fresh, "LQ-1")
	require.NoError(t, err)
	for i, outcome := range []reports.Outcome{reports.Passed, reports.Failed, reports.Passed} {
		j, err := a.Begin(recordtest.Start([]string{"one", "two", "three"}[i]), recordtest.T0)
		require.NoError(t, err)
		for _, e := range recordtest.Events(outcome) {
			require.NoError(t, j.Append(e))
		}
		s, err := j.Seal()
		require.NoError(t, err)
		files = append(files, s.File)
	}
	require.NoError(t, a.Close())
	out, err := check(fresh)
	require.NoError(t, err, out)
	require.Equal(t, "3 reports are as they were sealed, and none is missing\n", out)

	other := t.TempDir()
	b, err := archive.Open(other, "LQ-2")
	require.NoError(t, err)
	require.NoError(t, b.Close())
	edit := func(name, from, to string) func(string) error {
		return func(dir string) error {
			data, err := os.ReadFile(filepath.Join(dir, name))
			if err != nil {
				return err
			}
			require.Contains(t, string(data), from)
			return os.WriteFile(filepath.Join(dir, name), []byte(strings.Replace(string(data), from, to, 1)), 0o600)
		}
	}
	remove := func(name string) func(string) error {
		return func(dir string) error { return os.Remove(filepath.Join(dir, name)) }
	}
	for _, c := range []struct {
		name  string
		spoil func(dir string) error
		want  string
	}{
		{"a changed report", edit(files[1], `"outcome":"failed"`, `"outcome":"passed"`), "changed after it was sealed"},
		{"another number", edit(files[1], `"number":2`, `"number":4`), "changed after it was sealed"},
		{"a blank more", edit(files[0], `,"seal"`, ` ,"seal"`), "changed after it was sealed"},
		{"bytes before it", edit(files[0], `{"report":`, ` {"report":`), ": form"},
		{"another previous", edit(files[1], `"previous":"`, `"previous":"0`), ": no seal"},
		{"the middle one removed", remove(files[1]), "number 3 comes where 2 should"},
		{"the newest removed", remove(files[2]), "the newest report there is number 2, and chain names number 3"},
		{"the newest removed, and the head made to fit", func(dir string) error {
			if err := remove(files[2])(dir); err != nil {
				return err
			}
			return edit("chain", `"number":3`, `"number":2`)(dir)
		}, "chain: signature"},
		{"the head gone", remove("chain"), "chain: signature"},
		{"another key", func(dir string) error {
			data, err := os.ReadFile(filepath.Join(other, "station.pub"))
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(dir, "station.pub"), data, 0o600)
		}, ": signature"},
		{"no reports", func(dir string) error { return os.RemoveAll(filepath.Join(dir, strings.Split(files[0], "/")[0])) },
			"the newest report there is number 0"},
		{"a report twice", func(dir string) error {
			data, err := os.ReadFile(filepath.Join(dir, files[0]))
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(dir, strings.Replace(files[0], "one.json", "four.json", 1)), data, 0o600)
		}, ": name"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "with blanks")
			require.NoError(t, os.CopyFS(dir, os.DirFS(fresh)))
			require.NoError(t, c.spoil(dir))
			out, err := check(dir)
			require.Error(t, err, out)
			require.Contains(t, out, c.want)
			require.NotContains(t, out, "none is missing")
		})
	}
	renewed(t, fresh, check)
	out, err = check(fresh, filepath.Join(other, "station.pub"))
	require.Error(t, err)
	require.Equal(t, 4, strings.Count(out, ": signature"), out)
}

// renewed has a station renew its key twice, with a report under each: the script walks
// from key to key, and a renewal that was changed, removed or put to another report is
// seen. fresh has three reports under the first key.
func renewed(t *testing.T, fresh string, check func(args ...string) (string, error)) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "renewed")
	require.NoError(t, os.CopyFS(dir, os.DirFS(fresh)))
	var hashes []string
	for _, run := range []string{"four", "five"} {
		h, err := archive.RenewKey(dir, "LQ-1", false)
		require.NoError(t, err)
		hashes = append(hashes, h.Hash, h.Old)
		a, err := archive.Open(dir, "LQ-1")
		require.NoError(t, err)
		j, err := a.Begin(recordtest.Start(run), recordtest.T0)
		require.NoError(t, err)
		for _, e := range recordtest.Events(reports.Passed) {
			require.NoError(t, j.Append(e))
		}
		_, err = j.Seal()
		require.NoError(t, err)
		require.NoError(t, a.Close())
	}
	out, err := check(dir)
	require.NoError(t, err, out)
	require.Equal(t, "5 reports are as they were sealed, and none is missing\n", out)
	ring, err := os.ReadFile(filepath.Join(dir, "station.keys"))
	require.NoError(t, err)
	lines := strings.SplitAfter(string(ring), "\n")
	for name, c := range map[string]struct{ text, want string }{
		"no renewals":         {"", ": signature"},
		"the first removed":   {lines[1], ": signature"},
		"the last removed":    {lines[0], "the last key is not that of"},
		"the wrong way round": {lines[1] + lines[0], "do not follow each other"},
		"another number":      {strings.Replace(string(ring), `"number":3`, `"number":2`, 1), "signature of the renewal"},
		"another report":      {strings.Replace(string(ring), hashes[0], hashes[2], 1), "after another report number 3"},
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "station.keys"), []byte(c.text), 0o600))
		out, err := check(dir)
		require.Error(t, err, name)
		require.Contains(t, out, c.want, name)
		require.NotContains(t, out, "none is missing", name)
	}
}
