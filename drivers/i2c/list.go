package i2c

import (
	"os"
	"path/filepath"
	"strings"
)

// Listed is a bus of this computer.
type Listed struct {
	Number string // as [OpenBus] takes it
	About  string // what the kernel calls it
}

// List returns the buses that programs can open. It opens none, and asks no
// part: some change when they are read.
func List() ([]Listed, error) {
	paths, err := filepath.Glob("/dev/i2c-*")
	var list []Listed
	for _, p := range paths {
		b, _ := os.ReadFile("/sys/bus/i2c/devices/" + filepath.Base(p) + "/name")
		list = append(list, Listed{strings.TrimPrefix(p, "/dev/i2c-"), strings.TrimSpace(string(b))})
	}
	return list, err
}
