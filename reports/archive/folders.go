package archive

import (
	"errors"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Folder is a folder of sealed reports, as its parent shows it.
type Folder struct {
	Name     string    // within the archive, with slashes: "2026/11/25"
	Modified time.Time // when something in it came, went or was renamed
}

// Folders lists the folders of years, months and days, by name, without a look
// into those of days: as many as there are days, however many reports there are.
func Folders(dir string) ([]Folder, error) {
	var list []Folder
	var look func(name string, depth int) error
	look = func(name string, depth int) error {
		full := filepath.Join(dir, filepath.FromSlash(name))
		if depth > 0 {
			info, err := os.Lstat(full)
			if errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			if err != nil {
				return err
			}
			list = append(list, Folder{name, info.ModTime()})
			if depth == 3 {
				return nil
			}
		}
		entries, err := os.ReadDir(full)
		if errors.Is(err, fs.ErrNotExist) && depth > 0 {
			return nil
		}
		if err != nil {
			return err
		}
		for _, e := range entries {
			if !e.IsDir() || depth == 0 && !isYear(e.Name()) {
				continue
			}
			if err := look(path.Join(name, e.Name()), depth+1); err != nil {
				return err
			}
		}
		return nil
	}
	return list, look("", 0)
}

func isYear(name string) bool {
	_, err := strconv.Atoi(name)
	return err == nil && len(name) == 4
}

// FilesIn lists what lies in one folder of [Folders] as [Files] does. deeper says
// that a day holds a folder, where no station makes one.
func FilesIn(dir, folder string) (files []File, deeper bool, err error) {
	entries, err := os.ReadDir(filepath.Join(dir, filepath.FromSlash(folder)))
	if err != nil {
		return nil, false, err
	}
	for _, e := range entries {
		if e.IsDir() {
			deeper = deeper || strings.Count(folder, "/") >= 2
			continue
		}
		if strings.HasPrefix(e.Name(), tempPrefix) {
			continue
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, false, err
		}
		files = append(files, File{Name: path.Join(folder, e.Name()), Size: info.Size(), Modified: info.ModTime()})
	}
	return files, deeper, nil
}

// ReadRepairHead is [ReadHead] for the repairs.
func ReadRepairHead(dir string) (Place, error) {
	h, err := repairChain.read(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return Place{}, nil
	}
	return Place{Number: h.Number, SHA256: h.Hash}, err
}
