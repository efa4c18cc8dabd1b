package archive

import (
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"fullthrow/reports"
)

// reportFiles lists the files below the directories of years, with slashes;
// sweep removes what was never finished.
func reportFiles(dir string, sweep bool) ([]string, error) {
	var files []string
	years, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	for _, y := range years {
		if _, err := strconv.Atoi(y.Name()); err != nil || len(y.Name()) != 4 || !y.IsDir() {
			continue
		}
		err := filepath.WalkDir(filepath.Join(dir, y.Name()), func(p string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			if strings.HasPrefix(d.Name(), tempPrefix) {
				if sweep {
					os.Remove(p)
				}
				return nil
			}
			rel, err := filepath.Rel(dir, p)
			files = append(files, filepath.ToSlash(rel))
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	slices.Sort(files)
	return files, nil
}

func sweepTemps(dir string) {
	names, _ := os.ReadDir(dir)
	for _, n := range names {
		if strings.HasPrefix(n.Name(), tempPrefix) {
			os.Remove(filepath.Join(dir, n.Name()))
		}
	}
}

// readEntry reads only the beginning and the end of a sealed report, up to its
// checks and from its seal: opening an archive must not take the time to parse
// every reading of years. What the seal proves is left to [Load] and [Verify].
func readEntry(dir, name string) (Entry, error) {
	f, err := os.Open(filepath.Join(dir, filepath.FromSlash(name)))
	if err != nil {
		return Entry{}, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return Entry{}, err
	}
	begin := make([]byte, min(info.Size(), 4096))
	tail := make([]byte, min(info.Size(), 1024))
	if _, err := f.ReadAt(begin, 0); err != nil {
		return Entry{}, err
	}
	if _, err := f.ReadAt(tail, info.Size()-int64(len(tail))); err != nil {
		return Entry{}, err
	}
	i := bytes.Index(begin, []byte(`,"checks":[`))
	k := bytes.LastIndex(tail, []byte(fileMid))
	if i >= 0 && k >= 0 && bytes.HasPrefix(begin, []byte(fileHead)) {
		var r reports.Report
		var s struct {
			Seal Seal `json:"seal"`
		}
		err1 := json.Unmarshal(append(bytes.Clone(begin[len(fileHead):i]), '}'), &r)
		err2 := json.Unmarshal(append([]byte{'{'}, tail[k+1:]...), &s)
		if err1 == nil && err2 == nil && r.Schema == reports.Schema && s.Seal.Number > 0 {
			return entryOf(r, s.Seal, name), nil
		}
	}
	// A long head, or not what it seems: read all of it.
	s, err := Load(f.Name())
	if err != nil {
		return Entry{}, errors.Unwrap(err)
	}
	return entryOf(s.Report, s.Seal, name), nil
}
