package archive

import (
	"fmt"
	"io"
	"os"
)

// How large what lies in an archive may be, in bytes, so that a file that is none of
// ours does not fill the memory. The largest reports there are, full of plots, have
// a few MiB; a journal beside has about as much.
const (
	maxReport  = 64 << 20
	maxJournal = 256 << 20
	maxNote    = 64 << 10 // keys, heads of chains
)

// readBounded reads a whole file of at most so many bytes.
func readBounded(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	large := fmt.Errorf("%s: larger than %d KiB: not one of this archive", path, most>>10)
	if info, err := f.Stat(); err != nil {
		return nil, err
	} else if info.Size() > most {
		return nil, large
	}
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(data)) > most {
		err = large
	}
	if err != nil {
		return nil, err
	}
	return data, nil
}
