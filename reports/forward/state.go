package forward

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"time"

	"fullthrow/reports"
	"fullthrow/reports/archive"
)

// State is how the forwarding stands.
type State struct {
	// Connected: the last try to reach the plant succeeded.
	Connected bool      `json:"connected"`
	Contact   time.Time `json:"contact,omitzero"` // when it last did
	Trouble   string    `json:"trouble,omitempty"`
	Hint      string    `json:"hint,omitempty"`  // what to do about the trouble
	Tries     int       `json:"tries,omitempty"` // that failed in a row
	Next      time.Time `json:"next,omitzero"`   // when the plant is tried again
	Behind    Backlog   `json:"behind"`
	Sent      Result    `json:"sent"` // since this forwarder was made
	Skew      Skew      `json:"skew"`
	Problems  []Problem `json:"problems,omitempty"` // with single reports, by file
}

// Backlog is what the plant does not have yet.
type Backlog struct {
	// Known says that these are figures: they are not before the plant was
	// reached for the first time. Reports is then all that were ever sealed.
	Known   bool      `json:"known"`
	Reports int64     `json:"reports"`
	Bytes   int64     `json:"bytes"`
	Oldest  time.Time `json:"oldest,omitzero"` // when the oldest of their runs began
}

// Skew is how the station's clock differs from the plant's.
type Skew struct {
	Ahead   time.Duration `json:"ahead"`  // the station's clock minus the plant's
	Within  time.Duration `json:"within"` // how far Ahead may be wrong: the way there and back took twice that
	Checked time.Time     `json:"checked,omitzero"`
}

// SkewAllowed is how far clocks may differ unmentioned: what orders runs of two
// stations, and tells shifts apart, is seconds.
const SkewAllowed = 5 * time.Second

// Large reports whether the clocks surely differ by more than [SkewAllowed].
func (s Skew) Large() bool { return s.Ahead.Abs()-s.Within > SkewAllowed }

// Text says so in words, and hint what to do; "" if the clocks agree.
func (s Skew) Text() (text, hint string) {
	if !s.Large() {
		return "", ""
	}
	side := "ahead of"
	if s.Ahead < 0 {
		side = "behind"
	}
	return fmt.Sprintf("this station's clock is %s %s the plant's: one of the two is wrong, and reports are filed "+
			"under the wrong hour", inWords(s.Ahead.Abs()), side),
		"let both computers take their time from the network (NTP); times in sealed reports stay as they are"
}

// Problem is something wrong that does not stop the rest.
type Problem struct {
	File string `json:"file,omitempty"` // within the archive
	Run  string `json:"run,omitempty"`
	// Kind is "changed", "removed", "inserted" (as in [store.Flag]),
	// "conflict", "refused", "attachment", "repair", "older copy", "index",
	// "contradicts".
	Kind string `json:"kind"`
	Text string `json:"text"`
	Hint string `json:"hint,omitempty"`
}

// String says the state in one line.
func (s State) String() string {
	var b strings.Builder
	k := s.Behind
	switch {
	case !k.Known && k.Reports == 0:
		b.WriteString("there are no reports to send yet")
	case !k.Known:
		fmt.Fprintf(&b, "the plant was not reached yet: how many of %d reports it lacks is not known", k.Reports)
	case k.Reports == 0:
		b.WriteString("the plant has all reports")
	case k.Reports == 1:
		fmt.Fprintf(&b, "1 report (%s) is still to be sent, from %s", size(k.Bytes),
			k.Oldest.Local().Format("2006-01-02 15:04"))
	default:
		fmt.Fprintf(&b, "%d reports (%s) are still to be sent, the oldest from %s", k.Reports, size(k.Bytes),
			k.Oldest.Local().Format("2006-01-02 15:04"))
	}
	if s.Trouble != "" {
		fmt.Fprintf(&b, "; no contact: %s", s.Trouble)
	}
	if text, _ := s.Skew.Text(); text != "" {
		fmt.Fprintf(&b, "; %s", text)
	}
	switch n := len(s.Problems); {
	case n == 1:
		fmt.Fprintf(&b, "; 1 problem: %s", s.Problems[0].Text)
	case n > 1:
		fmt.Fprintf(&b, "; %d problems", n)
	}
	return b.String()
}

func size(bytes int64) string {
	switch {
	case bytes < 1000:
		return fmt.Sprintf("%d B", bytes)
	case bytes < 1e6:
		return fmt.Sprintf("%.3g kB", float64(bytes)/1e3)
	case bytes < 1e9:
		return fmt.Sprintf("%.3g MB", float64(bytes)/1e6)
	}
	return fmt.Sprintf("%.3g GB", float64(bytes)/1e9)
}

