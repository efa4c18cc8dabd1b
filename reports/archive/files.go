package archive

import (
	"os"
	"path/filepath"
	"time"
)

// File is a file of an archive that should be a sealed report, as the
// directory shows it.
type File struct {
	Name     string    // within the archive, with slashes
	Size     int64     // bytes
	Modified time.Time // by the file system's clock
}

// Files lists what lies where an archive keeps its sealed reports, by name, so
// the oldest first. It opens none of them and changes nothing, and may run
// beside the station's program: a file that has gone meanwhile is left out.
func Files(dir string) ([]File, error) {
	names, err := reportFiles(dir, false)
	if err != nil {
		return nil, err
	}
	files := make([]File, 0, len(names))
	for _, n := range names {
		info, err := os.Lstat(filepath.Join(dir, filepath.FromSlash(n)))
		if os.IsNotExist(err) {
			continue
		}
		if err != nil {
			return nil, err
		}
		files = append(files, File{Name: n, Size: info.Size(), Modified: info.ModTime()})
	}
	return files, nil
}
