//go:build unix

package bench

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"

	"fullthrow/drivers/serialport"
)

// take claims one port.
func (c *Claim) take(port string, runner int) error {
	wire := port
	if device, err := filepath.EvalSymlinks(port); err == nil {
		wire = device
	}
	wire = strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r == '.' {
			return r
		}
		return '-'
	}, wire)
	name := filepath.Join(serialport.SharedDir(), "fullthrow-guard-"+wire+".lock")
	for {
		f, err := openClaim(name)
		if err != nil {
			return fmt.Errorf("%s: lock: %w", port, err)
		}
		if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
			defer f.Close()
			if !errors.Is(err, unix.EWOULDBLOCK) {
				return fmt.Errorf("%s: lock %s: %w", port, name, err)
			}
			text, _ := io.ReadAll(io.LimitReader(f, 64)) // unreadable: then nobody knows who it is
			return parseClaim(port, string(text))
		}
		// The one before may have taken the file away after it was opened here.
		mine, err := f.Stat()
		if there, serr := os.Stat(name); err != nil || serr != nil || !os.SameFile(mine, there) {
			f.Close()
			continue
		}
		c.files = append(c.files, f)
		write(f, claimText(claimRuns, runner))
		return nil
	}
}

// openClaim opens a lock's file, which may be another user's: the system refuses
// O_CREAT for that in a directory like /run/lock (fs.protected_regular).
func openClaim(name string) (*os.File, error) {
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if errors.Is(err, os.ErrPermission) {
		return os.OpenFile(name, os.O_RDONLY, 0)
	}
	if errors.Is(err, os.ErrNotExist) {
		return os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o666)
	}
	return f, err
}

// write is for people and for [Claimed]; the lock holds without it.
func write(f *os.File, text []byte) {
	if f.Truncate(0) == nil {
		_, _ = f.WriteAt(text, 0)
	}
}

// Gone says in the claim that the runner is gone and its guardian at work.
func (c *Claim) Gone(runner int) {
	for _, f := range c.files {
		write(f, claimText(claimGone, runner))
	}
}

// Release gives the ports up.
func (c *Claim) Release() {
	for _, f := range c.files {
		_ = os.Remove(f.Name()) // while the lock is held: see take
		_ = f.Close()
	}
	c.files = nil
}