// inWords is a duration as people say it, in its two largest units.
func inWords(d time.Duration) string {
	d = d.Round(time.Second)
	day := 24 * time.Hour
	for _, u := range []struct {
		large, small         time.Duration
		largeName, smallName string
	}{{day, time.Hour, "d", "h"}, {time.Hour, time.Minute, "h", "min"}, {time.Minute, time.Second, "min", "s"}} {
		if d >= u.large {
			s := fmt.Sprintf("%d %s", d/u.large, u.largeName)
			if rest := d % u.large / u.small; rest > 0 {
				s += fmt.Sprintf(" %d %s", rest, u.smallName)
			}
			return s
		}
	}
	return fmt.Sprintf("%d s", d/time.Second)
}

// State is the newest state.
func (f *Forwarder) State() State {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state
}

// tell brings the state up to date, and tells it if it is another.
func (f *Forwarder) tell() {
	s := State{
		Connected: f.trouble == nil && !f.contact.IsZero(), Contact: f.contact,
		Tries: f.tries, Sent: f.sent, Skew: f.skew, Problems: f.problems(),
	}
	if f.trouble != nil {
		s.Trouble, s.Next = f.trouble.Error(), f.next
		var h *reports.HintedError
		if errors.As(f.trouble, &h) {
			s.Hint = h.Hint
		}
	}
	if f.list != nil {
		s.Behind = f.list.backlog()
	} else if head, err := archive.ReadHead(f.c.Dir); err == nil {
		s.Behind.Reports = head.Number
	}
	f.mu.Lock()
	old := f.state
	f.state = s
	f.mu.Unlock()
	old.Contact, old.Skew.Checked = s.Contact, s.Skew.Checked // that it still goes well is no news
	same := reflect.DeepEqual(s, old)
	if !same && f.c.Tell != nil {
		f.c.Tell(s)
	}
}

// problems lists what is wrong, by file.
func (f *Forwarder) problems() []Problem {
	var list []Problem
	for _, a := range f.aside {
		list = append(list, a.problem)
	}
	list = slices.AppendSeq(list, maps.Values(f.general))
	if f.list != nil && !f.list.forked && f.list.headErr == nil {
		for _, gap := range f.list.missing() {
			text := fmt.Sprintf("report number %d is missing", gap[0])
			if gap[1] > gap[0] {
				text = fmt.Sprintf("reports number %d to %d are missing", gap[0], gap[1])
			}
			list = append(list, Problem{Kind: "removed", Text: text, Hint: hintRestore})
		}
	}
	slices.SortFunc(list, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Text, b.Text))
	})
	return list
}

// memory is the content of the file of that name.
type memory struct {
	Key    string    `json:"key"`
	Number int64     `json:"number"` // all reports of the archive up to it were at the plant
	SHA256 string    `json:"sha256"` // of that report, "" where it was not the newest
	At     time.Time `json:"at"`
}

// WhatPlantHad reads from the file of [Config.Memory] what the plant had at the
// last contact.
func WhatPlantHad(file string) []archive.Known {
	m := recall(file)
	if m.Number < 1 {
		return nil
	}
	return []archive.Known{{From: "plant", Number: m.Number, Hash: m.SHA256, Key: m.Key}}
}

func recall(file string) (m memory) {
	data, err := os.ReadFile(file)
	if err != nil || json.Unmarshal(data, &m) != nil {
		return memory{}
	}
	return m
}

// remember notes how far the plant is. That fails in silence: without the
// note, a station that starts offline cannot say how far behind it is.
func (f *Forwarder) remember() {
	m := memory{Key: f.key, Number: f.list.head, SHA256: f.list.hash}
	if len(f.list.pending) > 0 {
		m.Number, m.SHA256 = f.list.pending[0].number-1, ""
	}
	if m.Number < f.list.base.Number { // the plant has more than the archive: that stays to be seen
		m.Number, m.SHA256 = f.list.base.Number, f.list.base.SHA256
	}
	if f.c.Memory == "" || m.Key == f.memory.Key && m.Number == f.memory.Number {
		return
	}
	m.At = time.Now().UTC()
	f.memory = m
	data, err := json.Marshal(m)
	if err != nil {
		return
	}
	temp := filepath.Join(filepath.Dir(f.c.Memory), ".tmp-"+filepath.Base(f.c.Memory))
	if os.WriteFile(temp, append(data, '\n'), 0o644) != nil || os.Rename(temp, f.c.Memory) != nil {
		os.Remove(temp)
	}
}
