//go:build !unix

package store

import "os"

// writable says whether a file or folder may be written to.
func writable(path string) bool {
	if info, err := os.Stat(path); err == nil && !info.IsDir() {
		f, err := os.OpenFile(path, os.O_WRONLY, 0)
		if err != nil {
			return false
		}
		f.Close()
		return true
	}
	f, err := os.CreateTemp(path, ".write-*")
	if err != nil {
		return false
	}
	f.Close()
	os.Remove(f.Name())
	return true
}
