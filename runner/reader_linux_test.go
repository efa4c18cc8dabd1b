package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"fullthrow/reports/store"
)

// Another user, who may read the records and write nothing there, asks every
// question and is answered as the owner is; the records stay as they are to the
// last time stamp. Where the index is missing or rotten, that user keeps an own one.
func TestAReaderNeedsNoRightToWrite(t *testing.T) {
	if testing.Short() {
		t.Skip("asks one question after the other of a database, which the race detector slows; not with -short")
	}
	if os.Getuid() != 0 {
		t.Skip("only root can become another user")
	}
	t.Parallel()
	top, err := os.MkdirTemp("", "reader") // one that others may pass through
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(top) })
	require.NoError(t, os.Chmod(top, 0o755))
	data, home := filepath.Join(top, "data"), filepath.Join(top, "home")
	const nobody = 65534
	require.NoError(t, os.Mkdir(home, 0o755))
	require.NoError(t, os.Chown(home, nobody, nobody))
	found, err := exec.LookPath("fullthrow")
	require.NoError(t, err)
	binary, err := os.ReadFile(found)
	require.NoError(t, err)
	program := filepath.Join(top, "fullthrow")
	require.NoError(t, os.WriteFile(program, binary, 0o755))
	run := func(user uint32, args ...string) (string, string, error) {
		cmd := exec.Command(program, args...)
		cmd.Dir = home
		cmd.Env = []string{"HOME=" + home, "XDG_CACHE_HOME=" + home + "/cache", "PATH=/usr/bin:/bin"}
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: user, Gid: user}}
		var out, errs bytes.Buffer
		cmd.Stdout, cmd.Stderr = &out, &errs
		err := cmd.Run()
		return out.String(), errs.String(), err
	}
	_, errs, err := run(0, "demo", "--units", "24", "--data", data)
	require.NoError(t, err, errs)
	records := filepath.Join(data, "records")
	_, errs, err = run(0, "today", "--data", records, "--period", "all")
	require.NoError(t, err, errs)
	index := filepath.Join(records, store.IndexFile)

	serial, report := "", ""
	require.NoError(t, filepath.WalkDir(records, func(p string, d fs.DirEntry, err error) error {
		if rel, _ := filepath.Rel(records, p); err == nil && strings.HasPrefix(rel, "2") && !d.IsDir() {
			text, err := os.ReadFile(p)
			if _, after, ok := strings.Cut(string(text), `"serial_number":"`); ok && err == nil &&
				strings.Contains(string(text), `"outcome":"passed"`) {
				report = p
				serial, _, _ = strings.Cut(after, `"`)
			}
		}
		return err
	}))
	require.NotEmpty(t, serial)
	questions := [][]string{
		{"today", "--period", "all"}, {"fails"}, {"drift", "yield"}, {"hold"}, {"differs", "--by", "lot"}, {"unit", serial},
		{"export", "runs"},
	}
	ask := func(user uint32, q []string) string {
		out, errs, err := run(user, append(append([]string{}, q...), "--data", records)...)
		require.NoError(t, err, "%s: %s", q[0], errs)
		return out + "\n" + errs
	}
	// A witness bears the minute in which it was made, and a check word over it.
	minute := regexp.MustCompile(`(?m)(^witness, .*) / \d{4}-\d\d-\d\d \d\d:\d\d / .*$`)
	timeless := func(text string) string { return minute.ReplaceAllString(text, "$1") }
	right := map[string]string{}
	for _, q := range questions {
		right[q[0]] = ask(0, q)
	}
	others := [][]string{{"verify", records}, {"report", report}, {"report", report, "--certificate", "-"},
		{"report", report, "--html", "-"}, {"report", report, "--csv", "-"}}
	for _, q := range others {
		out, errs, err := run(0, q...)
		require.NoError(t, err, errs)
		right[fmt.Sprint(q)] = timeless(out)
	}

	before := treeOf(t, records)
	for _, q := range questions {
		assert.Equal(t, right[q[0]], ask(nobody, q), q[0])
	}
	left, err := filepath.Glob(home + "/cache/fullthrow/index/*/" + store.IndexFile)
	require.NoError(t, err)
	assert.Empty(t, left, "an own index is kept though the records' is up to date")
	for _, q := range others {
		out, errs, err := run(nobody, q...)
		require.NoError(t, err, errs)
		assert.Equal(t, right[fmt.Sprint(q)], timeless(out), "%v", q)
	}
	assert.Equal(t, before, treeOf(t, records), "a reader changed the records")

	kept, err := os.ReadFile(index)
	require.NoError(t, err)
	for what, spoil := range map[string]func() error{
		"missing": func() error { return os.Remove(index) },
		"rotten": func() error {
			bad := bytes.Clone(kept)
			for i := 9000; i < len(bad); i += 3000 {
				bad[i] ^= 0x10
			}
			return os.WriteFile(index, bad, 0o644)
		},
		"rotten, and no cache can be kept": func() error {
			bad := bytes.Clone(kept)
			for i := 9000; i < len(bad); i += 3000 {
				bad[i] ^= 0x10
			}
			return errors.Join(os.Chown(home, 0, 0), os.WriteFile(index, bad, 0o644))
		},
	} {
		require.NoError(t, os.RemoveAll(home+"/cache"))
		require.NoError(t, os.Chown(home, nobody, nobody))
		require.NoError(t, os.WriteFile(index, kept, 0o644))
		require.NoError(t, spoil(), what)
		before = treeOf(t, records)
		told := 0
		for _, q := range questions {
			out, errs, err := run(nobody, append(append([]string{}, q...), "--data", records)...)
			require.NoError(t, err, "%s: %s: %s", what, q[0], errs)
			assert.Equal(t, strings.TrimSpace(strings.SplitN(right[q[0]], "\nnote:", 2)[0]), strings.TrimSpace(out),
				"%s: %s", what, q[0])
			told += strings.Count(errs, "may only be read")
		}
		if what != "rotten, and no cache can be kept" {
			assert.Equal(t, 1, told, what)
		}
		assert.Equal(t, before, treeOf(t, records), "%s: a reader changed the records", what)
	}
}

// treeOf lists a folder's files with size and time.
func treeOf(t *testing.T, dir string) (list []string) {
	t.Helper()
	require.NoError(t, filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		list = append(list, fmt.Sprint(p, info.Size(), info.ModTime().UnixNano()))
		return err
	}))
	return list
}
