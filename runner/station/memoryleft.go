package station

import (
	"bufio"
	"bytes"
	"io/fs"
	"os"
	"path"
	"runtime"
	"strconv"
	"strings"
)

// memoryLeft is how much memory this process may still take before the system
// stops it.
func memoryLeft() int64 {
	if runtime.GOOS != "linux" {
		return noBound // the bench file's key is the only bound
	}
	return leftBy(os.DirFS("/"))
}

// leftBy reads from /proc and /sys below root what is left to this process, in
// bytes: the least of what the system has available (MemAvailable), what the
// process's own limits leave (address space, data) and what its control groups
// leave (cgroup v2 and v1, each up to the root). What is not there or cannot be
// read bounds nothing.
func leftBy(root fs.FS) int64 {
	read := func(name string) []byte {
		data, _ := fs.ReadFile(root, name)
		return data
	}
	left := int64(noBound)
	take := func(n int64) { left = min(left, max(n, 0)) }
	if n, ok := field(read("proc/meminfo"), "MemAvailable:"); ok {
		take(n << 10)
	}
	status := read("proc/self/status")
	for _, l := range []struct{ limit, used string }{
		{"Max address space", "VmSize:"},
		{"Max data size", "VmData:"},
	} {
		limit, limited := field(read("proc/self/limits"), l.limit)
		if used, ok := field(status, l.used); limited && ok {
			take(limit - used<<10)
		}
	}
	for line := range strings.Lines(string(read("proc/self/cgroup"))) {
		parts := strings.SplitN(strings.TrimSpace(line), ":", 3) // number:controllers:path
		if len(parts) != 3 {
			continue
		}
		base, limit, usage, cache := "sys/fs/cgroup", "memory.max", "memory.current", "inactive_file"
		if parts[1] != "" {
			if !strings.Contains(","+parts[1]+",", ",memory,") {
				continue
			}
			base, cache = "sys/fs/cgroup/memory", "total_inactive_file"
			limit, usage = "memory.limit_in_bytes", "memory.usage_in_bytes"
		}
		for at := path.Clean("/" + parts[2]); ; at = path.Dir(at) {
			dir := strings.TrimSuffix(base+at, "/")
			max, limited := number(read(dir + "/" + limit))
			if used, ok := number(read(dir + "/" + usage)); limited && ok {
				cached, _ := field(read(dir+"/memory.stat"), cache)
				take(max - used + cached) // the system drops what it only keeps of files
			}
			if at == "/" {
				break
			}
		}
	}
	return left
}

// field is the number after a name at the beginning of a line.
func field(text []byte, name string) (n int64, ok bool) {
	lines := bufio.NewScanner(bytes.NewReader(text))
	for lines.Scan() {
		after, found := strings.CutPrefix(lines.Text(), name)
		if words := strings.Fields(after); found && len(words) > 0 && (after[0] == ' ' || after[0] == '\t') {
			return number([]byte(words[0]))
		}
	}
	return 0, false
}

// number reads a number; "max", "unlimited" and anything beyond [noBound] are
// none.
func number(text []byte) (n int64, ok bool) {
	n, err := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64)
	return n, err == nil && n >= 0 && n < noBound
}
