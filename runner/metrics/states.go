package metrics

import (
	"github.com/prometheus/client_golang/prometheus"
)

// states shows forwarding and index as they stand when they are asked for.
type states struct{ m *Metrics }

func describe(name, help string) *prometheus.Desc {
	return prometheus.NewDesc("fullthrow_"+name, help, nil, nil)
}

var (
	forwardConnected = describe("forward_connected", "1 if the last try to reach the plant succeeded.")
	forwardContact   = describe("forward_contact_timestamp_seconds", "When the plant was last reached, in seconds since 1970.")
	forwardReports   = describe("forward_behind_reports", "Reports the plant does not have yet.")
	forwardBytes     = describe("forward_behind_bytes", "Size of the reports the plant does not have yet.")
	forwardAge       = describe("forward_behind_seconds", "Age of the oldest run the plant does not have yet; 0 if it has all.")
	forwardSent      = describe("forward_sent_reports_total", "Reports sent to the plant since the program began.")
	forwardProblems  = describe("forward_problems", "Reports that cannot be sent as they are.")
	forwardSkew      = describe("forward_clock_skew_seconds", "The station's clock minus the plant's.")
	indexTrouble     = describe("index_trouble", "1 if the index of the records cannot be used or is not up to date.")
	indexReports     = describe("index_reports", "Reports in the index.")
	indexFlagged     = describe("index_flagged_reports", "Reports that are not as they were sealed, or missing.")
	indexRebuilds    = describe("index_rebuilds_total", "How often the index was made again from the records since the program began.")
)

// Describe implements [prometheus.Collector].
func (s *states) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		forwardConnected, forwardContact, forwardReports, forwardBytes, forwardAge, forwardSent, forwardProblems, forwardSkew,
		indexTrouble, indexReports, indexFlagged, indexRebuilds,
	} {
		to <- d
	}
}

// Collect implements [prometheus.Collector].
func (s *states) Collect(to chan<- prometheus.Metric) {
	s.m.mu.Lock()
	f, i := s.m.forward, s.m.index
	s.m.mu.Unlock()
	gauge := func(d *prometheus.Desc, v float64) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v)
	}
	counter := func(d *prometheus.Desc, v int64) {
		to <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v))
	}
	if f.Enabled {
		gauge(forwardConnected, one(f.Connected))
		if !f.Contact.IsZero() {
			gauge(forwardContact, float64(f.Contact.UnixMilli())/1000)
			gauge(forwardSkew, f.Skew)
		}
		if f.Known {
			gauge(forwardReports, float64(f.Reports))
			gauge(forwardBytes, float64(f.Bytes))
			age := 0.0
			if f.Reports > 0 {
				age = seconds(f.Oldest, s.m.now())
			}
			gauge(forwardAge, age)
		}
		counter(forwardSent, f.Sent)
		gauge(forwardProblems, float64(f.Problems))
	}
	if i.Enabled {
		gauge(indexTrouble, one(i.Trouble))
		gauge(indexReports, float64(i.Reports))
		gauge(indexFlagged, float64(i.Flagged))
		counter(indexRebuilds, i.Rebuilds)
	}
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
