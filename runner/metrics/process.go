package metrics

import (
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"
)

// ticks of processor time in /proc are 1/100 s on every Linux (proc(5), sysconf).
const ticks = 100

// process is what it costs to run, by the names in use for it; what this system
// does not say is left out.
func process(began time.Time) []*family {
	var mem runtime.MemStats
	runtime.ReadMemStats(&mem)
	list := []*family{
		single("gauge", "go_goroutines", "Goroutines there are.", float64(runtime.NumGoroutine())),
		single("gauge", "go_memstats_heap_alloc_bytes", "Heap in use.", float64(mem.HeapAlloc)),
		single("gauge", "go_memstats_sys_bytes", "Memory taken from the system.", float64(mem.Sys)),
		single("gauge", "process_start_time_seconds", "When the program began, in seconds since 1970.",
			float64(began.UnixMilli())/1000),
	}
	if open, err := os.ReadDir("/proc/self/fd"); err == nil {
		list = append(list, single("gauge", "process_open_fds", "Files, ports and connections open.",
			float64(len(open))))
	}
	if b, err := os.ReadFile("/proc/self/stat"); err == nil {
		// The second field is the program's name in brackets, which may hold anything.
		rest := strings.Fields(string(b[strings.LastIndexByte(string(b), ')')+1:]))
		field := func(n int) float64 { v, _ := strconv.ParseFloat(rest[n-3], 64); return v }
		if len(rest) > 24-3 {
			list = append(list,
				single("counter", "process_cpu_seconds_total", "Processor time taken.", (field(14)+field(15))/ticks),
				single("gauge", "process_resident_memory_bytes", "Memory held.", field(24)*float64(os.Getpagesize())))
		}
	}
	return list
}
