//go:build !linux

package station

import "os"

// peak is known on Linux only.
func peak(*os.ProcessState) string { return "peak of the process: not known" }
