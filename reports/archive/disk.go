package archive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// disk is what the archive asks of the disk where it can be full or broken.
// refuse, which only tests set, may let a step fail as the kernel would:
// "make" (a file or directory), "write", "sync", "rename".
type disk struct {
	refuse func(step, path string) error
}

func (d disk) ask(step, path string) error {
	if d.refuse == nil {
		return nil
	}
	if err := d.refuse(step, path); err != nil {
		return &os.PathError{Op: step, Path: path, Err: err}
	}
	return nil
}

func (d disk) write(f *os.File, data []byte, at int64) (int, error) {
	if err := d.ask("write", f.Name()); err != nil {
		n, _ := f.WriteAt(data[:len(data)/2], at) // what still fits, as the kernel does
		return n, err
	}
	return f.WriteAt(data, at)
}

func (d disk) sync(f *os.File) error {
	if err := d.ask("sync", f.Name()); err != nil {
		return err
	}
	return f.Sync()
}

// tempPrefix marks files that were never finished; they are swept at open.
const tempPrefix = ".tmp-"

// writeFile writes a file so that at any moment, power cuts included, path
// holds either what it held before or all of data.
func (d disk) writeFile(path string, data []byte, mode fs.FileMode) error {
	dir := filepath.Dir(path)
	if err := d.ask("make", path); err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, tempPrefix+"*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // fails once renamed
	_, err = d.write(f, data, 0)
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = d.sync(f)
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = d.ask("rename", path)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err == nil {
		err = syncDir(dir)
	}
	return err
}

// makeDir makes a directory below root, which exists, and its name last.
func (d disk) makeDir(root string, parts ...string) (string, error) {
	dir := root
	for _, p := range parts {
		parent := dir
		dir = filepath.Join(dir, p)
		if err := d.ask("make", dir); err != nil {
			return "", err
		}
		if err := os.Mkdir(dir, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
			return "", err
		}
		if err := syncDir(parent); err != nil { // also where it exists: a crash may have come between
			return "", err
		}
	}
	return dir, nil
}

// reserve takes room on the disk for what must not fail later; removing the
// file gives it back.
func (d disk) reserve(path string, size int64) error {
	if err := d.ask("make", path); err != nil {
		return err
	}
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	err = allocate(f, size)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		os.Remove(path)
		return fmt.Errorf("reserve %d kB: %w", size/1024, err)
	}
	return nil
}

// fill takes room where the system has no other way to ask for it.
func fill(f *os.File, size int64) error {
	zeros := make([]byte, 64<<10)
	for at := int64(0); at < size; at += int64(len(zeros)) {
		if _, err := f.Write(zeros[:min(int64(len(zeros)), size-at)]); err != nil {
			return err
		}
	}
	return f.Sync()
}

// isFull reports whether a disk, or somebody's share of it, has no room left.
func isFull(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, diskFull)
}

// roomHint says what to do about a disk error: how much room is wanted, and
// where.
func roomHint(dir string, need int64, err error) string {
	if !isFull(err) {
		return "look at the disk that holds " + dir + "; replace it if it stays so"
	}
	if abs, aerr := filepath.Abs(dir); aerr == nil {
		dir = abs
	}
	return fmt.Sprintf("the disk is full: make at least %d MB of room for %s", 1+max(need, 0)/1e6, dir)
}
