package metrics

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"unicode"
)

// A monitoring system's two formats: Prometheus text 0.0.4, and OpenMetrics 1.0
// (openmetrics.io), which names a counter without its _total, writes every number
// as a decimal fraction, and has an end.
const (
	textType = "text/plain; version=0.0.4; charset=utf-8"
	openType = "application/openmetrics-text; version=1.0.0; charset=utf-8"
)

// family is one metric: of each set of label values a series.
type family struct {
	name, help, kind string // kind: counter, gauge, histogram
	labels           []string
	bounds           []float64 // of a histogram's buckets, rising

	mu     sync.Mutex
	series map[string]*series // by its labels, as they are written
}

// series is protected by its family.
type series struct {
	of     *family
	value  float64  // of a histogram the sum
	counts []uint64 // of a histogram, by bucket; the last is beyond all bounds
}

// single is a metric without labels.
func single(kind, name, help string, value float64) *family {
	return &family{name: name, help: help, kind: kind, series: map[string]*series{"": {value: value}}}
}

var escapes = strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`)

// with is the series of these values of the labels, in their order.
func (f *family) with(values ...string) *series {
	pairs := make([]string, len(f.labels))
	for i, l := range f.labels {
		pairs[i] = l + `="` + escapes.Replace(values[i]) + `"`
	}
	slices.Sort(pairs)
	key := strings.Join(pairs, ",")
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.series[key]
	if s == nil {
		s = &series{of: f, counts: make([]uint64, len(f.bounds)+1)}
		f.series[key] = s
	}
	return s
}

func (s *series) inc() {
	s.of.mu.Lock()
	defer s.of.mu.Unlock()
	s.value++
}

func (s *series) set(v float64) {
	s.of.mu.Lock()
	defer s.of.mu.Unlock()
	s.value = v
}

// observe counts v in the bucket whose bound is the first not below it.
func (s *series) observe(v float64) {
	s.of.mu.Lock()
	defer s.of.mu.Unlock()
	i, _ := slices.BinarySearch(s.of.bounds, v)
	s.counts[i]++
	s.value += v
}

// write appends the family in one of the two formats; nothing if it has no
// series.
func (f *family) write(b *strings.Builder, open bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.series) == 0 {
		return
	}
	name := f.name
	if open && f.kind == "counter" {
		name = strings.TrimSuffix(name, "_total")
	}
	fmt.Fprintf(b, "# HELP %s %s\n# TYPE %s %s\n", name, f.help, name, f.kind)
	line := func(suffix, labels, more, value string) {
		if labels != "" && more != "" {
			more = "," + more
		}
		if labels += more; labels != "" {
			labels = "{" + labels + "}"
		}
		b.WriteString(f.name + suffix + labels + " " + value + "\n")
	}
	for _, labels := range slices.Sorted(maps.Keys(f.series)) {
		s := f.series[labels]
		if f.kind != "histogram" {
			line("", labels, "", number(s.value, open))
			continue
		}
		total := uint64(0)
		for i, n := range s.counts {
			total += n
			bound := math.Inf(1)
			if i < len(f.bounds) {
				bound = f.bounds[i]
			}
			line("_bucket", labels, `le="`+number(bound, open)+`"`, strconv.FormatUint(total, 10))
		}
		line("_sum", labels, "", number(s.value, open))
		line("_count", labels, "", strconv.FormatUint(total, 10))
	}
}

func number(v float64, open bool) string {
	if math.IsInf(v, 1) {
		return "+Inf"
	}
	s := strconv.FormatFloat(v, 'g', -1, 64)
	if open && !strings.ContainsAny(s, ".eN") {
		s += ".0"
	}
	return s
}

// Handler answers with the metrics, as OpenMetrics text where that is asked
// for and as the older Prometheus text otherwise.
func (m *Metrics) Handler() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		open := strings.Contains(r.Header.Get("Accept"), "application/openmetrics-text")
		list := slices.Concat(m.families, m.states(), process(m.began))
		slices.SortFunc(list, func(a, b *family) int { return cmp.Compare(a.name, b.name) })
		var b strings.Builder
		for _, f := range list {
			f.write(&b, open)
		}
		w.Header().Set("Content-Type", textType)
		if open {
			w.Header().Set("Content-Type", openType)
			b.WriteString("# EOF\n")
		}
		_, _ = w.Write([]byte(b.String()))
	})
}

// Most values of a label, so that a plan that makes up names, or a scanner
// that does, cannot fill the memory of whoever fetches the metrics.
const (
	mostNames   = 50  // products, stations, nests
	mostChecks  = 300 // of all products
	mostDevices = 100
	mostKinds   = 40 // words of the record
	longest     = 80 // characters of a value
)

// other stands for the values beyond the most.
const other = "other"

// label knows the values it has had.
type label struct {
	most int

	mu   sync.Mutex
	seen map[string]bool
}

func newLabel(most int) *label { return &label{most: most, seen: map[string]bool{}} }

// value is s as it may stand in a label: valid text without control
// characters, not too long, and one of a bounded number.
func (l *label) value(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "\uFFFD"))
	n := 0
	for i := range s {
		if n == longest {
			s = s[:i]
			break
		}
		n++
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.seen[s] {
		if len(l.seen) >= l.most {
			return other
		}
		l.seen[strings.Clone(s)] = true
	}
	return s
}
