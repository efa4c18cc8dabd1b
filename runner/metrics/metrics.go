package metrics

import (
	"os"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"time"

	"fullthrow/reports"
)

// Config is what the metrics know of the program from the beginning.
type Config struct {
	Version string // of the software, as in reports
	Station string
}

// Metrics counts. Make it by [New].
type Metrics struct {
	families []*family
	began    time.Time
	now      func() time.Time

	product, station, nest, check, device, kind *label

	started, ended, first, golden, unsafe, verdicts, faults, events, refused *family // counters
	underWay, lastEnd, cycleTime                                             *family // gauges
	runTime, checkTime, promptTime                                           *family // histograms

	mu      sync.Mutex
	forward Forward
	index   Index
}

// Forward is how forwarding to the plant stands.
type Forward struct {
	Enabled   bool // otherwise nothing is shown of it
	Connected bool // the last try succeeded
	Contact   time.Time
	Known     bool // the three that follow are figures
	Reports   int64
	Bytes     int64
	Oldest    time.Time // when the oldest run not yet sent began
	Sent      int64     // reports, since the program began
	Problems  int       // with single reports
	Skew      float64   // s, the station's clock minus the plant's
}

// Index is how the index of the records stands.
type Index struct {
	Enabled  bool // otherwise nothing is shown of it
	Trouble  bool // it cannot be used, or is not up to date
	Reports  int64
	Flagged  int   // reports that are not as they were sealed, or missing
	Rebuilds int64 // since the program began
}

// Bounds of the histograms, s.
var (
	runBounds    = []float64{5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 75, 90, 120, 180, 300, 600}
	checkBounds  = []float64{.1, .25, .5, 1, 2, 3, 4, 5, 7.5, 10, 15, 20, 30, 60, 120}
	promptBounds = []float64{.5, 1, 2, 3, 5, 7.5, 10, 15, 20, 30, 60, 120, 300, 600}
)

// New makes metrics, which hold some figures of the process and of Go too.
func New(c Config) *Metrics {
	m := &Metrics{
		began: time.Now(), now: time.Now,
		product: newLabel(mostNames), station: newLabel(mostNames), nest: newLabel(mostNames),
		check: newLabel(mostChecks), device: newLabel(mostDevices), kind: newLabel(mostKinds),
	}
	add := func(kind, name, help string, bounds []float64, labels []string) *family {
		f := &family{name: "fullthrow_" + name, help: help, kind: kind, labels: labels, bounds: bounds,
			series: map[string]*series{}}
		m.families = append(m.families, f)
		return f
	}
	counter := func(name, help string, labels ...string) *family { return add("counter", name, help, nil, labels) }
	gauge := func(name, help string, labels ...string) *family { return add("gauge", name, help, nil, labels) }
	histogram := func(name, help string, bounds []float64, labels ...string) *family {
		return add("histogram", name, help, bounds, labels)
	}
	where := []string{"product", "station", "nest"}
	with := func(more ...string) []string { return append(where[:len(where):len(where)], more...) }
	m.started = counter("runs_started_total", "Runs begun, golden units included.", where...)
	m.ended = counter("runs_total", "Runs ended, without golden units, by outcome.", with("outcome")...)
	m.first = counter("first_runs_total", "Runs ended of units that had no judged run at this station before, "+
		"without golden units, by outcome.", with("outcome")...)
	m.golden = counter("golden_runs_total", "Runs of golden units ended, by outcome.", with("outcome")...)
	m.unsafe = counter("unsafe_total", "Runs after which a device that can hurt people could not be made safe, by "+
		"what it drives.",
		"station", "nest", "hazard")
	m.underWay = gauge("run_under_way", "1 while a run is under way.", "station", "nest")
	m.lastEnd = gauge("last_run_end_timestamp_seconds", "When the last run ended, in seconds since 1970.", "station",
		"nest")
	m.cycleTime = gauge("cycle_time_seconds", "How long the plan means a run to take.", "product")
	m.runTime = histogram("run_duration_seconds", "Time of runs that passed or failed, without golden units.",
		runBounds, where...)
	m.checkTime = histogram("check_duration_seconds", "Time of checks, by check of the plan.", checkBounds, "product",
		"check")
	m.verdicts = counter("checks_total", "Checks ended, by verdict; without golden units.", "product", "check",
		"verdict")
	m.promptTime = histogram("prompt_wait_seconds", "Time operators took to answer a question.", promptBounds,
		"station", "nest")
	m.faults = counter("faults_total", "Faults of the bench, by device and kind.", "station", "nest", "device", "kind")
	m.refused = counter("requests_refused_total", "Connections and requests that were not let in, by why.", "reason")
	m.events = counter("events_total", "Events of runs, by kind.", "kind")

	gauge("build_info", "Always 1; which software this is, and of which station.", "version", "go", "station").
		with(newLabel(1).value(c.Version), runtime.Version(), m.station.value(c.Station)).set(1)
	return m
}

// SetForward says how forwarding stands now.
func (m *Metrics) SetForward(f Forward) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.forward = f
}

// SetIndex says how the index stands now.
func (m *Metrics) SetIndex(i Index) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.index = i
}

// Refused counts a connection or request that was not let in.
func (m *Metrics) Refused(why string) { m.refused.with(why).inc() }

// Follow returns what takes in the events of one nest, run after run. It
// returns at once.
func (m *Metrics) Follow() func(reports.Event) {
	n := &nest{m: m}
	return n.take
}

// states are forwarding and index as they stand now.
func (m *Metrics) states() []*family {
	m.mu.Lock()
	f, i := m.forward, m.index
	m.mu.Unlock()
	var list []*family
	gauge := func(name, help string, v float64) {
		list = append(list, single("gauge", "fullthrow_"+name, help, v))
	}
	counter := func(name, help string, v int64) {
		list = append(list, single("counter", "fullthrow_"+name, help, float64(v)))
	}
	if f.Enabled {
		gauge("forward_connected", "1 if the last try to reach the plant succeeded.", one(f.Connected))
		if !f.Contact.IsZero() {
			gauge("forward_contact_timestamp_seconds", "When the plant was last reached, in seconds since 1970.",
				float64(f.Contact.UnixMilli())/1000)
			gauge("forward_clock_skew_seconds", "The station's clock minus the plant's.", f.Skew)
		}
		if f.Known {
			gauge("forward_behind_reports", "Reports the plant does not have yet.", float64(f.Reports))
			gauge("forward_behind_bytes", "Size of the reports the plant does not have yet.", float64(f.Bytes))
			age := 0.0
			if f.Reports > 0 {
				age = seconds(f.Oldest, m.now())
			}
			gauge("forward_behind_seconds", "Age of the oldest run the plant does not have yet; 0 if it has all.", age)
		}
		counter("forward_sent_reports_total", "Reports sent to the plant since the program began.", f.Sent)
		gauge("forward_problems", "Reports that cannot be sent as they are.", float64(f.Problems))
	}
	if i.Enabled {
		gauge("index_trouble", "1 if the index of the records cannot be used or is not up to date.", one(i.Trouble))
		gauge("index_reports", "Reports in the index.", float64(i.Reports))
		gauge("index_flagged_reports", "Reports that are not as they were sealed, or missing.", float64(i.Flagged))
		counter("index_rebuilds_total", "How often the index was made again from the records since the program began.",
			i.Rebuilds)
	}
	return list
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

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
