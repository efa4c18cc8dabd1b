package archive

import (
	"io/fs"
	"syscall"
)

// identityOf is the identity of a file whose entry was read.
func identityOf(info fs.FileInfo) (fileID, bool) {
	s, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return fileID{}, false
	}
	return fileID{info.Size(), info.ModTime().UnixNano(), s.Ctim.Nano(), s.Ino}, true
}
