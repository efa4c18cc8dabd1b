package input

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// MaxText is how large a file that people write may be, in bytes.
const MaxText = 1 << 20

// TooLarge is the error of a file that is longer than can be read; nothing of it
// was.
type TooLarge struct{ Most int64 }

func (e *TooLarge) Error() string {
	if e.Most >= 1<<20 {
		return fmt.Sprintf("larger than %d MiB", e.Most>>20)
	}
	return fmt.Sprintf("larger than %d KiB", e.Most>>10)
}

// ReadFile reads a whole file of at most so many bytes, whatever it says of its size.
func ReadFile(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Bounded(f, most)
}

// ReadFS is [ReadFile] in a file system.
func ReadFS(fsys fs.FS, name string, most int64) ([]byte, error) {
	f, err := fsys.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Bounded(f, most)
}

// Bounded reads an open file to its end, if that comes within so many bytes.
func Bounded(f fs.File, most int64) ([]byte, error) {
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, err
	case info.IsDir():
		return nil, errors.New("is a folder")
	case info.Size() > most:
		return nil, &TooLarge{most}
	}
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > most {
		return nil, &TooLarge{most}
	}
	return data, nil
}
