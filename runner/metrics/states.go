package metrics

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
